"""A bug of ours is reported as one; what a file or a machine does to a frame is not."""

import pickle

import numpy as np
import pytest

from stackcomp import BugError, Composition, FileError, Graph, Image, Matte, RenderError, StackcompError, Window


@pytest.fixture
def comp(tmp_path):
    graph = Graph(frames="1-3")
    graph.add("flat", "lamp", size=[16, 12], colour=0.5)
    graph.add("glow", "shine", image="lamp", radius=2)
    graph.add("exposure", "brighter", image="shine", stops=1)
    graph.add("deliver", "out", image="brighter", path="out.{frame:04d}.exr")
    return Composition(graph, root=tmp_path)


def failing(error):
    def fail(*args, **kwargs):
        raise error

    return fail


@pytest.mark.parametrize(
    "error",
    [
        TypeError("no overload for float64"),
        ValueError("shapes differ"),
        IndexError("9"),
        AssertionError(),
        SystemExit("gone"),
    ],
)
def test_an_exception_in_a_kernel_is_a_bug(comp, monkeypatch, error):
    monkeypatch.setattr("stackcomp.kernels.mixture.Mixture.__call__", failing(error))
    with pytest.raises(BugError) as caught:
        comp.render("brighter", 2)
    assert caught.value.__cause__ is error
    assert (caught.value.node, caught.value.frame) == ("shine", 2)
    message = str(caught.value)
    assert message.startswith(f'node "shine", frame 2: bug in stackcomp: {type(error).__name__}: {error}')
    assert "report it with the graph file and the traceback" in message
    assert isinstance(caught.value, StackcompError)
    assert not isinstance(caught.value, RenderError | ValueError)


def other_picture(image, **changes):
    return Image(
        **{"planes": dict(image), "window": image.window, "display": image.display, "type": image.type} | changes
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda image: None, "compute gives NoneType, not an Image"),
        (lambda image: np.asarray(image), "compute gives ndarray, not an Image"),
        (
            lambda image: other_picture(image, window=Window(1, 0, image.window.width + 1, image.window.height)),
            r"compute gives pixels in \d+×\d+ at \(1, 0\), asked for were ",
        ),
        (
            lambda image: other_picture(image, planes={"A": image["R"]}, type=Matte()),
            "compute gives matte, but result announced premultiplied colour in ACEScg",
        ),
    ],
)
def test_a_picture_that_was_not_asked_for_is_a_bug_of_its_node(comp, monkeypatch, change, said):
    """It would be padded, or read as another type, by nodes that have no part in it."""
    from stackcomp.nodes.glow import Glow

    compute = Glow.compute
    monkeypatch.setattr(Glow, "compute", lambda *arguments: change(compute(*arguments)))
    with pytest.raises(BugError, match=said) as caught:
        comp.render("brighter", 2)
    assert (caught.value.node, caught.value.frame) == ("shine", 2)


def test_needs_of_a_port_that_is_not_there_are_a_bug_of_their_node(comp, monkeypatch):
    from stackcomp.nodes.glow import Glow

    monkeypatch.setattr(Glow, "needs", lambda self, wanted, domains, frame: {"picture": wanted})
    with pytest.raises(BugError, match="KeyError: 'picture'") as caught:
        comp.render("brighter", 2)
    assert caught.value.node == "shine"


@pytest.mark.parametrize(
    "error", [FileError("lamp.exr", "is cut short"), OSError(28, "No space left on device"), MemoryError("8 GiB")]
)
def test_a_file_a_disk_and_memory_are_not(comp, monkeypatch, error):
    monkeypatch.setattr("stackcomp.kernels.mixture.Mixture.__call__", failing(error))
    with pytest.raises(RenderError) as caught:
        comp.render("brighter", 2)
    assert (caught.value.node, caught.value.frame) == ("shine", 2)
    assert "bug" not in str(caught.value)


def test_other_frames_are_delivered_all_the_same(comp, monkeypatch, tmp_path):
    from stackcomp.nodes.glow import Glow

    compute = Glow.compute

    def fail_once(self, wanted, images, job, type):
        if job.frame == 2:
            raise TypeError("planted")
        return compute(self, wanted, images, job, type)

    monkeypatch.setattr(Glow, "compute", fail_once)
    ended = {}
    comp.deliver(ended=ended.__setitem__)
    assert {frame: type(error) for frame, error in ended.items()} == {1: type(None), 2: BugError, 3: type(None)}
    assert sorted(path.name for path in tmp_path.glob("*.exr")) == ["out.0001.exr", "out.0003.exr"]


def test_a_bug_can_be_sent_from_a_worker():
    error = pickle.loads(pickle.dumps(BugError("", TypeError("x"), node="shine", frame=2)))
    assert (error.node, error.frame, str(error)) == (
        "shine",
        2,
        str(BugError("", "TypeError: x", node="shine", frame=2)),
    )
