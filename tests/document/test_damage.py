"""Graphs damaged at random: the outcome is a document, findings, or an error that lists them; never a crash."""

import copy
import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stackcomp import CheckError, Composition, DocumentError, Graph

GOOD = {
    "stackcomp": 1,
    "about": "Lantern on the bench",
    "working_space": "ACEScg",
    "variables": {"shot": "wide", "gain": [1, 2, 3], "path": "${shot}/a"},
    "frames": "1001-1004",
    "nodes": {
        "plate": {"kind": "flat", "size": [16, 9], "colour": "${gain}"},
        "cg": {"kind": "ramp", "like": "plate", "first": 0, "last": [1, 2, 3]},
        "file": {"kind": "read", "path": "${path}/cg.{frame:04d}.exr", "encoding": "ACEScg"},
        "beauty": {
            "kind": "pick_channels",
            "layers": "file",
            "as": "colour",
            "channels": {"R": "R", "G": "G", "B": 0.5},
        },
        "graded": {"kind": "cdl", "image": "cg", "slope": {"keys": [[1001, 1], [1004, [1, 2, 3]]]}},
        "final": {"kind": "over", "source": "graded", "backdrop": "plate"},
        "soft": {"kind": "defocus", "image": "final", "radius": 3},
        "out": {"kind": "deliver", "image": "soft", "path": "out/${shot}.{frame:04d}.exr"},
    },
}

ODD = [
    "${shot}", "${gain}", "${nobody}", "${", "plate", "out", "final", "read", "flat", "over", "ids", "matte",
    "{frame}", "%d", "{x}", "../..", "/", ".", "x" * 5000, 1e308, -1e308, 10**30, "1-5", "ACEScct", "Raw",
]  # fmt: skip
scalars = (
    st.none()
    | st.booleans()
    | st.integers(-3, 2000)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=6)
    | st.sampled_from(ODD)
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)


def spots(value, here=()):
    """Paths to everything inside."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield (*here, key)
        yield from spots(item, (*here, key))


@st.composite
def damaged(draw):
    graph = copy.deepcopy(GOOD)
    for _ in range(draw(st.integers(1, 3))):
        way = draw(st.sampled_from(list(spots(graph))))
        inside = graph
        for key in way[:-1]:
            inside = inside[key]
        match draw(st.sampled_from(["change", "delete", "add", "swap"])):
            case "change":
                inside[way[-1]] = draw(values)
            case "delete":
                del inside[way[-1]]
            case "add" if isinstance(inside, dict):
                inside[draw(st.sampled_from(["kind", "within", "amount", "as", "x", "", "a/b"]))] = draw(values)
            case "add":
                inside.append(draw(values))
            case _:
                other = draw(st.sampled_from(list(spots(graph))))
                value = graph
                for key in other:
                    value = value[key]
                inside[way[-1]] = copy.deepcopy(value)
        if not graph:
            break
    return graph


def outcome(text: str, root) -> None:
    try:
        comp = Composition(Graph.from_json(text, "g.json"), root=root)
        problems = comp.check()
    except (DocumentError, CheckError) as error:
        problems = error.problems
        assert problems
    for problem in problems:
        assert problem.message
        str(problem).encode()
        json.dumps(problem.as_dict())


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(damaged())
def test_damaged_graphs(tmp_path, graph):
    outcome(json.dumps(graph), tmp_path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0), st.integers(0, 8), st.text(max_size=4))
def test_damaged_text(tmp_path, at, gone, put):
    text = json.dumps(GOOD)
    at %= len(text)
    outcome(text[:at] + put + text[at + gone :], tmp_path)


def test_the_good_one_is_good_but_for_its_missing_file(tmp_path):
    problems = Composition(Graph.from_json(json.dumps(GOOD)), root=tmp_path).check()
    assert [(p.rule, p.node) for p in problems if p.severity == "error"] == [("file-missing", "file")]


@pytest.mark.parametrize("path", ["a" * 300 + ".exr", "a/" * 3000 + "x.exr", "\ud800.exr", "a\0.exr"])
def test_paths_that_no_system_has(tmp_path, path):
    graph = {**GOOD, "nodes": {"a": {"kind": "read", "path": path}}}
    outcome(json.dumps(graph), tmp_path)
    graph["nodes"] = {"a": {"kind": "flat", "size": [1, 1]}, "b": {"kind": "deliver", "image": "a", "path": path}}
    outcome(json.dumps(graph), tmp_path)
