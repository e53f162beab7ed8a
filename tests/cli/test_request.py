"""Words on a command line as values."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.cli.request import count, frames_of, value_of, variables_of, window_of
from stackcomp.errors import DocumentError, RequestError


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.5", 1.5),
        ("-3", -3),
        ("true", True),
        ("false", False),
        ("[1, 2]", [1, 2]),
        ('{"keys": [[1, 2]]}', {"keys": [[1, 2]]}),
        ('"12"', "12"),  # how to give a text that looks like a number
        ("demo_shot/wide", "demo_shot/wide"),
        ("", ""),
        ("True", "True"),
        ("null", "null"),
        ("NaN", "NaN"),
        ("Infinity", "Infinity"),
        ("1e999", "1e999"),
        ("007", "007"),
        ("[1, 2", "[1, 2"),
        ("a=b", "a=b"),
        ("[" * 100_000, "[" * 100_000),
        ("9" * 5000, "9" * 5000),
    ],
)
def test_values(text, value):
    found = value_of(text)
    assert found == value
    assert type(found) is type(value)


_PLAIN = st.booleans() | st.integers(-(10**9), 10**9) | st.floats(allow_nan=False, allow_infinity=False)


@given(st.recursive(_PLAIN, lambda inner: st.lists(inner, max_size=3)))
def test_what_is_json_is_read_as_json(value):
    assert value_of(json.dumps(value)) == value


def test_later_files_win_and_set_wins_over_all(tmp_path):
    first, second = tmp_path / "a.json", tmp_path / "b.json"
    first.write_text('{"a": 1, "b": 1, "c": 1}')
    second.write_text('{"b": 2, "c": 2}')
    assert variables_of([str(first), str(second)], ["c=3", "d==", "c=4"]) == {"a": 1, "b": 2, "c": 4, "d": "="}


@pytest.mark.parametrize("text", ["gamma", "=1", "a b=1", "1a=2", "a.b=1"])
def test_another_form_is_refused(text):
    with pytest.raises(RequestError, match="not NAME=VALUE"):
        variables_of(None, [text])


def test_a_file_of_variables_holds_an_object(tmp_path):
    path = tmp_path / "list.json"
    path.write_text("[1]")
    with pytest.raises(DocumentError, match="not an object"):
        variables_of([str(path)], None)


def test_windows():
    assert window_of(None) is None
    window = window_of("-4, 2,10,5")
    assert (window.x0, window.y0, window.x1, window.y1) == (-4, 2, 6, 7)
    for wrong in ("1,2,3", "a,b,c,d", "1.5,0,2,2", "", "0,0,0,5", "0,0,5,-1"):
        with pytest.raises(RequestError, match="--window"):
            window_of(wrong)


def test_frames():
    assert frames_of(None) is None
    assert frames_of("1-3,7") == [1, 2, 3, 7]
    with pytest.raises(RequestError, match="--frames"):
        frames_of("one")


def test_counting():
    assert (count(1, "node"), count(0, "node"), count(2, "node")) == ("1 node", "0 nodes", "2 nodes")
