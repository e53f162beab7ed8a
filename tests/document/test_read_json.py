"""Nothing but a plain JSON object in UTF-8 gets through, and everything else is told apart."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import DocumentError
from stackcomp.document.read_json import DEEPEST, parse_json, read_json

values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.text(max_size=3), values, max_size=4))
def test_json_is_read_as_it_is(document):
    for ascii in (True, False):
        assert parse_json(json.dumps(document, ensure_ascii=ascii), "") == document


def nested(depth: int) -> str:
    return '{"a": ' * depth + "1" + "}" * depth


def test_depth():
    assert parse_json(nested(DEEPEST - 1), "")
    for depth in (DEEPEST, 500, 100_000):
        with pytest.raises(DocumentError, match="nested more than"):
            parse_json(nested(depth), "")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not JSON: expecting value at line 1, column 1"),
        ("{", "expecting property name"),
        ("{'a': 1}", "double quotes"),
        ('{"a": 1,}', "column 9|trailing comma"),
        ('{"a": 1} {}', "extra data at line 1, column 10"),
        ('{"a": 1 // note\n}', "at line 1"),
        ("null", "the file holds null, not an object"),
        ("3", "the file holds a number"),
        ('"a"', "the file holds a text"),
        ('{"a": {"b": 1, "b": 2}}', 'key "b" stands twice'),
        ('{"a": NaN}', "NaN is not a number"),
        ('{"a": -Infinity}', "-Infinity is not a number"),
        ('{"a": 1e400}', "1e400 is larger"),
        ('{"a": ' + "9" * 6000 + "}", "thousands of digits"),
        ('{"a": "\\udc00"}', r"holds \\udc00, half"),
        ('{"\\ud800": 1}', r"holds \\ud800, half"),
    ],
)
def test_what_is_not(text, words):
    with pytest.raises(DocumentError, match=words) as caught:
        parse_json(text, "g.json")
    assert caught.value.problems[0].place == "g.json"


def test_bytes_of_other_encodings(tmp_path):
    path = tmp_path / "g.json"
    for data in ('{"a": "ä"}'.encode("latin-1"), '{"a": 1}'.encode("utf-16"), b"\x89PNG\r\n\x1a\n\0\0"):
        path.write_bytes(data)
        with pytest.raises(DocumentError, match="not UTF-8"):
            read_json(path)


@given(st.text(max_size=40))
def test_any_text_is_an_object_or_an_error(text):
    try:
        found = parse_json(text, "")
    except DocumentError:
        return
    assert isinstance(found, dict)
