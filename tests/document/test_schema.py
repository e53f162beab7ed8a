"""The JSON Schema of graphs, judged by the `jsonschema` library and held against what reads graphs."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import KINDS, DocumentError, Graph
from stackcomp.document.schema import graph_schema
from stackcomp.nodes.description import describe

jsonschema = pytest.importorskip("jsonschema")

#: The graph of the first design: read, pick_channels, shadow, over, deliver.
LANTERN = {
    "stackcomp": 1,
    "about": "Signal lantern on the bench, wide shot",
    "working_space": "ACEScg",
    "variables": {"shot": "demo_shot/wide", "out": "out/wide"},
    "frames": "1001-1008",
    "nodes": {
        "plate": {"kind": "read", "path": "${shot}/plate.{frame:04d}.exr", "encoding": "ACEScg"},
        "cg": {"kind": "read", "path": "${shot}/cg.{frame:04d}.exr", "encoding": "ACEScg"},
        "beauty": {"kind": "pick_channels", "layers": "cg", "as": "colour", "alpha": "premultiplied",
                   "channels": {"R": "R", "G": "G", "B": "B", "A": "A"}},
        "shadow": {"kind": "pick_channels", "layers": "cg", "as": "ratio",
                   "channels": {"R": "shadow.R", "G": "shadow.G", "B": "shadow.B"}},
        "shaded": {"kind": "multiply_shadow", "backdrop": "plate", "shadow": "shadow", "gamma": 1.3},
        "final": {"kind": "over", "source": "beauty", "backdrop": "shaded"},
        "out": {"kind": "deliver", "image": "final", "path": "${out}/final.{frame:04d}.exr"},
    },
}  # fmt: skip
VARIABLES = {"number": 0.5, "three": [0.5, 0.5, 0.5], "whole": 90, "yes": True, "keys": [[1, 0.5]],
             "mode": "hold", "word": "half", "text": "ACEScg", "channels": {"A": "a"}}  # fmt: skip


@pytest.fixture(scope="module")
def validator():
    return jsonschema.Draft202012Validator(graph_schema())


def with_node(**node) -> dict:
    return {"stackcomp": 1, "variables": VARIABLES, "nodes": {"it": node}}


def reads(graph: dict) -> bool:
    try:
        Graph.from_json(json.dumps(graph)).document()
    except DocumentError:
        return False
    return True


GOOD = [
    LANTERN,
    {"stackcomp": 1, "nodes": {}},
    {"$schema": "graph.schema.json", "stackcomp": 1, "colour_config": "mine.ocio", "nodes": {}},
    with_node(kind="read", path="a.exr", encoding=None, shift=-3, about="why"),
    with_node(kind="exposure", image="x", stops=-1),
    with_node(kind="exposure", image="x", stops="${number}", amount="${number}", within="m"),
    with_node(kind="exposure", image="x", stops={"keys": [[1001, 0], [1012.5, 0.5]], "between": "linear"}),
    with_node(kind="exposure", image="x", stops={"keys": [[1001, "${number}"]], "between": "${mode}"}),
    with_node(kind="exposure", image="x", stops={"keys": "${keys}"}),
    with_node(kind="cdl", image="x", slope=1.2, offset=[0, 0.1, 0], power="${three}", clamp="${yes}"),
    with_node(kind="cdl", image="x", slope=[1, "${number}", 1], power={"keys": [[1, [1, 1, 2]], [2, 3]]}),
    with_node(kind="deliver", image="x", path="a.exr", pixel_type="${word}", quality="${whole}"),
    with_node(kind="deliver", image="x", path="${text}.exr", display=None, bits=16),
    with_node(kind="pick_channels", layers="x", channels={"A": "a", "R": 0.5, "G": "${number}"}),
    with_node(kind="pick_channels", layers="x", **{"as": "matte"}, channels="${channels}"),
    with_node(kind="flat", size=[4, 4], colour=0.5, **{"as": "colour"}),
    with_node(kind="flat", size=["${whole}", 4]),
    with_node(kind="flat", like="x"),
    with_node(kind="place", image="x", homography=[1, 0, 0, 0, 1, 0, 0, 0, 1]),
    with_node(kind="glow", image="x", falloff="gaussian", tint=[1, 0.5, 0]),
]
BAD = [
    {"nodes": {}},
    {"stackcomp": 2, "nodes": {}},
    {"stackcomp": "1", "nodes": {}},
    {"stackcomp": 1},
    {"stackcomp": 1, "nodes": []},
    {"stackcomp": 1, "nodes": {}, "note": "no such field"},
    {"stackcomp": 1, "nodes": {}, "about": 3},
    {"stackcomp": 1, "nodes": {}, "variables": []},
    {"stackcomp": 1, "nodes": {"": {"kind": "over", "source": "a", "backdrop": "b"}}},
    {"stackcomp": 1, "nodes": {" a": {"kind": "over", "source": "a", "backdrop": "b"}}},
    {"stackcomp": 1, "nodes": {"a": "over"}},
    with_node(),
    with_node(kind="ovr"),
    with_node(kind=["over"]),
    with_node(kind="over", source="a"),
    with_node(kind="over", source="a", backdrop="b", gamma=1),
    with_node(kind="over", source="a", backdrop=1),
    with_node(kind="over", source="a", backdrop=None),
    with_node(kind="exposure", image="x", stops="1"),
    with_node(kind="exposure", image="x", stops="a ${number}"),
    with_node(kind="exposure", image="x", stops=True),
    with_node(kind="exposure", image="x", stops=[1]),
    with_node(kind="exposure", image="x", stops=None),
    with_node(kind="exposure", image="x", amount=1.5),
    with_node(kind="exposure", image="x", amount={"keys": [[1, 2]]}),
    with_node(kind="exposure", image="x", stops={"keys": []}),
    with_node(kind="exposure", image="x", stops={"keys": [[1]]}),
    with_node(kind="exposure", image="x", stops={"keys": [[1, 2, 3]]}),
    with_node(kind="exposure", image="x", stops={"keys": [[1, 2]], "between": "bumpy"}),
    with_node(kind="exposure", image="x", stops={"keys": [[1, 2]], "more": 1}),
    with_node(kind="exposure", image="x", stops={"between": "hold"}),
    with_node(kind="cdl", image="x", slope=[1, 1]),
    with_node(kind="cdl", image="x", power=0),
    with_node(kind="cdl", image="x", clamp="yes"),
    with_node(kind="cdl", image="x", clamp=1),
    with_node(kind="deliver", image="x", path="a.exr", pixel_type="quarter"),
    with_node(kind="deliver", image="x", path="a.exr", quality=0),
    with_node(kind="deliver", image="x", path="a.exr", quality=1.5),
    with_node(kind="deliver", image="x", path=3),
    with_node(kind="pick_channels", layers="x", channels={"A": [1]}),
    with_node(kind="pick_channels", layers="x", as_="matte"),
    with_node(kind="flat", size=[4]),
    with_node(kind="flat", size=[4, 4.5]),
    with_node(kind="place", image="x", homography=[1, 0, 0]),
]


def test_valid_against_its_meta_schema():
    jsonschema.Draft202012Validator.check_schema(graph_schema())


@pytest.mark.parametrize("graph", GOOD, ids=lambda graph: json.dumps(graph["nodes"])[:70])
def test_both_accept(validator, graph):
    assert reads(graph)
    assert [error.message for error in validator.iter_errors(graph)] == []


@pytest.mark.parametrize("graph", BAD, ids=lambda graph: json.dumps(graph.get("nodes"))[:90])
def test_both_refuse(validator, graph):
    assert not reads(graph)
    assert not validator.is_valid(graph)


@pytest.mark.parametrize("kind", KINDS)
def test_examples_are_accepted(validator, kind):
    graph = {"stackcomp": 1, "nodes": {"it": describe(KINDS[kind]).example}}
    assert reads(graph)
    assert validator.is_valid(graph)


@pytest.mark.slow
def test_graphs_that_people_copy_are_accepted(validator):
    stored = sorted((Path(__file__).parents[2] / "graphs").glob("*.json"))
    assert stored
    for path in stored:
        graph = json.loads(path.read_text(encoding="utf-8"))
        assert [error.message for error in validator.iter_errors(graph)] == [], path.name


def test_the_field_at_fault_is_named(validator):
    graph = copy.deepcopy(LANTERN)
    graph["nodes"]["shaded"]["gama"] = 1
    (error,) = validator.iter_errors(graph)
    assert "'gama' was unexpected" in error.message
    assert list(error.absolute_path) == ["nodes", "shaded"]


def test_an_editor_finds_texts_for_everything():
    schema = graph_schema()
    words = {
        choice["const"]: choice["description"] for choice in schema["$defs"]["node"]["properties"]["kind"]["oneOf"]
    }
    assert list(words) == list(KINDS)
    assert all(words.values())
    over = schema["$defs"]["kind-over"]
    assert over["additionalProperties"] is False
    assert "premultiplied colour" in over["properties"]["source"]["description"]
    assert over["properties"]["source"]["type"] == "string"
    radius = schema["$defs"]["kind-glow"]["properties"]["radius"]
    assert "px" in radius["description"]
    assert {"$ref": "#/$defs/variable"} in radius["anyOf"]
    assert schema["$defs"]["variable"]["pattern"].startswith("^")


_PLAIN = st.none() | st.booleans() | st.integers(-3, 3) | st.floats(-3, 3) | st.sampled_from(
    ["x", "", "${number}", "${three}", "hold", "half", "1"])  # fmt: skip
_VALUES = st.recursive(_PLAIN, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
    st.sampled_from(["keys", "between", "R", "x"]), inner, max_size=2), max_leaves=5)  # fmt: skip


@given(st.sampled_from(["exposure", "cdl", "glow", "pick_channels", "deliver"]), st.data())
def test_what_is_read_is_valid(validator, kind, data):
    """An editor never marks as wrong what the program takes."""
    text = describe(KINDS[kind])
    names = [item.name for item in text.parameters]
    fields = data.draw(st.dictionaries(st.sampled_from(names), _VALUES, max_size=2))
    graph = with_node(**{**text.example, **fields})
    if reads(graph):
        assert [error.message for error in validator.iter_errors(graph)] == []
