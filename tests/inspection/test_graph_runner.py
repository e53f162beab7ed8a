"""Graphs: which pictures matter, each frame rendered once, frames that cannot be rendered."""

from __future__ import annotations

import numpy as np
import pytest

import stackcomp
from stackcomp import Window
from stackcomp.composition import Composition
from stackcomp.errors import CheckError
from stackcomp.files import exr
from stackcomp.inspection.check import PairCheck, PictureCheck, Stream, StreamCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.graph_pictures import delivered, files_read, pairs
from stackcomp.inspection.graph_runner import inspect_graph
from stackcomp.inspection.limits import Limits
from stackcomp.inspection.setting import Setting, chosen_checks

SIZE = Window.of_size(24, 16)


def disc(frame, straight=False):
    y, x = np.mgrid[0:16, 0:24].astype(np.float32)
    alpha = np.clip(5.5 - np.hypot(x - 8 - frame, y - 8), 0, 1)
    colour = np.where(alpha > 0, 0.8, 0) if straight else 0.8 * alpha
    return {"R": colour, "G": colour, "B": colour, "A": alpha}


def write(path, planes):
    planes = {name: np.asarray(plane, np.float32) for name, plane in planes.items()}
    exr.write(path, planes, window=SIZE, display=SIZE, pixel_type="float")


@pytest.fixture
def shot(tmp_path):
    for frame in (1, 2, 3):
        write(tmp_path / f"cg.{frame:04d}.exr", disc(frame))
        write(tmp_path / f"plate.{frame:04d}.exr", {c: np.full((16, 24), 0.2) for c in "RGB"})
    return tmp_path


def graph_of(**changed):
    graph = stackcomp.Graph(working_space="ACEScg", frames="1-3")
    plate = graph.add("read", "plate", path="plate.{frame:04d}.exr", encoding="ACEScg")
    cg = graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="ACEScg", **changed)
    light = graph.add("exposure", "light", image=cg, stops=1)
    final = graph.add("over", "final", source=light, backdrop=plate)
    graph.add("deliver", "out", image=final, path="out/final.{frame:04d}.exr")
    return graph


def composition(shot, graph=None):
    return Composition(graph or graph_of(), root=shot)


def test_what_matters_in_a_graph(shot):
    comp = composition(shot)
    reads = files_read(comp, [3, 1])
    assert [(each.pattern, each.frames, each.node) for each in reads] == [
        ("plate.{frame:04d}.exr", (1, 3), "plate"),
        ("cg.{frame:04d}.exr", (1, 3), "cg"),
    ]
    assert [(pair.source, pair.backdrop, pair.comp) for pair in pairs(comp)] == [("light", "plate", "final")]
    assert delivered(comp) == ["out"]


@pytest.mark.parametrize("direct", [False, True])
def test_files_straight_into_an_over_node_are_compared(tmp_path, direct):
    """A port for colour takes R G B A of a file, and so do the checks of pairs."""
    y, x = np.mgrid[0:120, 0:160].astype(np.float32)
    alpha = np.clip((40 - np.hypot(x - 80, y - 60)) / 3 + 0.5, 0, 1)
    size = Window.of_size(160, 120)
    straight = {**dict.fromkeys("RGB", np.where(alpha > 0, np.float32(0.8), np.float32(0))), "A": alpha}
    plate = dict.fromkeys("RGB", np.full((120, 160), 0.2, np.float32))
    exr.write(tmp_path / "cg.exr", straight, window=size, display=size)
    exr.write(tmp_path / "plate.exr", {**plate, "depth.Z": plate["R"]}, window=size, display=size)
    graph = stackcomp.Graph(working_space="ACEScg", frames="1")
    cg = graph.add("read", "cg", path="cg.exr", encoding="ACEScg", alpha="premultiplied")
    back = graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    if not direct:
        cg = graph.add("exposure", "lit", image=cg, stops=0)
        back = graph.add("exposure", "graded", image=back, stops=0)
    graph.add("over", "final", source=cg, backdrop=back)
    found = inspect_graph(composition(tmp_path, graph), [1], Setting(chosen_checks(["fringe"]))).findings
    assert [(one.check, one.sort, one.picture) for one in found] == [("fringe", "bright", 'node "final"')]


def test_a_graph_without_deliver_node_a_still_and_what_is_declared(shot):
    graph = stackcomp.Graph(working_space="ACEScg", frames="1-3")
    graph.add("read", "still", path="plate.0002.exr", encoding="ACEScg")
    graph.add("read", "cg", path="cg.{frame:04d}.exr", shift=1, encoding="ACEScg")
    graph.add("pick_channels", "picked", layers="cg", as_="colour", alpha="straight")
    graph.add("premultiply", "final", image="picked")
    comp = composition(shot, graph)
    still, cg = files_read(comp, [1, 2])
    assert (still.frames, still.alpha) == (None, None)
    assert (cg.shift, cg.alpha, cg.file(1)) == (1, "straight", shot / "cg.0002.exr")
    assert delivered(comp) == ["final"]


class _Noting(Stream):
    def __init__(self, told):
        self.told = told

    def look(self, picture):
        return picture.image.channels

    def see(self, frame, path, looked):
        self.told.append((path.rpartition("/")[2], frame))
        yield from ()

    def miss(self, frame, path, reason):
        self.told.append((path.rpartition("/")[2], frame, bool(reason)))
        yield from ()


