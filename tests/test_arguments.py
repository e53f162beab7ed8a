"""What Python callers may hand in, and what they are told when it makes no sense."""

from pathlib import Path

import numpy as np
import pytest

import stackcomp
from stackcomp import (
    CheckError,
    Composition,
    Depth,
    DocumentError,
    Graph,
    Image,
    Matte,
    RenderError,
    RequestError,
    Window,
)

ROOT = Path(__file__).parents[1]


@pytest.fixture
def comp(tmp_path):
    graph = Graph(frames="1-2")
    graph.add("flat", "plate", size=[8, 6], colour=0.5)
    graph.add("deliver", "out", image="plate", path="out.{frame:04d}.exr")
    return Composition(graph, root=tmp_path)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda c: c.render("plate", "1001"), "frame: '1001' is not a frame number"),
        (lambda c: c.render("plate", 1.5), "frame: 1.5 is not a frame number"),
        (lambda c: c.render("plate", True), "frame: True is not a frame number"),
        (lambda c: c.render("plate", 1, scale=0), "scale: 0 is not above 0 and at most 1"),
        (lambda c: c.render("plate", 1, scale=float("nan")), "scale: nan is not above 0"),
        (
            lambda c: c.render("plate", 1, window=(0, 0, 10)),
            "is not a window — give a Window, or x, y, width",
        ),
        (lambda c: c.render("plate", 1, window=(5, 5, 0, 2)), "window: 0×2 is an empty window"),
        (lambda c: c.render("plate", 1, window=7), "window: 7 is not a window"),
        (
            lambda c: c.render("plate", 1, replace={"plate": np.eye(2)}),
            '"plate" is a numpy array, which does not say what its numbers are — make a picture of it: '
            'Image.from_array(array, encoding="ACEScg"), or with type=Matte()',
        ),
        (lambda c: c.render("plate", 1, replace=[1]), "replace: [1] is not a mapping"),
        (lambda c: c.deliver(frames=1001), "frames: 1001 is not a list of frames"),
        (lambda c: c.deliver(frames="1001-1002"), "frames: '1001-1002' is not a list of frames"),
        (lambda c: c.deliver(nodes="out"), "nodes: 'out' is not a list of names"),
        (lambda c: c.check(frames=[1, "2"]), "frame: '2' is not a frame number"),
    ],
)
def test_slips_are_told_in_words(comp, call, said):
    with pytest.raises(RequestError) as caught:
        list(call(comp) or [])
    assert said in str(caught.value).replace("\n  ", " — ")


def test_what_counts_as_a_number_is_taken(comp):
    whole = comp.render("plate", np.int64(1), window=[2, 1, np.int32(3), 4])
    assert whole.window == Window(2, 1, 5, 5)
    assert comp.render("plate", 1, window=Window(2, 1, 5, 5)).window == whole.window


def test_a_frame_asked_for_twice_is_delivered_once(comp, tmp_path):
    assert comp.deliver(frames=[1, 2, 1]) == [tmp_path / "out.0001.exr", tmp_path / "out.0002.exr"]
    assert all(isinstance(path, Path) for path in comp.deliver(frames=range(1, 3)))


def test_windows_mean_the_same_as_on_the_command_line(comp):
    from stackcomp.cli.request import window_of

    assert comp.render("plate", 1, window=(2, 1, 3, 4)).window == window_of("2,1,3,4")
    assert comp.render("plate", 1, window="2,1,3,4").window == window_of("2,1,3,4")


def graph_of(**variables):
    graph = Graph(frames="1", variables=variables or None)
    graph.add("flat", "plate", size=[8, 6], colour="${grey}", coverage="${cover}")
    return graph


def test_variables_are_a_mapping_a_file_or_a_list_of_these(tmp_path):
    file = tmp_path / "shot.json"
    file.write_text('{"grey": 0.25, "cover": 0.5}')
    for given in (
        {"grey": 0.25, "cover": 0.5},
        file,
        str(file),
        [file],
        [{"grey": 9, "cover": 0.5}, {"grey": 0.25}],
    ):
        plate = Composition(graph_of(), variables=given).document.nodes["plate"]
        assert (plate.colour[0], plate.coverage) == (0.25, 0.5)
    # The later of a list win, and all of them over the graph's own.
    plate = Composition(graph_of(grey=0.1), variables=[file, {"cover": 1}]).document.nodes["plate"]
    assert (plate.colour[0], plate.coverage) == (0.25, 1)
    assert Graph(variables=[file, {"cover": 1}]).variables == {"grey": 0.25, "cover": 1}
    graph_of().save(tmp_path / "g.json")
    assert stackcomp.load(tmp_path / "g.json", variables=file).document.nodes["plate"].coverage == 0.5


