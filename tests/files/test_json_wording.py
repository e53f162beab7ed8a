"""Messages about JSON mistakes do not depend on the words of the Python version that found them."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import DocumentError
from stackcomp.files.json_mistakes import explain
from stackcomp.files.read_json import parse_json

#: One of each mistake that Python's reader has words of its own for.
MISTAKES = {
    "": "the file is empty",
    "{": "it ends too early",
    '{"a": "b': "without closing",
    '{"a": "b\\': "without closing",
    '{"a": "x\ny"}': r"a line break or tab inside a text at .* column 9 \(the text begins at line 1, column 7",
    '{"a": "x\ty"}': r"a line break or tab inside a text at .* column 9 \(the text begins at line 1, column 7",
    '{"a": "C:\\shots"}': r"a \\ inside a text at line 1, column 10",
    '{"a": "\\u12"}': r"a \\ inside a text at line 1, column 8",
    '{"a": 1} {}': "more follows the end",
    '{"a" 1}': "a colon is missing",
    "{a: 1}": "the key a is not in double quotes",
    '{"a": 1, b: 2}': "the key b is not in double quotes",
    '{"a": 1,, "b": 2}': "a key is missing",
    '{"a": 1 "b": 2}': "a comma is missing",
    '{"a": [1 2]}': "a comma is missing",
    '{"a": 007}': "a number is written in another way",
    '{"a": True}': "True is not a value",
    '{"a": [1,, 2]}': "a value is missing",
    '{"a": }': "a value is missing",
    '{"a": [1, 2}': "does not close",
    '{"a": 1,}': "a comma stands behind the last item at line 1, column 8",
    '{"a": [1, ]}': "a comma stands behind the last item at line 1, column 9",
}
texts = st.text(alphabet="{}[],:\"'#/*\\ \n\t01.-aetrufls“”", max_size=30)


def refusal(text: str) -> json.JSONDecodeError | None:
    try:
        json.loads(text)
    except json.JSONDecodeError as error:
        return error
    return None


@pytest.mark.parametrize("text", MISTAKES)
def test_each_mistake_is_named(text):
    with pytest.raises(DocumentError, match=MISTAKES[text]):
        parse_json(text, "graph.json")


@given(st.sampled_from(sorted(MISTAKES)) | texts)
def test_the_words_of_the_reader_do_not_matter(text):
    error = refusal(text)
    if error is not None:
        for words in ("", "Expecting value", "Extra data", "Illegal trailing comma before end of object"):
            other = json.JSONDecodeError(words, text, error.pos)
            assert explain(text, other) == explain(text, error)


@pytest.mark.parametrize(("text", "comma", "bracket"), [('{"a": 1,}', 7, 8), ('{"a": [1,\n ]}', 8, 11)])
def test_a_trailing_comma_is_one_mistake_wherever_the_reader_stops(text, comma, bracket):
    """Python up to 3.12 stops at the bracket behind the comma, later versions at the comma itself."""
    at_comma, at_bracket = (explain(text, json.JSONDecodeError("", text, at)) for at in (comma, bracket))
    assert at_comma == at_bracket
    assert any("a comma stands behind the last item" in mistake.message for mistake in at_comma)
