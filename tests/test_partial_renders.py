"""Parts of pictures, and deliveries of which some frames fail; what a compiled loop announces."""

from __future__ import annotations

import numpy as np
import pytest
from typer.testing import CliRunner

from stackcomp import Composition, Graph, RenderError, RequestError, Window
from stackcomp.cli.app import app
from stackcomp.execute import fuse
from stackcomp.files import exr


@pytest.fixture
def composition(tmp_path):
    y, x = np.mgrid[0:12, 0:20].astype(np.float32)
    window = Window.of_size(20, 12)
    for frame in (1, 2, 3):
        planes = {"R": x, "G": y, "B": x + y, "A": x / 20}
        path = tmp_path / f"cg.{frame}.exr"
        exr.write(path, planes, window=window, display=window, pixel_type="float")
        if frame == 2:
            # Damage that no header shows: the last chunk cannot be decoded.
            path.write_bytes(path.read_bytes()[:-20] + bytes(20))
    graph = Graph(frames="1-3")
    cg = graph.add("read", "cg", path="cg.{frame}.exr", encoding="ACEScg")
    graph.add("pick_channels", "colour", layers=cg)
    graph.add("pick_channels", "matte", layers=cg, as_="matte")
    graph.add("exposure", "bright", image="colour", stops=1)
    graph.add("deliver", "out", image="bright", path="out.{frame}.exr", pixel_type="float")
    return Composition(graph, root=tmp_path)


@pytest.mark.parametrize("scale", [1.0, 0.5])
@pytest.mark.parametrize("node", ["cg", "colour", "matte", "bright", "out"])
def test_a_window_gives_that_part_of_any_node(composition, node, scale):
    part = composition.render(node, 1, window=(4, 2, 8, 6), scale=scale)
    whole = composition.render(node, 1, scale=scale)
    expected = Window(4, 2, 12, 8).scaled(scale)
    assert part.window == expected
    assert part.display == whole.display
    for name in whole:
        np.testing.assert_array_equal(part[name], whole.over(expected)[name])


@pytest.mark.parametrize("scale", [1.0, 0.5])
@pytest.mark.parametrize("node", ["cg", "colour", "matte", "bright", "out"])
@pytest.mark.parametrize("window", [(20, 0, 4, 4), (-4, 0, 4, 12), (0, 12, 20, 1), (10**6, 10**6, 1, 1)])
def test_a_window_outside_of_the_frame_is_refused(composition, node, scale, window):
    with pytest.raises(RequestError, match=r"lies outside of the frame, 20×12 at \(0, 0\)") as refused:
        composition.render(node, 1, window=window, scale=scale)
    (problem,) = refused.value.problems
    assert (problem.rule, problem.node) == ("window", node)
    assert composition.render(node, 1, window=(19, 11, 9, 9), scale=scale)["A"].size == 1


def test_an_empty_window_is_refused(composition):
    with pytest.raises(RequestError, match="0×4 is an empty window"):
        composition.render("colour", 1, window=Window(4, 4, 4, 8))


def test_pixels_beyond_the_frame_may_be_looked_at(composition, tmp_path):
    """Overscan is outside of the frame, but something is there; a cropped picture has nothing inside of it."""
    for frame, window in ((1, Window(-6, -6, 4, 4)), (3, Window(0, 0, 4, 4))):
        planes = dict.fromkeys("RGBA", np.full(window.shape, 0.5, np.float32))
        exr.write(tmp_path / f"cg.{frame}.exr", planes, window=window, display=Window.of_size(20, 12))
    part = composition.render("colour", 1, window=(-6, -6, 2, 2))
    assert part.window == Window(-6, -6, -4, -4)
    assert (part["R"] == 0.5).all()
    assert composition.render("colour", 1, window=(10, 10, 2, 2)).window.empty
    with pytest.raises(RequestError, match="outside of the frame"):
        composition.render("colour", 3, window=(-6, -6, 2, 2))


def test_on_the_command_line_a_later_frame_without_such_pixels_fails_alone(composition, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    test_pixels_beyond_the_frame_may_be_looked_at(composition, tmp_path)
    composition.graph.save("g.json")
    words = ("render", "g.json", "--node", "colour", "--window=-6,-6,2,2", "--to", "part.{frame}.exr", "--frames")
    done = CliRunner().invoke(app, [*words, "1,3"])
    assert done.exit_code == 1
    assert "lies outside of the frame" in done.stderr
    assert sorted(path.name for path in tmp_path.glob("part.*")) == ["part.1.exr"]
    assert CliRunner().invoke(app, [*words, "3,1"]).exit_code == 2


def test_a_failed_frame_is_told_and_the_others_go_on(composition, tmp_path):
    ended = []
    written = composition.deliver(ended=lambda frame, error: ended.append((frame, error)))
    assert [path.name for path in written] == ["out.1.exr", "out.3.exr"]
    assert [frame for frame, _ in ended] == [1, 2, 3]
    assert [error is None for _, error in ended] == [True, False, True]
    assert isinstance(ended[1][1], RenderError)
    assert (ended[1][1].node, ended[1][1].frame) == ("cg", 2)


def test_without_anybody_to_tell_it_is_raised(composition, tmp_path):
    with pytest.raises(RenderError):
        composition.deliver()
    assert sorted(path.name for path in tmp_path.glob("out.*")) == ["out.1.exr"]


def test_compiling_is_told_before_it_happens_and_not_for_loops_on_disk(composition, tmp_path, monkeypatch):
    told = []
    monkeypatch.setattr(fuse, "on_compile", [told.append])
    monkeypatch.setattr(fuse, "_folder", None)
    monkeypatch.setattr(fuse, "_loaded", {})
    monkeypatch.setenv("STACKCOMP_CACHE", str(tmp_path / "cache"))
    composition.render("bright", 1)
    assert len(told) == 1
    monkeypatch.setattr(fuse, "_loaded", {})
    composition.render("bright", 1)
    assert len(told) == 1
