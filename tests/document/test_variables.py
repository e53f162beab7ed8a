import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import DocumentError, Graph
from stackcomp.document.variables import LONGEST_TEXT, Filling, resolve

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5).filter(lambda text: "${" not in text),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)


def fill(raw, **variables):
    filling = resolve(variables)
    assert not filling.problems
    filled = filling.fill(raw, ("nodes", "a", "path"))
    assert not filling.problems, filling.problems
    return filled


def rules(raw, **variables):
    filling = resolve(variables)
    filling.fill(raw, ("nodes", "a", "path"))
    return [problem.rule for problem in filling.findings()]


@given(json_values)
def test_a_text_that_is_one_variable_becomes_its_value(value):
    assert fill("${v}", v=value) == value
    assert fill({"a": ["${v}"]}, v=value) == {"a": [value]}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("${shot}/a.exr", "wide/a.exr"),
        ("${shot}${shot}", "widewide"),
        ("x${number}y", "x7y"),
        ("${half}", 0.5),
        ("take ${half}", "take 0.5"),
        ("$${shot}", "${shot}"),
        ("$${shot}/${shot}", "${shot}/wide"),
        ("$$${shot}", "$${shot}"),
        ("$shot {shot} $", "$shot {shot} $"),
        ("plate.{frame:04d}.exr", "plate.{frame:04d}.exr"),
        ("${_A1}", "ok"),
    ],
)
def test_texts(text, expected):
    assert fill(text, shot="wide", number=7, half=0.5, _A1="ok") == expected


def test_variables_may_refer_to_each_other_in_any_order():
    assert fill("${path}", path="${root}/${shot}", root="${disk}/jobs", shot="wide", disk="d") == "d/jobs/wide"
    assert fill("${all}", all={"gain": ["${gain}"]}, gain=2) == {"gain": [2]}


def test_what_a_variable_brings_is_not_looked_through():
    assert fill("${a}", a="$${b}", b="never") == "${b}"
    assert fill("x${a}", a="$${b}", b="never") == "x${b}"


@pytest.mark.parametrize(
    "text",
    ["__import__('os').system('x')", "{frame.__class__}", "%(a)s", "`ls`", "$(ls)", "{{7*7}}", "\n;rm"],
)
def test_hostile_text_is_only_text(text):
    assert fill("${v}", v=text) == text
    assert fill("a ${v}", v=text) == f"a {text}"


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("${nobody}", "variable-unknown"),
        ("${", "variable-name"),
        ("${}", "variable-name"),
        ("${a b}", "variable-name"),
        ("${a.b}", "variable-name"),
        ("${a[0]}", "variable-name"),
        ("${1a}", "variable-name"),
        ("${ä}", "variable-name"),
        ("x ${list}", "variable-in-text"),
        ("x ${truth}", "variable-in-text"),
        ("x ${nothing}", "variable-in-text"),
    ],
)
def test_what_cannot_be_filled_in(text, rule):
    assert rules(text, list=[1], truth=True, nothing=None) == [rule]


def test_a_variable_without_value_is_reported_once_with_its_uses():
    filling = Filling()
    for k in range(4):
        filling.fill("${shot}", ("nodes", f"n{k}", "path"))
    (problem,) = filling.findings()
    assert problem.message == 'variable "shot" has no value, here and at 3 other places'
    assert problem.pointer == "/nodes/n0/path"
    assert len(filling.spoilt) == 4


def test_a_cycle_is_reported_once_and_spoils_what_depends_on_it():
    filling = resolve({"a": "${b}", "b": "${c}", "c": "x${a}", "d": "${a}", "e": "${d}", "f": "good"})
    (problem,) = filling.problems
    assert "a → b → c → a" in problem.message
    assert filling.broken == {"a", "b", "c", "d", "e"}
    assert filling.known == {"f": "good"}
    filling.fill("${e}", ("nodes", "x", "path"))
    assert len(filling.problems) == 1
    assert filling.spoilt == [("nodes", "x", "path")]


def test_two_cycles_are_two_findings():
    filling = resolve({"a": "${a}", "b": "${c}", "c": "${b}"})
    assert [problem.field for problem in filling.problems] == ["variables.a", "variables.b"]


def test_long_chains():
    chain = {f"v{k}": f"${{v{k + 1}}}" for k in range(5000)}
    assert fill("${v0}", **chain, v5000="end") == "end"


def test_texts_and_lists_that_would_fill_the_memory():
    doubling = {f"v{k}": f"${{v{k - 1}}}" * 16 for k in range(1, 60)}
    filling = resolve({"v0": "x" * 16, **doubling})
    assert [problem.rule for problem in filling.problems] == ["variable-too-large"]
    assert all(len(value) <= LONGEST_TEXT for value in filling.known.values())
    nested = {f"v{k}": [f"${{v{k - 1}}}"] * 16 for k in range(1, 60)}
    assert [problem.rule for problem in resolve({"v0": 1, **nested}).problems] == ["variable-too-large"]


def test_names_with_dots_and_slashes_have_exact_pointers():
    filling = Filling()
    filling.fill({"a.b": {"c/d": "${x}"}}, ("nodes", "n.1", "channels"))
    assert filling.problems[0].pointer == "/nodes/n.1/channels/a.b/c~1d"


def test_a_value_of_the_wrong_kind_is_reported_with_its_variable():
    graph = Graph(variables={"black": "0.002", "size": [4]})
    graph.add("flat", "slate", size="${size}")
    graph.add("match_black", "lifted", image="slate", black="${black}")
    with pytest.raises(DocumentError) as error:
        graph.document({"black": "lots"})
    messages = [problem.message for problem in error.value.problems]
    assert messages == [
        '"size" is a list of 1, from variable "size"',
        '"black" is "lots", which is a text, from variable "black"',
    ]


def test_a_variable_that_cannot_be_a_value_is_reported_once():
    graph = Graph(variables={"gain": 1, "more": "${gain}"})
    graph.add("flat", "slate", size=[4, 4])
    graph.add("exposure", "brighter", image="slate", stops="${gain}")
    graph.add("exposure", "brightest", image="slate", stops="${more}")
    with pytest.raises(DocumentError) as error:
        graph.document({"gain": float("nan")})
    (problem,) = error.value.problems
    assert (problem.rule, problem.field) == ("variable-value", "variables.gain")
