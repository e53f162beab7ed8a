"""The document's own fields, and a graph file turned into typed nodes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError, field_validator
from pydantic_core import ErrorDetails

from stackcomp.document.frames import parse_frames
from stackcomp.document.upgrade import CURRENT
from stackcomp.document.variables import fill, resolve
from stackcomp.errors import DocumentError, Problem, did_you_mean
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.nodes import KINDS
from stackcomp.nodes.base import Node

__all__ = ["Document", "Head", "build"]

_LONGEST_NAME = 200


class Head(BaseModel):
    """Everything in a graph file beside its nodes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    stackcomp: Annotated[Literal[1], Field(description="Format version.")] = CURRENT
    schema_address: Annotated[
        str, Field(alias="$schema", description="Address of the JSON Schema, for editors.")
    ] = ""  # fmt: skip
    about: Annotated[str, Field(description="What the graph is for.")] = ""
    working_space: Annotated[str, Field(description="Scene-linear colour space of the comp.")] = "ACEScg"
    colour_config: Annotated[
        str, Field(description="Full name of a built-in OCIO config, or the path of one.")
    ] = DEFAULT_CONFIG  # fmt: skip
    variables: Annotated[
        dict[str, JsonValue], Field(description="Values for ${name}; the caller may give others.")
    ] = Field(default_factory=dict)  # fmt: skip
    frames: Annotated[str, Field(description="Frames the graph is about, such as 1001-1008.")] = ""

    @field_validator("frames")
    @classmethod
    def _frames_parse(cls, text: str) -> str:
        if text:
            parse_frames(text)
        return text


@dataclass(frozen=True)
class Document:
    """A graph with its variables filled in and every node typed."""

    head: Head
    nodes: Mapping[str, Node]
    place: str

    @property
    def frames(self) -> list[int]:
        """Frame numbers of the head; empty when it names none."""
        return parse_frames(self.head.frames) if self.head.frames else []


def build(raw: Mapping[str, Any], variables: Mapping[str, Any], place: str) -> Document:
    """Typed nodes from a current-version graph object.

    Args:
        raw: the JSON object, variables not yet filled in.
        variables: values that go before the graph's own.
        place: file name for messages.

    Raises:
        DocumentError: every problem found.
    """
    problems: list[Problem] = []
    own = raw.get("variables", {})
    known, trouble = resolve({**(own if isinstance(own, Mapping) else {}), **variables})
    problems += trouble
    filled = {
        key: value if key in ("variables", "$schema") else fill(value, known, (key,), problems)
        for key, value in raw.items()
    }
    head = _head(filled, problems)
    nodes: dict[str, Node] = {}
    listed = filled.get("nodes", {})
    if not isinstance(listed, Mapping):
        problems.append(Problem("nodes", f'"nodes" is a {type(listed).__name__}',
                                'write "nodes": {"name": {"kind": …}, …}', field="nodes"))  # fmt: skip
        listed = {}
    # A field whose variable had no value would only repeat that complaint in other words.
    silenced = {(problem.node, problem.field.split(".")[0]) for problem in problems}
    for name, fields in listed.items():
        node = _node(name, fields, problems, silenced)
        if node is not None:
            nodes[name] = node
    if problems:
        raise DocumentError(replace(problem, place=place) for problem in problems)
    assert head is not None
    return Document(head, nodes, place)


def _head(filled: Mapping[str, Any], problems: list[Problem]) -> Head | None:
    try:
        return Head.model_validate({key: value for key, value in filled.items() if key != "nodes"})
    except ValidationError as error:
        choices = [info.alias or name for name, info in Head.model_fields.items()]
        problems += [_problem(item, "", [*choices, "nodes"]) for item in error.errors()]
        return None


def _node(name: str, fields: Any, problems: list[Problem], silenced: set[tuple[str, str]]) -> Node | None:
    if not name or len(name) > _LONGEST_NAME or not name.isprintable():
        problems.append(Problem("node-name", f"{name[:60]!r} is no name for a node",
                                f"a name is 1 to {_LONGEST_NAME} printable characters", field="nodes"))  # fmt: skip
        return None
    if not isinstance(fields, Mapping):
        problems.append(Problem("node", f"is a {type(fields).__name__}, not an object",
                                'write {"kind": …}', node=name))  # fmt: skip
        return None
    word = fields.get("kind")
    kind = KINDS.get(word) if isinstance(word, str) else None
    if kind is None:
        seen = 'has no "kind"' if word is None else f"there is no kind {word!r}"
        way_out = did_you_mean(str(word), list(KINDS)) or "`stackcomp kinds` lists them all"
        problems.append(Problem("kind-unknown", seen, way_out, node=name, field="kind"))
        return None
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        choices = [info.alias or field for field, info in kind.model_fields.items()]
        found = [_problem(item, name, choices) for item in error.errors()]
        problems += [p for p in found if (name, p.field.split(".")[0]) not in silenced]
        return None


def _problem(item: ErrorDetails, node: str, choices: list[str]) -> Problem:
    """One pydantic finding in our own words."""
    field = ".".join(str(part) for part in item["loc"])
    seen = repr(item["input"])
    seen = seen if len(seen) <= 60 else seen[:57] + "…"
    kind = item["type"]
    last = str(item["loc"][-1]) if item["loc"] else ""
    if kind == "extra_forbidden":
        way_out = did_you_mean(last, choices) or f"the fields are {', '.join(choices)}"
        return Problem("field-unknown", f'has no field "{last}"', way_out, node=node, field=field)
    if kind == "missing":
        return Problem("field-missing", f'the field "{last}" is missing', "add it", node=node, field=field)
    if kind == "literal_error":
        expected = str(item.get("ctx", {}).get("expected", ""))
        return Problem("choice", f'"{last}" is {seen}', f"choose from {expected}", node=node, field=field)
    message = str(item["msg"]).removeprefix("Value error, ")
    if kind == "value_error":
        label = f'"{last}" ' if last else ""
        return Problem("value", f"{label}{message}", "", node=node, field=field)
    return Problem("value", f'"{last}" is {seen}: {message[:1].lower()}{message[1:]}', "", node=node, field=field)
