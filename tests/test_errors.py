import copy
import pickle

import pytest

import stackcomp
from stackcomp.errors import (
    ArgumentError,
    BadValueError,
    ChannelError,
    CheckError,
    DocumentError,
    FileError,
    GraphError,
    Problem,
    RenderError,
    RequestError,
    StackcompError,
    WorkError,
    did_you_mean,
    kind_of,
    shown,
)

PROBLEM = Problem("a-rule", "something is wrong", "mend it", node="comp", field="source", place="g.json")


def test_the_tree():
    assert issubclass(DocumentError, GraphError)
    assert issubclass(CheckError, GraphError)
    assert issubclass(FileError, WorkError)
    assert issubclass(RenderError, WorkError)
    assert issubclass(GraphError, StackcompError)
    assert issubclass(WorkError, StackcompError)
    assert issubclass(stackcomp.StackcompWarning, UserWarning)


def test_a_problem_names_node_place_and_way_out():
    assert str(PROBLEM) == 'node "comp": something is wrong\n  g.json /nodes/comp/source — mend it'
    assert str(Problem("r", "bad", field="frames")) == "bad\n  /frames"
    assert str(Problem("r", "bad", "mend it")) == "bad\n  mend it"
    assert str(Problem("r", "bad")) == "bad"


def test_pointers_are_rfc_6901():
    # The escapes of section 3 of the RFC: ~ is ~0 and / is ~1.
    assert Problem("r", "m", node="a/b~c", field="channels.R").pointer == "/nodes/a~1b~0c/channels/R"
    assert Problem("r", "m", field="variables.shot").pointer == "/variables/shot"
    assert Problem("r", "m", node="a.b").pointer == "/nodes/a.b"
    assert Problem("r", "m").pointer == ""
    assert Problem("r", "m", node="a", field="channels.x.y", pointer_override="/nodes/a/channels/x.y").pointer == (
        "/nodes/a/channels/x.y"
    )


def test_as_dict_is_flat_text():
    assert PROBLEM.as_dict() == {
        "rule": "a-rule",
        "message": "something is wrong",
        "way_out": "mend it",
        "node": "comp",
        "field": "source",
        "place": "g.json",
        "severity": "error",
        "pointer": "/nodes/comp/source",
    }


@pytest.mark.parametrize(
    "error",
    [
        GraphError(PROBLEM),
        DocumentError([PROBLEM, PROBLEM]),
        CheckError(iter([PROBLEM])),
        FileError("a.exr", "it is broken", "render it again"),
        RenderError("comp", 1001, "no memory"),
        BadValueError("is 3", "give 2"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_errors_travel_between_processes(error):
    for twin in (pickle.loads(pickle.dumps(error)), copy.copy(error)):
        assert type(twin) is type(error)
        assert str(twin) == str(error)
        assert vars(twin) == vars(error)


def test_all_problems_stand_in_the_text():
    error = DocumentError([PROBLEM, Problem("r", "bad")])
    assert error.problems[1].message == "bad"
    assert str(error).endswith("mend it\nbad")


def test_file_error_words():
    assert str(FileError("a.exr", "it is broken")) == "a.exr: it is broken"
    assert str(FileError("a.exr", "it is broken", "copy it")) == "a.exr: it is broken — copy it"
    assert str(RenderError("comp", 7, "why")) == 'node "comp", frame 7: why'


def test_did_you_mean():
    assert did_you_mean("ovr", ["over", "cdl"]) == 'did you mean "over"?'
    assert did_you_mean("OVER", ["over", "cdl"]) == 'did you mean "over"?'
    assert did_you_mean("zzz", ["over", "cdl"]) == 'choose from "over", "cdl"'
    assert did_you_mean("zzz", [f"n{k}" for k in range(40)]) == ""
    assert did_you_mean("zzz", []) == ""


def test_values_are_shown_as_json():
    assert shown(True) == "true"
    assert shown(None) == "null"
    assert shown("ä") == '"ä"'
    assert len(shown("x" * 1000)) == 60
    assert shown({1, 2}) == "{1, 2}"


def test_kinds_of_values():
    values = (True, 1, 1.5, "a", [1], (1,), {"a": 1}, None, {1})
    words = ("a truth value", "a number", "a number", "a text", "a list", "a list", "an object", "null", "a set")
    assert tuple(map(kind_of, values)) == words


def test_representations_are_a_line():
    problem = Problem("straight", "wants\nlight " * 200, "mend it", node="over", field="source", place="g.json")
    assert repr(problem).startswith(
        '<Problem error straight at g.json /nodes/over/source: node "over": wants light'
    )
    short = Problem("unused", "is not used", "drop it", severity="warning")
    assert repr(short) == "<Problem warning unused: is not used — drop it>"
    many = CheckError([problem] * 500)
    assert repr(many).startswith("<CheckError, 500 problems: <Problem error straight")
    for found in (problem, many):
        assert len(repr(found).splitlines()) == 1
        assert len(repr(found)) < 500


def test_what_python_code_hands_in_is_a_value_error_too():
    error = ArgumentError("scale", "7 is too much", "1 is full size")
    assert isinstance(error, RequestError)
    assert isinstance(error, ValueError)
    assert str(error) == "scale: 7 is too much\n  1 is full size"
    again = pickle.loads(pickle.dumps(error))
    assert (type(again), str(again), again.problems) == (ArgumentError, str(error), error.problems)
    channel = ChannelError(Problem("channel", "no channel 'A'", "there are R, G, B"))
    assert isinstance(channel, KeyError)
    assert str(pickle.loads(pickle.dumps(channel))) == "no channel 'A'\n  there are R, G, B"
