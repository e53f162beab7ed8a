"""Exceptions that a node's own code should not raise are bugs, by the node's name; those of users are findings."""

import numpy as np
import pytest

import stackcomp
from stackcomp import KINDS, BugError, Composition, FileError, Graph, Window
from stackcomp.errors import BadValueError
from stackcomp.files import exr
from stackcomp.files.colour import UnknownEncoding
from stackcomp.nodes.base import Node

FRAME = Window.of_size(8, 4)
BUGS = [
    TypeError("planted"),
    ValueError("planted"),
    KeyError("planted"),
    AssertionError("planted"),
    SystemExit("planted"),
]
#: Kind and method, for all methods of nodes that the check stage calls.
CALLS = [
    ("flat", "look"),
    ("flat", "result"),
    ("flat", "frame_window"),
    ("exposure", "look"),
    ("exposure", "result"),
    ("exposure", "frame_window"),
    ("pick_channels", "look"),
    ("pick_channels", "result"),
    ("pick_channels", "picks"),
    ("read", "look"),
    ("read", "result"),
    ("read", "look_at_frames"),
    ("read", "files"),
    ("deliver", "look"),
    ("deliver", "outputs"),
]


def raising(error):
    def planted(*arguments, **keywords):
        raise error

    return planted


@pytest.fixture
def composition(tmp_path):
    """One node of each kind of CALLS, each named after its kind; the check finds nothing."""
    planes = {name: np.full(FRAME.shape, 0.25, np.float32) for name in "RGB"}
    exr.write(tmp_path / "plate.0001.exr", planes, window=FRAME, display=FRAME)
    graph = Graph(frames="1")
    graph.add("read", "read", path="plate.{frame:04d}.exr", encoding="ACEScg")
    graph.add("pick_channels", "pick_channels", layers="read", as_="colour")
    graph.add("flat", "flat", size=[8, 4])
    graph.add("over", "over", source="flat", backdrop="pick_channels")
    graph.add("exposure", "exposure", image="over")
    graph.add("deliver", "deliver", image="exposure", path="out.{frame:04d}.exr")
    composition = Composition(graph, root=tmp_path)
    assert composition.check() == []
    return composition


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: type(bug).__name__)
@pytest.mark.parametrize(("kind", "method"), CALLS)
def test_a_bug_names_the_node(composition, monkeypatch, kind, method, bug):
    monkeypatch.setattr(KINDS[kind], method, raising(bug))
    with pytest.raises(
        BugError, match=f'node "{kind}".*bug in stackcomp.*{type(bug).__name__}.*planted'
    ) as caught:
        composition.check()
    assert caught.value.__cause__ is bug


def test_a_bug_in_a_generator_is_found_where_it_is_run(composition, monkeypatch):
    def look(*arguments):
        yield stackcomp.Problem("planted", "a finding before the bug")
        raise TypeError("planted")

    monkeypatch.setattr(KINDS["exposure"], "look", look)
    with pytest.raises(BugError, match='node "exposure"'):
        composition.check()


def test_a_bug_does_not_hide_behind_a_finding_of_the_same_node(composition, monkeypatch):
    """An error after a finding only follows from it, a bug does not."""
    problem = stackcomp.Problem("planted", "a finding before the bug")
    monkeypatch.setattr(KINDS["exposure"], "look", lambda *arguments: iter([problem]))
    monkeypatch.setattr(KINDS["exposure"], "result", raising(TypeError("planted")))
    with pytest.raises(BugError, match='node "exposure"'):
        composition.check()


@pytest.mark.parametrize("method", ["look", "result", "frame_window"])
@pytest.mark.parametrize(
    ("error", "rule", "message"),
    [
        (BadValueError("is 3", "give 2"), "value", "is 3; give 2"),
        (UnknownEncoding("there is no colour space"), "value", "there is no colour space"),
        (FileError("a.cdl", "it is broken", "export it again"), "file", "a.cdl: it is broken"),
        (PermissionError(13, "Permission denied"), "file", "cannot be read: permission denied"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_errors_of_values_and_files_are_findings(composition, monkeypatch, method, error, rule, message):
    monkeypatch.setattr(KINDS["exposure"], method, raising(error))
    (problem,) = composition.check()
    assert (problem.node, problem.rule, problem.message) == ("exposure", rule, message)


@pytest.mark.parametrize("error", [MemoryError(), KeyboardInterrupt(), stackcomp.StackcompWarning("planted")])
def test_what_is_neither_stays_as_it_is(composition, monkeypatch, error):
    monkeypatch.setattr(KINDS["exposure"], "look", raising(error))
    with pytest.raises(type(error)):
        composition.check()


def test_all_methods_that_take_part_in_check_are_tried():
    """Methods of nodes, as far as check calls them; the others are those of plan, execute and deliver."""
    assert {method for _, method in CALLS if hasattr(Node, method)} == {"look", "result", "frame_window", "files"}


@pytest.mark.parametrize(
    ("method", "given", "said"),
    [
        ("result", "matte", "result gives 'matte', not a type such as Matte()"),
        ("result", None, "result gives None, not a type such as Matte()"),
        ("frame_window", (0, 0, 8, 4), "frame_window gives (0, 0, 8, 4), not a Window"),
    ],
)
def test_what_is_no_type_and_no_window_is_a_bug(composition, monkeypatch, method, given, said):
    monkeypatch.setattr(KINDS["exposure"], method, lambda *arguments: given)
    with pytest.raises(BugError) as caught:
        composition.check()
    assert caught.value.node == "exposure"
    assert said in str(caught.value)