@pytest.mark.parametrize(
    ("variables", "error", "message"),
    [
        ("shto.json", RequestError, 'variables: there is no file shto.json — did you mean "shot.json"?'),
        ([{"grey": 1}, 7], RequestError, "variables: 7 holds no variables"),
        (0.5, RequestError, "variables: 0.5 holds no variables"),
        ({1: 2}, RequestError, "variables: 1 is not the name of a variable"),
        ("shot.json", DocumentError, "the file holds a list, not an object"),
    ],
)
def test_what_cannot_be_variables(tmp_path, monkeypatch, variables, error, message):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shot.json").write_text("[]")
    with pytest.raises(error) as caught:
        Composition(graph_of(), variables=variables)
    assert message in str(caught.value).replace("\n  ", " — ")


def test_a_matte_and_a_depth_may_replace_what_nodes_give(tmp_path):
    graph = Graph(frames="1")
    graph.add("flat", "plate", size=[8, 6], colour=1)
    graph.add("read", "roto", path="missing.exr")
    graph.add("read", "far", path="missing_too.exr")
    graph.add("exposure", "half", image="plate", stops=-1, within="roto")
    lens = {"focal_length": 35, "gate_width": 36, "f_number": 1.4, "focus_distance": 2}
    graph.add("defocus", "soft", image="half", depth="far", **lens)
    comp = Composition(graph, root=tmp_path)
    matte = Image.from_array(np.eye(6, 8), type=Matte())
    far = Image.from_array(np.full((6, 8), 2.0), type=Depth())
    got = comp.render("soft", 1, replace={"roto": matte, "far": far})
    # All of it is in focus.
    np.testing.assert_allclose(got["R"], 1 - np.eye(6, 8) / 2, rtol=1e-6)
    with pytest.raises(CheckError, match="requires depth"):
        comp.render("soft", 1, replace={"roto": matte, "far": matte})


def test_representations_say_what_is_held(comp, tmp_path):
    assert repr(comp) == (f"<Composition: 2 nodes (1 flat, 1 deliver), frames 1-2, delivers out, root {tmp_path}>")
    assert repr(comp.graph) == "<Graph: 2 nodes (1 flat, 1 deliver), frames 1-2>"
    assert repr(Graph()) == "<Graph: 0 nodes, no frames>"
    assert repr(Graph.from_json('{"stackcomp": 1, "nodes": [7]}')) == "<Graph: 0 nodes, no frames>"
    lantern = stackcomp.load(ROOT / "graphs/lantern.json", variables=ROOT / "demo_shot/wide/shot.json")
    assert (
        "18 nodes (4 read, 3 pick_channels, 2 convert_colour, 2 over, 2 deliver, 1 clean_patch, 4 kinds more)"
        in (repr(lantern))
    )
    assert "frames 1001-1005, delivers out, still, root ." in repr(lantern)


def test_representations_stay_short():
    graph = Graph(frames=",".join(map(str, range(1, 2000, 2))))
    for k in range(500):
        graph.add("flat", f"a rather long name of a node {k}", size=[4, 4])
        graph.add("deliver", f"out {k}", image=f"a rather long name of a node {k}", path=f"{k}.{{frame}}.exr")
    for held in (graph, Composition(graph)):
        assert len(repr(held).splitlines()) == 1
        assert len(repr(held)) < 500


def test_a_callback_that_is_none_is_found_before_anything_is_written(comp, tmp_path):
    for name in ("warn", "finished", "ended"):
        with pytest.raises(RequestError, match=f"{name}: 'loud' is not a function"):
            comp.deliver(**{name: "loud"})
    assert list(tmp_path.iterdir()) == []


def test_ended_is_told_of_each_frame_and_the_others_go_on(comp, tmp_path):
    (tmp_path / "out.0001.exr").mkdir()
    told = []
    files = comp.deliver(ended=lambda frame, error: told.append((frame, error)))
    assert files == [tmp_path / "out.0002.exr"]
    (first, error), last = told
    assert (first, type(error), error.frame) == (1, RenderError, 1)
    assert last == (2, None)
