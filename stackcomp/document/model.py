"""The document's own fields, and a graph file turned into typed nodes."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue, field_validator

from stackcomp.data.frame_rate import parse_frame_rate
from stackcomp.data.frames import parse_frames
from stackcomp.document.plain import plain
from stackcomp.document.variables import REFERENCE, resolve
from stackcomp.errors import BadValueError, DocumentError, Problem, kind_of, pointer_to, shown
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.validate import field_names, validate
from stackcomp.nodes.base import Node
from stackcomp.nodes.kinds import KINDS

__all__ = ["Document", "Head", "build", "build_node"]

_LONGEST_NAME = 200


class Head(BaseModel):
    """Everything in a graph file beside its nodes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    stackcomp: Annotated[Literal[1], Field(description="Format version.")] = 1
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
    frame_rate: Annotated[
        str | float | None,
        Field(
            description='Frames a second of movies and of delivered files, such as 24 or "24000/1001"; '
            "the plate's if left out."
        ),
    ] = None

    @field_validator("frames")
    @classmethod
    def _frames_parse(cls, text: str) -> str:
        if text:
            parse_frames(text)
        return text

    @field_validator("frame_rate")
    @classmethod
    def _frame_rate_parses(cls, value: str | float | None) -> str | float | None:
        if value is not None:
            parse_frame_rate(value)
        return value


@dataclass(frozen=True)
class Document:
    """A graph with its variables filled in and every node typed.

    Attributes:
        head: everything beside the nodes.
        nodes: by name.
        place: the file it came from, or empty.
        paths: node → its path as written, before variables were filled in.
    """

    head: Head
    nodes: Mapping[str, Node]
    place: str
    paths: Mapping[str, str] = field(default_factory=dict)

    @property
    def frames(self) -> list[int]:
        """Frame numbers of the head; empty when it names none."""
        return parse_frames(self.head.frames) if self.head.frames else []

    @property
    def frame_rate(self) -> Fraction | None:
        """Frames a second of the head; None when it names none."""
        return None if self.head.frame_rate is None else parse_frame_rate(self.head.frame_rate)


def build(raw: Mapping[str, Any], variables: Mapping[str, Any], place: str) -> Document:
    """Typed nodes from a current-version graph object.

    Args:
        raw: the JSON object, variables not yet filled in.
        variables: values that go before the graph's own.
        place: file name for messages.

    Raises:
        DocumentError: every problem found, in document order.
    """
    problems: list[Problem] = []
    own = raw.get("variables", {})
    given = _given(variables, problems)
    filling = resolve({**(own if isinstance(own, Mapping) else {}), **given})
    for name in [name for name in map(str, variables) if name not in given]:
        # A value of a wrong type has a finding already; its uses get none.
        filling.known.pop(name, None)
        filling.broken.add(name)
    filled = {
        key: value if key in ("variables", "$schema") else filling.fill(value, (key,))
        for key, value in raw.items()
    }
    # Where "variables" is not an object, its variables are not reported as unknown.
    unknown = "" if isinstance(own, Mapping) else "variable-unknown"
    problems += [problem for problem in filling.findings() if problem.rule != unknown]
    # A field whose variable has no value would only repeat that finding in other words.
    spoilt = {place[:3] if place[0] == "nodes" else place[:1] for place in filling.spoilt}
    head, head_problems = _head(filled)
    problems += [
        _with_variable(problem, (), raw, filling.names)
        for problem in head_problems
        if (problem.field.split(".")[0],) not in spoilt
    ]
    listed = filled.get("nodes", {})
    if "nodes" not in filled or not isinstance(listed, Mapping):
        description = f"is {kind_of(listed)}" if "nodes" in filled else "is missing"
        if ("nodes",) not in spoilt:
            problems.append(Problem("nodes", f'"nodes" {description}', 'write "nodes": {"a name": {"kind": …}, …}',
                                    field="nodes"))  # fmt: skip
        listed = {}
    nodes: dict[str, Node] = {}
    for name, fields in listed.items():
        if ("nodes", name) in spoilt:
            continue
        node, node_problems = build_node(
            name, fields, {place[2] for place in spoilt if place[:2] == ("nodes", name)}
        )
        problems += [_with_variable(problem, ("nodes", name), raw, filling.names) for problem in node_problems]
        if node is not None:
            nodes[name] = node
    if problems:
        raise DocumentError(replace(problem, place=place) for problem in _in_order(problems, filled, listed))
    assert head is not None
    return Document(head, nodes, place, _paths(raw.get("nodes")))


