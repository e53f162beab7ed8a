import json
import os
import warnings

import numpy as np
import pytest

import stackcomp
from stackcomp import CheckError, Composition, Encoding, Graph, Image, RenderError, StackcompWarning, Window
from stackcomp.deliver.provenance import graph_hash, notes_for
from stackcomp.errors import FileError
from stackcomp.files import exr

FRAME = Window.of_size(12, 6)
FRAMES = (1001, 1002, 1003)


def write(path, value=0.25, channels="RGB", frame=FRAME, **metadata):
    planes = {name: np.full(frame.shape, value, np.float32) for name in channels}
    exr.write(path, planes, window=frame, display=frame, pixel_type="float", metadata=metadata)


def lantern() -> Graph:
    graph = Graph(frames="1001-1003", variables={"out": "out"})
    graph.add("read", "plate", path="plate.{frame:04d}.exr", encoding="ACEScg")
    graph.add("ramp", "cg", like="plate")
    graph.add("flat", "matte", like="plate", as_="matte", coverage=0.5)
    graph.add("holdout", "held", image="cg", matte="matte")
    graph.add("over", "final", source="held", backdrop="plate")
    graph.add("exposure", "brighter", image="final", stops={"keys": [[1001, 0], [1003, 2]], "between": "linear"})
    graph.add("deliver", "out", image="brighter", path="${out}/final.{frame:04d}.exr", pixel_type="float")
    return graph


@pytest.fixture
def shot(tmp_path):
    for k, frame in enumerate((1001, 1002, 1003)):
        write(tmp_path / f"plate.{frame}.exr", 0.25 * (k + 1))
    return tmp_path


@pytest.fixture
def comp(shot):
    return Composition(lantern(), root=shot)


