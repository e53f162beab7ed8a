"""Nothing but a plain JSON object in UTF-8 gets through, and everything else is told apart."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import DocumentError
from stackcomp.files.read_json import DEEPEST, parse_json, read_json

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
        ("", "the file is empty"),
        (" \n", "the file is empty"),
        ("{", "it ends too early, at line 1, column 2"),
        ("{'a': 1}", "a single quote at line 1, column 2"),
        ('{"a": 1,}', "a comma stands behind the last item at line 1, column 8"),
        ('{"a": [1, 2, ]\n}', "a comma stands behind the last item at line 1, column 12"),
        ('{"a": 1} {}', "more follows the end of the object at line 1, column 10"),
        ('{"a": 1 // note\n}', 'a comment begins with "//" at line 1, column 9'),
        ('{"a": 1 /* note */}', r'a comment begins with "/\*" at line 1, column 9'),
        ('{\n  # note\n"a": 1}', 'a comment begins with "#" at line 2, column 3'),
        ('{"a": 1, // x\n"b": 2 // y\n// z\n}', 'begin with "//" at line 1, column 10, and more in lines 2, 3'),
        ('{"a": "http://b#c", "d": 1 # e\n}', 'a comment begins with "#" at line 1, column 28'),
        ("{“a”: 1}", "a typographic quote at line 1, column 2"),
        ('{"a": True}', "True is not a value at line 1, column 7"),
        ('{"a": .5}', ".5 is not a value at line 1, column 7"),
        ('{"a": 007}', "a number is written in another way at line 1, column 8"),
        ("{a: 1}", "the key a is not in double quotes at line 1, column 2"),
        ('{"a" 1}', "a colon is missing before 1 at line 1, column 6"),
        ('{"a": 1,\n"b": }', "a value is missing before } at line 2, column 6"),
        ('{"a": 1\n"b": 2}', 'a comma is missing before " at line 2, column 1'),
        (
            '{"a": "x\ny"}',
            r"a line break or tab inside a text at line 1, column 9 \(the text begins at line 1, column 7",
        ),
        (r'{"a": "C:\shots"}', r"a \\ inside a text at line 1, column 10"),
        ('{"a": [1, 2}', "} at line 1, column 12 does not close the . of line 1, column 7"),
        ('{"a": "b', 'a text without closing " begins at line 1, column 7'),
        ("frames: 1001", "it begins with frames: at line 1, column 1|it begins with frames at line 1, column 1"),
        ("null", "the file holds null, not an object"),
        ("3", "the file holds a number"),
        ('"a"', "the file holds a text"),
        ('{"a": {"b": 1, "b": 2}}', 'key "b" stands twice in one object, in line 1'),
        ('{"a": {"b": 1},\n"c": 1,\n"a": 2, "d": "a:",\n"a": 3}', 'key "a" stands 3 times .* in lines 1, 3 and 4'),
        ('{"a": NaN}', "NaN is not a number"),
        ('{"a": -Infinity}', "-Infinity is not a number"),
        ('{"a": 1e400}', "1e400 is larger"),
        ('{"a": [[1, 2.5], [3, {"b": [-1e400]}]]}', "-1e400 is larger"),
        ('{"a": 1' + "0" * 320 + ".0}", "is larger than any number"),
        ('{"a": ["\\uDBFF"]}', r"holds \\udbff, half"),
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
    for data in ('{"a": "ä"}'.encode("latin-1"), '{"a": 1}'.encode("utf-16"), b"\xff\xfe\0"):
        path.write_bytes(data)
        with pytest.raises(DocumentError, match="not UTF-8"):
            read_json(path)


@given(st.text(max_size=40))
def test_any_text_is_an_object_or_an_error(text):
    try:
        document = parse_json(text, "")
    except DocumentError:
        return
    assert isinstance(document, dict)


def test_all_mistakes_of_other_languages_are_reported_at_once():
    with pytest.raises(DocumentError) as caught:
        parse_json("{\n// x\n'a': [1,],\n}", "g.json")
    messages = [problem.message for problem in caught.value.problems]
    assert len(messages) == 3
    assert "line 3, column 8, and more in line 3" in messages[1]


def test_every_repeated_key_is_reported_with_its_lines():
    with pytest.raises(DocumentError) as caught:
        parse_json('{"a": 1,\n "a": {"x": 1,\n"x": 2},\n "\\u0061": 3}', "g.json")
    messages = [problem.message for problem in caught.value.problems]
    assert messages == [
        'the key "a" stands 3 times in one object, in lines 1, 2 and 4',
        'the key "x" stands twice in one object, in lines 2 and 3',
    ]


@given(st.text(alphabet="{}[],:\"'#/*\\ \n01.-aetrufls“”", max_size=30))
def test_whatever_is_refused_is_explained(text):
    problems = []
    try:
        parse_json(text, "g.json")
    except DocumentError as error:
        problems = [(problem.message, problem.way_out) for problem in error.problems]
        problems = problems or [("", "")]
    assert all(message and way_out for message, way_out in problems)


def write_json(path, text):
    path.write_text(text, encoding="utf-8")


def test_a_missing_file_of_variables_is_called_that_and_offered_no_graph(tmp_path):
    write_json(tmp_path / "shot.json", '{"stackcomp": 1, "nodes": {}}')
    with pytest.raises(
        DocumentError, match=r"(?s)the file of variables cannot be read: .*holds no file of variables"
    ):
        read_json(tmp_path / "shots.json", "variables")
    write_json(tmp_path / "shot_wide.json", '{"gamma": 1}')
    with pytest.raises(DocumentError, match=r'did you mean "shot_wide.json"\?') as caught:
        read_json(tmp_path / "shot_wied.json", "variables")
    assert "shot.json" not in str(caught.value)
    with pytest.raises(DocumentError, match=r'(?s)the graph cannot be read: .*did you mean "shot.json"\?'):
        read_json(tmp_path / "shto.json")


def test_a_picture_is_called_that(tmp_path):
    (tmp_path / "plate.exr").write_bytes(b"\x76\x2f\x31\x01rest")
    with pytest.raises(DocumentError, match=r"a picture \(OpenEXR\), not a graph"):
        read_json(tmp_path / "plate.exr")