def _paths(listed: Any) -> dict[str, str]:
    pairs = listed.items() if isinstance(listed, Mapping) else ()
    paths = ((name, fields.get("path")) for name, fields in pairs if isinstance(fields, Mapping))
    return {name: path for name, path in paths if isinstance(path, str)}


def _with_variable(
    problem: Problem, place: tuple[str, ...], raw: Mapping[str, Any], known: Collection[str]
) -> Problem:
    """The finding, and which variable brought the value that it is about, or should have."""
    here: Any = raw
    for part in (*place, *(problem.field.split(".") if problem.field else ())):
        if isinstance(here, list | tuple) and part.isdigit() and int(part) < len(here):
            here = here[int(part)]
        elif isinstance(here, Mapping) and part in here:
            here = here[part]
        else:
            break
    whole = re.fullmatch(REFERENCE, here) if isinstance(here, str) else None
    if whole is not None:
        return replace(problem, message=f'{problem.message}, from variable "{here[2:-1]}"')
    braces = re.search(r'"\{([A-Za-z_]\w*)\}"', problem.message)
    if braces is not None and isinstance(here, str) and not problem.way_out and braces[1] in known:
        return replace(problem, way_out=f"a variable is written ${{{braces[1]}}}")
    return problem


def _given(variables: Mapping[str, Any], problems: list[Problem]) -> dict[str, Any]:
    """Variables from Python, as JSON data."""
    values = {}
    for name, value in variables.items():
        try:
            values[str(name)] = plain(value)
        except BadValueError as error:
            problems.append(Problem("variable-value", f'the variable "{name}" {error.message}',
                                    "give it text, a number, true or false, a list or an object",
                                    field=f"variables.{name}"))  # fmt: skip
    return values


def _in_order(problems: list[Problem], filled: Mapping[str, Any], listed: Mapping[str, Any]) -> list[Problem]:
    """Findings once each, in the order of the document; what is missing comes after what is there."""
    heads, nodes = list(filled), list(listed)

    def position(problem: Problem) -> tuple[int, int]:
        first = problem.field.split(".")[0]
        if not problem.node:
            return (-1, heads.index(first) if first in heads else len(heads))
        fields = list(listed[problem.node]) if isinstance(listed.get(problem.node), Mapping) else []
        node = nodes.index(problem.node) if problem.node in nodes else len(nodes)
        return (node, fields.index(first) if first in fields else len(fields))

    return sorted(dict.fromkeys(problems), key=position)


def _head(filled: Mapping[str, Any]) -> tuple[Head | None, list[Problem]]:
    head, problems = validate(Head, {key: value for key, value in filled.items() if key != "nodes"}, "",
                              "a graph", [*field_names(Head), "nodes"])  # fmt: skip
    as_text = 'write them as a text, such as "1001-1008"'
    return head, [
        replace(p, way_out=as_text) if (p.field, p.way_out) == ("frames", "give a text") else p for p in problems
    ]


def build_node(name: str, fields: Any, spoilt: Collection[str] = ()) -> tuple[Node | None, list[Problem]]:
    """A typed node, or what is wrong with it.

    Args:
        name: the node's name.
        fields: its JSON object, variables filled in.
        spoilt: fields whose values are not known, and which get no finding.
    """
    if not name or len(name) > _LONGEST_NAME or not name.isprintable() or name != name.strip():
        problem = Problem("node-name", f"{shown(name)} is not a name for a node",
                          f"a name is 1 to {_LONGEST_NAME} printable characters, without spaces around them",
                          field="nodes", pointer_override=pointer_to(("nodes", name)))  # fmt: skip
        return None, [problem]
    if not isinstance(fields, Mapping):
        return None, [Problem("node", f"is {kind_of(fields)}, not an object", 'write {"kind": …}', node=name)]
    if "kind" in spoilt:
        return None, []
    word = fields.get("kind")
    kind = KINDS.get(word) if isinstance(word, str) else None
    if kind is None:
        problem = KINDS.why_not(word)
        if "kind" not in fields:
            problem = replace(problem, message='the field "kind" is missing')
        elif not isinstance(word, str):
            problem = replace(problem, message=f"there is no kind {shown(word)}")
        return None, [replace(problem, node=name, field="kind")]
    article = "an" if kind.kind_name()[0] in "aeiou" else "a"
    package = str(KINDS.origin(kind.kind_name()) or "")
    node, problems = validate(kind, fields, name, f"{article} {word} node", field_names(kind), package)
    problems = [p for p in problems if p.field.split(".")[0] not in spoilt and (p.field or not spoilt)]
    return node, problems