def files(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


# -- loading ----------------------------------------------------------------------------------------------------


def test_load(shot):
    lantern().save(shot / "g.json")
    comp = stackcomp.load(shot / "g.json", root=shot, variables={"out": "elsewhere"})
    assert comp.frames == [1001, 1002, 1003]
    assert comp.nodes == ["plate", "cg", "matte", "held", "final", "brighter", "out"]
    assert comp.sinks == ["out"]
    assert comp.check() == []
    assert comp.document.nodes["out"].path == "elsewhere/final.{frame:04d}.exr"


def test_load_refuses_what_is_no_graph(tmp_path):
    (tmp_path / "g.json").write_text('{"stackcomp": 1, "nodes": {"a": {"kind": "ovr"}, "b": {"kind": "rad"}}}')
    with pytest.raises(stackcomp.DocumentError) as caught:
        stackcomp.load(tmp_path / "g.json")
    assert [problem.node for problem in caught.value.problems] == ["a", "b"]


# -- rendering --------------------------------------------------------------------------------------------------


def expected(frame, window=FRAME):
    """The comp in plain numpy, float64."""
    x = np.arange(window.x0, window.x1) / (FRAME.width - 1)
    plate = 0.25 * (frame - 1000)
    row = (0.5 * x + 0.5 * plate) * 2.0 ** (frame - 1001)
    return np.broadcast_to(row[:, None], (window.height, window.width, 3))


@pytest.mark.parametrize("frame", [1001, 1002, 1003])
def test_render(comp, frame):
    image = comp.render("brighter", frame)
    assert (image.window, image.display) == (FRAME, FRAME)
    assert image.channels == ("R", "G", "B")
    np.testing.assert_allclose(image.to_array(), expected(frame), rtol=1e-6)


@pytest.mark.parametrize("window", [Window(3, 1, 7, 4), (3, 1, 4, 3)])
def test_render_a_window(comp, window):
    image = comp.render("brighter", 1002, window=window)
    assert image.window == Window(3, 1, 7, 4)
    assert image.display == FRAME
    np.testing.assert_allclose(image.to_array(Window(3, 1, 7, 4)), expected(1002, Window(3, 1, 7, 4)), rtol=1e-6)


def test_render_half_size(comp):
    image = comp.render("brighter", 1002, scale=0.5)
    assert (image.window, image.display) == (Window.of_size(6, 3),) * 2
    assert image["R"].shape == (3, 6)


@pytest.mark.parametrize("scale", [0, -1, 1.5, float("nan")])
def test_scales_that_there_are_not(comp, scale):
    with pytest.raises(stackcomp.GraphError, match=r"scale: .* is not above 0 and at most 1"):
        comp.render("final", 1001, scale=scale)


def test_a_deliver_node_rendered_writes_nothing(comp, shot):
    before = files(shot)
    np.testing.assert_allclose(comp.render("out", 1001).to_array(), expected(1001), rtol=1e-6)
    assert files(shot) == before


def test_results_come_as_they_are_finished_inputs_first(comp):
    names = ["final", "cg", "brighter"]
    fused = list(comp.results(names, 1001))
    single = list(comp.results(names, 1001, fused=False))
    for results in (fused, single):
        order = [result.node for result in results]
        assert sorted(order) == sorted(names)
        assert order.index("cg") < order.index("final") <= order.index("brighter")
        assert all(result.seconds >= 0 and result.files == () for result in results)
    assert [result.node for result in single] == ["cg", "final", "brighter"]
    pictures = {result.node: result.image for result in single}
    for result in fused:
        np.testing.assert_array_equal(result.image.to_array(), pictures[result.node].to_array())


def test_only_what_a_node_hangs_on_is_checked_and_read(comp, shot):
    comp.graph.add("read", "gone", path="gone.exr")
    comp.graph.add("premultiply", "bad", image="cg")
    comp = Composition(comp.graph, root=shot)
    assert {problem.node for problem in comp.check() if problem.severity == "error"} == {"gone", "bad"}
    np.testing.assert_allclose(comp.render("final", 1001)["R"][0, 0], 0.125)
    with pytest.raises(CheckError, match="premultiplied already"):
        comp.render("bad", 1001)


def test_unknown_node(comp):
    with pytest.raises(CheckError, match=r'there is no node "fnal"\n.*did you mean "final"'):
        comp.render("fnal", 1001)
    with pytest.raises(CheckError, match='replace: there is no node "fnal"'):
        comp.render("final", 1001, replace={"fnal": Image.from_array(np.zeros((6, 12, 3)))})


def test_replace(comp, shot):
    os.remove(shot / "plate.1002.exr")
    plate = Image.from_array(np.full((6, 12, 3), 0.5))
    np.testing.assert_allclose(
        comp.render("brighter", 1002, replace={"plate": plate}).to_array(), expected(1002), rtol=1e-6
    )
    half = comp.render("brighter", 1002, replace={"plate": plate}, scale=0.5)
    assert half.display == Window.of_size(6, 3)


@pytest.mark.parametrize(
    ("name", "picture", "words"),
    [
        ("held", Image.from_array(np.zeros((6, 12, 4)), alpha="straight"), "gives straight colour"),
        ("held", Image.from_array(np.zeros((6, 12, 3))), "gives colour without alpha"),
        (
            "plate",
            Image.from_array(np.zeros((6, 12, 3)), encoding=Encoding("ACEScct", "log")),
            "requires scene-linear",
        ),
        ("matte", Image.from_array(np.zeros((6, 12, 3))), "requires a matte"),
        ("cg", Image.from_array(np.zeros((5, 12, 4))), "one of 12×5"),
    ],
)
def test_what_replaces_a_picture_is_checked_as_well(comp, name, picture, words):
    with pytest.raises(CheckError, match=words):
        comp.render("final", 1001, replace={name: picture})


def test_inputs_are_not_written_to(comp):
    plate = Image.from_array(np.full((6, 12, 3), 0.5))
    for plane in plate.planes.values():
        plane.flags.writeable = False
    comp.render("brighter", 1001, replace={"plate": plate})
    assert all((plane == 0.5).all() for plane in plate.planes.values())


def test_check_reads_no_pixel(comp, monkeypatch):
    def refuse(*args, **kwargs):
        raise AssertionError("pixels were read")

    monkeypatch.setattr(exr, "read", refuse)
    assert comp.check() == []
    with pytest.raises(AssertionError):
        comp.render("final", 1001)


def test_repaired_pixels_are_a_warning(shot):
    plane = np.full(FRAME.shape, 0.25, np.float32)
    plane[2, 2] = np.nan
    planes = dict.fromkeys("RGB", plane)
    exr.write(shot / "plate.1001.exr", planes, window=FRAME, display=FRAME, pixel_type="float")
    comp = Composition(lantern(), root=shot)
    with pytest.warns(StackcompWarning, match='node "plate": values that are not finite were repaired: 1 in R'):
        image = comp.render("final", 1001)
    assert np.isfinite(image["R"]).all()
    told = []
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        list(comp.results(["final"], 1001, warn=lambda node, message: told.append(node)))
    assert told == ["plate"]


# -- delivering ---------------------------------------------------------------------------------------------------


def test_deliver(comp, shot):
    finished = []
    paths = comp.deliver(finished=lambda frame, node: finished.append((frame, node)))
    assert [path.relative_to(shot).as_posix() for path in paths] == [
        f"out/final.{f}.exr" for f in (1001, 1002, 1003)
    ]
    assert finished == [(frame, "out") for frame in FRAMES]
    for frame, path in zip(FRAMES, paths, strict=True):
        found = exr.read(path)
        pixels = np.stack([found.planes[name] for name in "RGB"], axis=-1)
        np.testing.assert_allclose(pixels, expected(frame), rtol=1e-6)
        assert found.header.metadata["stackcomp/frame"] == frame


def test_deliver_chosen_frames(comp, shot):
    comp.deliver([1003])
    assert [name for name in files(shot) if name.startswith("out")] == ["out/final.1003.exr"]


def test_deliver_writes_nothing_when_something_is_wrong(comp, shot):
    os.remove(shot / "plate.1003.exr")
    before = files(shot)
    with pytest.raises(CheckError, match="1 of 3 frames has no file"):
        comp.deliver()
    assert files(shot) == before


def test_a_file_cut_short_is_found_before_anything_is_written(comp, shot):
    path = shot / "plate.1002.exr"
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(CheckError, match=r"plate\.1002\.exr: it is cut short"):
        comp.deliver()
    assert not (shot / "out").exists()


def test_deliver_stops_at_a_frame_that_fails_and_what_was_finished_is_whole(comp, shot, monkeypatch):
    decode = exr.read

    def unless_damaged(path, *rest, **more):
        if path.name == "plate.1002.exr":
            raise FileError(path, "a chunk cannot be decoded")
        return decode(path, *rest, **more)

    monkeypatch.setattr(exr, "read", unless_damaged)
    with pytest.raises(RenderError, match=r"frame 1002: .*plate\.1002\.exr") as caught:
        comp.deliver()
    assert (caught.value.node, caught.value.frame) == ("plate", 1002)
    assert files(shot / "out") == ["final.1001.exr"]
    found = exr.read(shot / "out" / "final.1001.exr")
    np.testing.assert_allclose(found.planes["R"], expected(1001)[..., 0], rtol=1e-6)


def test_deliver_never_overwrites_an_original(comp, shot):
    comp.graph.set("out", path="plate.{frame:04d}.exr")
    before = (shot / "plate.1001.exr").read_bytes()
    with pytest.raises(CheckError, match="originals are never overwritten"):
        Composition(comp.graph, root=shot).deliver()
    assert (shot / "plate.1001.exr").read_bytes() == before


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"frames": []}, "no frames"),
        ({"nodes": ["final"]}, "writes nothing"),
        ({"nodes": ["ot"]}, "did you mean"),
    ],
)
def test_deliveries_that_make_no_sense(comp, options, words):
    with pytest.raises(CheckError, match=words):
        comp.deliver(**options)


