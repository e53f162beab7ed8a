"""What is said of classes of other packages that cannot be kinds, and what of those that can."""

from __future__ import annotations

import json
import sys
from importlib.metadata import EntryPoint

import jsonschema
import pytest

from stackcomp.nodes import outside_kinds
from stackcomp.nodes.kinds import BUILT_IN
from stackcomp.nodes.outside_kinds import Kinds

#: What every class of `FLAWS` begins with.
HEAD = """
from collections.abc import Callable
from typing import Annotated, Any, ClassVar, Literal
from pydantic import ConfigDict, Field
from stackcomp.nodes import *

@pixel
def fine(r, g, b):
    return r, g, 0.5 * b

@pixel
def two(r, g, b):
    return r, g

@pixel
def five(r, g, b, first, second):
    return r * first, g * second, b

class Base(ColourNode):
    "A kind without faults."
    function: ClassVar[Any] = fine
    kind: Literal["x.k"] = "x.k"
"""
#: Classes with one fault each, and what is said of it.
FLAWS = {
    "no default": ("class K(Base):\n 'K.'\n kind: Literal['x.k']", 'needs the field kind: Literal["x.k"] = "x.k"'),
    "other default": ("class K(Base):\n 'K.'\n kind: Literal['x.k'] = 'x.j'", "needs the field kind"),
    "second kind": ("class K(Base):\n 'K.'\n more: str = Field('', alias='kind')", 'has two fields "kind"'),
    "second about": ("class K(Base):\n 'K.'\n more: str = Field('', alias='about')", 'has two fields "about"'),
    "loose by its base": (
        "class M(Base):\n model_config = ConfigDict(extra='allow')\nclass K(M):\n 'K.'",
        "changes extra of the model_config"
    ),
    "not frozen": ("class K(Base):\n 'K.'\n model_config = ConfigDict(frozen=False)", "changes frozen"),
    "amount is text": ("class K(Base):\n 'K.'\n amount: str = ''", 'changes the field "amount", which it has of'),
    "image is no port": ("class K(Base):\n 'K.'\n image: str", 'changes the field "image", which it has of'),
    "hides a method": ("class K(Base):\n 'K.'\n domain: float = 1.0", 'its field "domain" hides what kinds have'),
    "port of numbers": ("class K(Base):\n 'K.'\n other: Annotated[int, Port()] = 1", 'its port "other" must be'),
    "no JSON": ("class K(Base):\n 'K.'\n more: Callable[[], int] = int", "has a field that JSON cannot hold"),
    "NaN": ("class K(Base):\n 'K.'\n more: float = float('nan')", "has a field that JSON cannot hold: ValueError"),
    "plain function": ("class K(Base):\n 'K.'\n function = lambda r, g, b: (r, g, b)", "not marked with @pixel"),
    "two values": ("class K(Base):\n 'K.'\n function: ClassVar = two", "two returns 2 values, not R, G and B"),
    "five arguments": (
        "class K(Base):\n 'K.'\n function: ClassVar = five",
        "five takes 5 values, but its ports give 3, and it has no numbers",
    ),
    "too few arguments": (
        "class K(Base):\n 'K.'\n function: ClassVar = fine\n other: Annotated[str, Port()]",
        "fine takes 3 values, but its ports give 7, and numbers come after them",
    ),
    "wrong call": (
        "@pixel\ndef wrong(r, g, b):\n return abs(r, g), g, b\nclass K(Base):\n 'K.'\n function: ClassVar = wrong",
        "its pixel function wrong fails: TypeError: abs() takes exactly one argument (2 given)",
    ),
    "no port": (
        "class K(AreaNode):\n 'K.'\n kind: Literal['x.k'] = 'x.k'\n"
        " def result(self, *a): ...\n def needs(self, *a): ...\n def compute(self, *a): ...",
        "x_k:K has no port",
    ),
    "no frame": (
        "class K(SourceNode):\n 'K.'\n kind: Literal['x.k'] = 'x.k'\n"
        " def result(self, *a): ...\n def produce(self, *a): ...",
        "has no port, and does not say its frame_window",
    ),
    "no output": (
        "class K(SinkNode):\n 'K.'\n kind: Literal['x.k'] = 'x.k'\n image: Annotated[str, Port()]",
        "does not say its outputs; does not say its write",
    ),
    "loop": (
        "@pixel\ndef loop(r, g, b):\n for k in range(3):\n  r += k\n return r, g, b",
        "line 24): 'for k in range(3):' is not straight-line code; use assignments",
    ),
    "exits": ("raise SystemExit(3)", "x_k:K: SystemExit: 3"),
    "says nothing": ("raise ValueError", "x_k:K: ValueError"),
}  # fmt: skip


