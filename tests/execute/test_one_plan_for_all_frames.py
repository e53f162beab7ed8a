"""A sequence is checked and planned once; frames share one executor, its loops and its memory."""

from __future__ import annotations

import gc
import weakref

import numpy as np
import pytest

from stackcomp import CheckError, Composition, Encoding, Graph, Image, Layers, Window, composition
from stackcomp.execute import fuse
from stackcomp.execute.executor import Executor
from stackcomp.execute.loops import machine
from stackcomp.files import exr

FRAMES = (1, 2, 3, 4)


@pytest.fixture
def executors(monkeypatch):
    """Every executor that is made, in order."""
    made: list[Executor] = []
    initialise = Executor.__init__

    def counting(self, *args, **kwargs):
        made.append(self)
        initialise(self, *args, **kwargs)

    monkeypatch.setattr(Executor, "__init__", counting)
    return made


@pytest.fixture
def compilations(tmp_path, monkeypatch):
    """The code of the loops that are compiled, with a cache that is empty at first."""
    codes: list[str] = []
    compile_code = machine.machine_code

    def noting(code):
        codes.append(code)
        return compile_code(code)

    monkeypatch.setenv("STACKCOMP_CACHE", str(tmp_path / "loops"))
    monkeypatch.setattr(fuse, "_folder", None)
    monkeypatch.setattr(fuse, "_loaded", {})
    monkeypatch.setattr(machine, "machine_code", noting)
    return codes


@pytest.fixture
def comp(tmp_path):
    """A file a frame, numbers that change over time, and pixel nodes on both sides of an area node."""
    window = Window.of_size(24, 16)
    for frame in FRAMES:
        planes = {name: np.full(window.shape, frame / 10, np.float32) for name in "RGBA"}
        exr.write(tmp_path / f"cg.{frame:04d}.exr", planes, window=window, display=window)
    graph = Graph(frames="1-4")
    graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="ACEScg")
    graph.add("exposure", "brighter", image="cg", stops={"keys": [[1, 0], [4, 1]], "between": "linear"})
    graph.add("place", "moved", image="brighter", move={"keys": [[1, [0, 0]], [4, [6, 0]]]})
    graph.add("over", "comp", source="moved", backdrop="cg")
    graph.add("deliver", "out", image="comp", path="out/comp.{frame:04d}.exr")
    graph.add("deliver", "matte", image="brighter", path="out/bright.{frame:04d}.exr")
    return Composition(graph, root=tmp_path)


def test_deliver_makes_one_executor_and_compiles_each_loop_once(comp, executors, compilations):
    after_first: list[int] = []
    comp.deliver(ended=lambda frame, error: after_first.append(len(compilations)))
    assert len(executors) == 1
    assert len(after_first) == len(FRAMES)
    assert len(set(compilations)) == len(compilations) > 0
    assert set(after_first) == {len(compilations)}


def test_a_second_delivery_of_the_same_frames_makes_no_other(comp, executors):
    comp.deliver()
    comp.deliver()
    assert len(executors) == 1


def test_deliver_with_given_pictures_makes_one_executor(comp, executors):
    given = Image.from_array(np.full((16, 24, 4), 0.5), encoding="ACEScg")
    assert len(comp.deliver(replace={"cg": given})) == 2 * len(FRAMES)
    assert len({id(executor.plan.steps) for executor in executors}) == 1


class TestGivenPictures:
    """Check and plan see what they are and where they lie; while that stays, neither happens again."""

    @pytest.fixture
    def checks(self, monkeypatch):
        made = []
        check, plan = composition.check_graph, composition.make_plan
        monkeypatch.setattr(composition, "check_graph", lambda *a, **k: made.append("check") or check(*a, **k))
        monkeypatch.setattr(composition, "make_plan", lambda *a, **k: made.append("plan") or plan(*a, **k))
        return made

    def picture(self, value, shape=(16, 24), channels=4, **more):
        return Image.from_array(np.full((*shape, channels), value), encoding="ACEScg", **more)

    def test_other_pixels(self, comp, checks):
        for value in (0.25, 0.5):
            image = comp.render("brighter", 1, replace={"cg": self.picture(value)})
            np.testing.assert_array_equal(image["R"], np.float32(value))
        assert checks == ["check", "plan"]

    @pytest.mark.parametrize(
        "other",
        [
            {"channels": 3},
            {"alpha": "straight"},
            {"origin": (1, 0)},
            {"display": Window.of_size(30, 20)},
            {"shape": (8, 8)},
        ],
        ids=str,
    )
    def test_another_type_or_window(self, comp, checks, other):
        comp.render("brighter", 1, replace={"cg": self.picture(0.5)})
        comp.render("brighter", 1, replace={"cg": self.picture(0.5, **other)})
        assert checks == ["check", "plan"] * 2

    def test_what_was_wrong_is_wrong_again(self, comp, checks):
        for _ in range(2):
            with pytest.raises(CheckError):
                comp.render("comp", 1, replace={"cg": self.picture(0.5, alpha="straight")})

    def test_other_layers_text(self, comp, checks):
        for text in ("a", "b", "b"):
            layers = Layers(tuple("RGBA"), "premultiplied", Encoding("ACEScg", "scene-linear"), {"owner": text})
            planes = {name: np.full((16, 24), 0.5, np.float32) for name in "RGBA"}
            window = Window.of_size(24, 16)
            comp.render("brighter", 1, replace={"cg": Image(planes, window, window, layers)})
        assert checks == ["check", "plan"] * 2

    def test_the_callers_pictures_are_not_kept(self, comp):
        picture = self.picture(0.5)
        gone = weakref.ref(picture)
        comp.render("brighter", 1, replace={"cg": picture})
        del picture
        gc.collect()
        assert gone() is None

    def test_renders_of_many_nodes_in_turn(self, comp, checks):
        for _ in range(3):
            for node in ("brighter", "moved", "comp"):
                comp.render(node, 1, replace={"cg": self.picture(0.5)})
        assert checks == ["check", "plan"] * 3


def test_an_executor_renders_any_number_of_frames_by_one_plan(comp, executors, compilations):
    executor = comp.executor(["comp", "brighter"], frames=FRAMES)
    plan, means, counts = executor.plan, [], []
    for frame in FRAMES:
        results = {result.node: result.image for result in executor.results(frame)}
        means.append(float(results["brighter"]["R"].mean()))
        counts.append(len(compilations))
    assert executors == [executor]
    assert executor.plan is plan
    assert set(counts) == {len(set(compilations))}
    np.testing.assert_allclose(means, [frame / 10 * 2 ** ((frame - 1) / 3) for frame in FRAMES], rtol=1e-3)


def test_renders_of_one_frame_share_an_executor(comp, executors):
    for window in (None, (0, 0, 8, 8), (8, 8, 8, 8)):
        comp.render("comp", 2, window=window)
    assert len(executors) == 1


def test_other_frames_compile_nothing(comp, compilations):
    for frame in FRAMES:
        comp.render("comp", frame)
    assert len(set(compilations)) == len(compilations)
    count = len(compilations)
    comp.render("comp", 1)
    assert len(compilations) == count


def test_the_command_makes_one_executor(comp, executors, tmp_path, monkeypatch):
    from typer.testing import CliRunner

    from stackcomp.cli.app import app

    comp.graph.save(tmp_path / "graph.json")
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(app, ["render", "graph.json"])
    assert done.exit_code == 0, done.output
    assert len(list((tmp_path / "out").glob("*.exr"))) == 2 * len(FRAMES)
    assert len(executors) == 1