def setting_of(told, paired):
    usual = {"name": "nonfinite", "limits": Limits, "summary": "s", "cure": "c", "source": "s"}

    def pair(source, backdrop, comp, limits):
        paired.append((source, backdrop, comp))
        yield Finding(check="own", message="a pair", cure="", level="note")

    return Setting(
        (
            StreamCheck(start=lambda limits, rate: _Noting(told), **usual),
            PairCheck(find=pair, **usual),
            PictureCheck(find=lambda image, limits: (), **usual),
        )
    )


def test_each_frame_is_rendered_once(shot, monkeypatch):
    asked = []
    results = Composition.results
    monkeypatch.setattr(Composition, "results", lambda self, nodes, frame, **more: (
        asked.append(frame), results(self, nodes, frame, **more))[1])  # fmt: skip
    told, paired, steps = [], [], []
    found = inspect_graph(composition(shot), [1, 2, 3], setting_of(told, paired), step=lambda: steps.append(1))
    assert asked == [1, 2, 3]
    assert told == [
        *((f"plate.{k:04d}.exr", k) for k in (1, 2, 3)),
        *((f"cg.{k:04d}.exr", k) for k in (1, 2, 3)),
        *(("out", k) for k in (1, 2, 3)),
    ]
    assert len(steps) == 9
    assert found.pictures == {
        "plate.{frame:04d}.exr": 3, "cg.{frame:04d}.exr": 3, 'node "final"': 3, 'node "out"': 3,
    }  # fmt: skip
    assert [(one.frame, one.picture) for one in found.findings] == [(k, 'node "final"') for k in (1, 2, 3)]
    for source, backdrop, comp in paired:
        expected = source.to_array()[..., :3] + backdrop.to_array()[..., :3] * (1 - source.to_array()[..., 3:])
        assert comp.to_array()[..., :3] == pytest.approx(expected, abs=1e-6)


def test_a_missing_and_a_damaged_frame(shot):
    (shot / "cg.0002.exr").unlink()
    (shot / "plate.0003.exr").write_bytes(b"nothing")
    told = []
    found = inspect_graph(composition(shot), [1, 2, 3], setting_of(told, []))
    assert ("cg.0002.exr", 2, False) in told
    assert ("plate.0003.exr", 3, True) in told
    assert [entry for entry in told if entry[0] == "out"] == [("out", 1), ("out", 2, True), ("out", 3, True)]
    faults = [(one.check, one.frame, one.picture) for one in found.findings if one.level == "fault"]
    assert faults == [
        ("file", 3, "plate.{frame:04d}.exr"),
        ("render", 2, 'node "out"'),
        ("render", 3, 'node "out"'),
    ]


def test_a_frame_of_another_size(shot):
    small = Window.of_size(12, 8)
    planes = {c: np.zeros(small.shape, np.float32) for c in "RGB"}
    exr.write(shot / "plate.0003.exr", planes, window=small, display=small, pixel_type="float")
    found = inspect_graph(composition(shot), [1, 2, 3], setting_of([], []))
    (fault,) = [one for one in found.findings if one.level == "fault"]
    assert (fault.check, fault.frame) == ("render", 3)


def test_a_graph_that_is_wrong_is_no_finding(shot):
    graph = graph_of()
    graph.add("exposure", "wrong", image="plate", stops=1, within="nowhere")
    graph.add("deliver", "out2", image="wrong", path="out/w.{frame:04d}.exr")
    with pytest.raises(CheckError):
        inspect_graph(composition(shot, graph), [1, 2], setting_of([], []))


def test_straight_alpha_is_found_in_a_graph_and_not_where_it_is_declared(shot):
    graph = stackcomp.Graph(working_space="ACEScg", frames="1-3")
    y, x = np.mgrid[0:16, 0:24].astype(np.float32)
    alpha = np.clip((7 - np.hypot(x - 12, y - 8)) / 4, 0, 1)
    for frame in (1, 2, 3):
        colour = np.where(alpha > 0, 0.8, 0)
        write(shot / f"cg.{frame:04d}.exr", {"R": colour, "G": colour, "B": colour, "A": alpha})
    for declared, expected in ((None, {"alpha_state"}), ("straight", set())):
        graph = stackcomp.Graph(working_space="ACEScg", frames="1-3")
        graph.add("read", "cg", path="cg.{frame:04d}.exr", encoding="ACEScg", alpha=declared)
        found = inspect_graph(composition(shot, graph), [1, 2, 3], Setting())
        assert {one.check for one in found.findings if one.level != "note"} & {"alpha_state"} == expected


def test_nan_in_a_file_is_found_although_the_read_node_repairs_it(shot):
    planes = disc(2)
    planes["G"] = np.where(np.arange(24) == 9, np.nan, planes["G"])
    write(shot / "cg.0002.exr", planes)
    found = inspect_graph(composition(shot), [1, 2, 3], Setting())
    odd = [(one.picture, one.frame) for one in found.findings if one.check == "nonfinite"]
    assert odd == [("cg.{frame:04d}.exr", 2)]
