"""What Python callers may hand in, and what they are told when it makes no sense."""

from pathlib import Path

import numpy as np
import pytest

from stackcomp import Composition, Graph, GraphError, Window


@pytest.fixture
def comp(tmp_path):
    graph = Graph(frames="1-2")
    graph.add("flat", "plate", size=[8, 6], colour=0.5)
    graph.add("deliver", "out", image="plate", path="out.{frame:04d}.exr")
    return Composition(graph, root=tmp_path)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda c: c.render("plate", "1001"), "frame: '1001' is no frame number"),
        (lambda c: c.render("plate", 1.5), "frame: 1.5 is no frame number"),
        (lambda c: c.render("plate", True), "frame: True is no frame number"),
        (lambda c: c.render("plate", 1, scale=0), "scale: 0 is not above 0 and at most 1"),
        (lambda c: c.render("plate", 1, scale=float("nan")), "scale: nan is not above 0"),
        (
            lambda c: c.render("plate", 1, window=(0, 0, 10)),
            "is no window — give a Window, or x, y, width",
        ),
        (lambda c: c.render("plate", 1, window=(5, 5, 0, 2)), "window: 0 by 2 pixels are none"),
        (lambda c: c.render("plate", 1, window=7), "window: 7 is no window"),
        (
            lambda c: c.render("plate", 1, replace={"plate": np.eye(2)}),
            '"plate" is ndarray, not an Image',
        ),
        (lambda c: c.render("plate", 1, replace=[1]), "replace: list is no mapping"),
        (lambda c: c.deliver(frames=1001), "frames: 1001 is no list of frames"),
        (lambda c: c.deliver(frames="1001-1002"), "frames: '1001-1002' is no list of frames"),
        (lambda c: c.deliver(nodes="out"), "nodes: 'out' is no list of names"),
        (lambda c: c.check(frames=[1, "2"]), "frame: '2' is no frame number"),
    ],
)
def test_slips_are_told_in_words(comp, call, said):
    with pytest.raises(GraphError) as caught:
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