def test_a_graph_without_deliver_node(shot):
    graph = Graph(frames="1")
    graph.add("flat", "slate", size=[4, 4])
    with pytest.raises(CheckError, match="no deliver node"):
        Composition(graph, root=shot).deliver()


# -- what a file says about itself ---


def hash_of(graph, **variables):
    return graph_hash(graph.document(variables))


def test_the_hash_of_a_graph_changes_with_its_pixels_only():
    graph, before = lantern(), hash_of(lantern())
    assert hash_of(graph) == before
    graph.set("cg", about="a note for people")
    assert hash_of(graph) == before
    raw = json.loads(graph.to_json())
    assert hash_of(Graph.from_json(json.dumps({**raw, "about": "another", "frames": "1-5"}))) == before
    reordered = {**raw, "nodes": dict(reversed(raw["nodes"].items()))}
    assert hash_of(Graph.from_json(json.dumps(reordered))) == before
    graph.set("matte", coverage=0.75)
    assert hash_of(graph) != before
    changed = lantern()
    changed.set("brighter", stops={"keys": [[1001, 0], [1003, 2]], "between": "smooth"})
    assert hash_of(changed) != before
    assert hash_of(Graph.from_json(json.dumps({**raw, "working_space": "Linear Rec.2020"}))) != before


def test_the_hash_of_inputs_changes_with_their_bytes(comp, shot):
    def inputs(frame=1001):
        return notes_for(comp.document, shot, "out", frame)["stackcomp/inputs"]

    before = inputs()
    assert inputs() == before
    assert inputs(1002) != before
    write(shot / "plate.1001.exr", 0.75)
    assert inputs() != before
    write(shot / "plate.1001.exr", 0.25)
    assert inputs() == before


def test_the_plates_timecode_goes_with_the_picture(shot):
    import OpenEXR

    timecode = OpenEXR.TimeCode(1, 2, 3, 4, *[0] * 14)
    write(shot / "plate.1001.exr", timeCode=timecode)
    comp = Composition(lantern(), root=shot)
    (path,) = comp.deliver([1001])
    assert str(exr.read_header(path).metadata["timeCode"]) == str(timecode)


def test_variables_from_python_that_are_not_used_are_told(tmp_path):
    path = tmp_path / "g.json"
    path.write_text(
        '{"stackcomp": 1, "variables": {"gamma": 1, "spare": 2}, "nodes": {"a": {"kind": "flat", "size": [4, 4], '
        '"colour": "${gamma}", "about": "${note}"}}}'
    )
    given = {"gama": 2, "note": "${who} ${when}", "who": "me", "spare": 3, "when": "now"}
    comp = stackcomp.load(path, variables=given)
    (problem,) = comp.check()
    assert (problem.rule, problem.severity, problem.place) == ("variable-unused", "warning", str(path))
    assert problem.message == 'variable "gama": given a value, but not used by the graph'
    assert problem.way_out == 'did you mean "gamma"?'
    assert comp.unused_variables == (problem,)
    (two,) = stackcomp.load(path, variables={**given, "lamp": 1}).check()
    assert two.message == 'variables "gama", "lamp": given a value, but not used by the graph'