@pytest.fixture
def kinds_of(monkeypatch, tmp_path):
    """All kinds, where a package names the class `K` of a module as the kind `x.k`."""

    def make(text: str) -> Kinds:
        (tmp_path / "x_k.py").write_text(f"{HEAD}\n{text}\n")
        monkeypatch.syspath_prepend(tmp_path)
        monkeypatch.delitem(sys.modules, "x_k", raising=False)
        entry = EntryPoint("x.k", "x_k:K", outside_kinds.GROUP)
        monkeypatch.setattr(outside_kinds, "_entry_points", lambda: [entry])
        return Kinds(BUILT_IN)

    yield make
    sys.modules.pop("x_k", None)


@pytest.mark.filterwarnings("ignore:Field name")
@pytest.mark.parametrize(
    ("text", "reason"), [("class K(Base):\n 'K.'", ""), *FLAWS.values()], ids=["none", *FLAWS]
)
def test_faults_of_classes_are_told_when_they_are_loaded(kinds_of, text, reason):
    found = kinds_of(text)
    if not reason:
        assert (found.broken, found["x.k"].kind_name()) == ((), "x.k")
        return
    assert "x.k" not in found
    assert reason in found.broken[0].reason
    assert "\n" not in found.broken[0].reason


def test_a_schema_of_classes_with_the_same_name(monkeypatch, kinds_of):
    """A package's class `variable` is not what the schema calls so."""
    text = (
        "from pydantic import BaseModel\nclass variable(BaseModel):\n shade: str\n"
        "class K(ViewNode):\n 'K.'\n kind: Literal['x.k'] = 'x.k'\n image: Annotated[str, Port()]\n"
        " more: variable | None = None\n def result(self, *a): ...\n def picks(self, *a): ..."
    )
    from stackcomp.document import schema

    plain = schema.graph_schema()
    monkeypatch.setattr(schema, "KINDS", kinds_of(text))
    made = schema.graph_schema()
    assert {name: made["$defs"][name] for name in plain["$defs"] if name != "node"} == {
        name: inner for name, inner in plain["$defs"].items() if name != "node"
    }
    validator = jsonschema.Draft202012Validator(made)

    def valid(more):
        node = {"kind": "x.k", "image": "wall", "more": more}
        return validator.is_valid({"stackcomp": 1, "nodes": {"aged": node}})

    assert valid({"shade": "green"})
    assert not valid({"tint": "green"})


def test_a_kind_with_all_sorts_of_fields_is_described(monkeypatch, kinds_of):
    text = (
        "class K(Base):\n 'K.'\n mode: Literal['a', 'b']\n name: str\n some: list[int] = [1]\n"
        " z: complex = 1j\n"
        " quad: Annotated[tuple[float, float, float, float], Number('four', size=4)]"
    )
    from stackcomp.nodes import description

    found = kinds_of(text)
    assert found.broken == ()
    monkeypatch.setattr(description, "KINDS", found)
    told = description.describe(found["x.k"])
    assert json.loads(json.dumps(told.as_dict(), allow_nan=False))
    assert {item.name: item.values for item in told.parameters if item.name in ("some", "quad")} == {
        "some": "a list of whole numbers",
        "quad": "a list of 4 numbers",
    }
    assert found["x.k"].model_validate(told.example)
