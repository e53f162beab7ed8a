"""What there is to say about a kind of node, made from its class: for ``stackcomp kinds`` and the manual.

Everything comes from where it is enforced: the class's docstring, its ports, numbers, fields and source.
"""

from __future__ import annotations

import inspect
import types
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import to_jsonable_python

from stackcomp.data.numbers import Number, number_of
from stackcomp.data.port_types import Colour
from stackcomp.nodes.base import Adjustable, AreaNode, Node, PixelNode, Port, SinkNode, SourceNode, ViewNode
from stackcomp.nodes.kinds import KINDS

__all__ = ["KindText", "ParameterText", "PortText", "describe", "port_words", "summary_of"]


@dataclass(frozen=True)
class PortText:
    """An input: its name, what it takes, what it is for, and whether it may be left open."""

    name: str
    takes: str
    doc: str
    required: bool


@dataclass(frozen=True)
class ParameterText:
    """A parameter.

    Attributes:
        name: as a graph holds it.
        values: what may be written, in words.
        unit: of the numbers, or empty.
        default: value when left out; ``None`` also where it must be given.
        required: whether it must be given.
        keyed: whether it may change over frames.
        doc: what it does.
    """

    name: str
    values: str
    unit: str
    default: Any
    required: bool
    keyed: bool
    doc: str


@dataclass(frozen=True)
class KindText:
    """Everything about a kind.

    ``example`` is a node as a graph holds it; ``package`` is the package, with its version, of a kind that is not
    built in.
    """

    kind: str
    summary: str
    text: str
    works_on: str
    adjustable: bool
    ports: tuple[PortText, ...]
    parameters: tuple[ParameterText, ...]
    source: str
    example: dict[str, Any]
    package: str = ""

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return asdict(self)


def describe(kind: type[Node]) -> KindText:
    """Everything about a kind, from its class."""
    ports = kind.ports()
    required = {name: info.is_required() for name, info in kind.model_fields.items()}
    return KindText(
        kind=kind.kind_name(),
        summary=summary_of(kind),
        text=_text(kind),
        works_on=_works_on(kind),
        adjustable=issubclass(kind, Adjustable),
        ports=tuple(
            PortText(name, port_words(ports[name]), ports[name].doc, required[name]) for name in _last(ports)
        ),
        parameters=tuple(
            _parameter(name, kind.model_fields[name])
            for name in _last(kind.model_fields)
            if name not in ports and name not in ("kind", "about")
        ),
        source=kind.source_of_maths,
        example=_example(kind),
        package=str(KINDS.origin(kind.kind_name()) or ""),
    )


def _last(names: Iterable[str]) -> list[str]:
    """The names, what all adjustable kinds have at the end."""
    return sorted(names, key=lambda name: name in Adjustable.model_fields)


def summary_of(kind: type[Node]) -> str:
    """The first line of a kind's text."""
    return _text(kind).split("\n", 1)[0]


def _text(kind: type[Node]) -> str:
    # Docstrings mark code as reStructuredText does; what people read has plain marks.
    return inspect.cleandoc(kind.__doc__ or "").replace("``", "`")


def port_words(port: Port) -> str:
    """What a port takes, in words."""
    names = {"matte": "a matte", "ratio": "a ratio", "port": "anything"}
    words = []
    for accepted in port.accepts:
        if accepted is not Colour:
            word = getattr(accepted, "name", "port")
            words.append(names.get(word, word))
            continue
        states = {"none": "colour without alpha"}
        alphas = [states.get(state, f"{state} colour") for state in port.alpha or ()] or ["colour"]
        words.append(" or ".join(alphas) + (", scene-linear" if port.linear else ""))
    return ("any number of nodes: each " if port.many else "") + " or ".join(words)


def _works_on(kind: type[Node]) -> str:
    if issubclass(kind, AreaNode) and issubclass(kind, PixelNode):
        # Without kernels for areas, it asks for whole strips only because a library works on them.
        wide = kind.kernels is not AreaNode.kernels
        return "works on one pixel at a time" + (", or reads those around it, by its parameters" if wide else "")
    families: tuple[tuple[type[Node], str], ...] = (
        (SourceNode, "makes or reads a picture"),
        (SinkNode, "takes a picture out of the graph"),
        (ViewNode, "chooses planes and computes nothing"),
        (AreaNode, "reads the pixels around each pixel"),
        (PixelNode, "works on one pixel at a time"),
    )
    return next((words for family, words in families if issubclass(kind, family)), "")


def _parameter(name: str, info: FieldInfo) -> ParameterText:
    number = number_of(info.metadata)
    default = None if info.is_required() else info.get_default(call_default_factory=True)
    return ParameterText(
        name=info.alias or name,
        values=_number_words(number) if number else _values(info.annotation, info.metadata),
        unit=number.unit if number else "",
        default=to_jsonable_python(default),
        required=info.is_required(),
        keyed=number is not None,
        doc=(number.doc if number else info.description) or "",
    )


def _number_words(number: Number) -> str:
    shape = {1: "a number", 3: "a number, or three for R G B"}.get(number.size, f"a list of {number.size} numbers")
    limits = number.limits
    if limits and number.size > 1:
        return f"{shape}, each {limits}"
    return f"{shape} {limits}" if limits else f"{shape}, in {number.unit}" if number.unit else shape


def _range(low: float | None, high: float | None, above: float | None, below: float | None) -> str:
    if low is not None and high is not None:
        return f", {low:g} to {high:g}"
    parts = ((low, "from"), (above, "above"), (high, "up to"), (below, "below"))
    bounds = [f"{word} {bound:g}" for bound, word in parts if bound is not None]
    return f", {' and '.join(bounds)}" if bounds else ""


def _values(annotation: Any, metadata: list[Any]) -> str:
    """A plain type in words."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _values(inner[0], [*inner[1:], *metadata])
    if origin in (Union, types.UnionType):
        return " or ".join(_values(part, metadata) for part in inner if part is not type(None))
    if origin is Literal:
        return " or ".join(str(choice) for choice in inner)
    if origin is list or (origin is tuple and inner[-1] is Ellipsis):
        return f"a list of {_plural(_values(inner[0], []))}"
    if origin is tuple:
        parts = [_values(part, metadata) for part in inner]
        if len(set(parts)) == 1:
            return f"a list of {len(parts)} {_plural(parts[0])}"
        return f"a list of {len(parts)}: {', '.join(parts)}"
    if origin is dict:
        return f"an object of {_values(inner[1], metadata)}"
    if annotation in (int, float):
        bounds = {
            bound: getattr(item, bound)
            for bound, kind in (("ge", Ge), ("gt", Gt), ("le", Le), ("lt", Lt))
            for item in metadata
            if isinstance(item, kind)
        }
        shape = "a whole number" if annotation is int else "a number"
        return shape + _range(bounds.get("ge"), bounds.get("le"), bounds.get("gt"), bounds.get("lt"))
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "an object"
    return {str: "text", bool: "true or false"}.get(annotation, "JSON")


def _plural(values: str) -> str:
    """Values in words, as parts of a list; ``(…)`` where one word does not say it."""
    for one, many in (("a whole number", "whole numbers"), ("a number", "numbers"), ("a list", "lists")):
        if values == one or values.startswith((f"{one},", f"{one} of ")):
            return many + values.removeprefix(one)
    return {"text": "texts", "an object": "objects"}.get(values, f"({values})")


#: Example values of required fields that are not ports; lists of numbers by their length.
_EXAMPLES: dict[str, Any] = {
    "path": "plates/lantern.{frame:04d}.exr",
    "size": [1920, 1080],
    "names": ["lantern_glass"],
    "focal": [1920.0, 1920.0],
    "shapes": [{"points": [[640, 300], [1180, 320], [960, 820]]}],
    "grain_floor": [0.002, 0.002, 0.002],
    "strokes": [{"radius": 20, "points": [[640, 300], [1180, 320]]}],
}
#: What a sink writes lies elsewhere than plates.
_WRITTEN = {"path": "out/lantern.{frame:04d}.exr"}
_NUMBERS: dict[int, Any] = {
    1: 1.0,
    2: [0.0, 0.0],
    3: [1.0, 1.0, 1.0],
    9: [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0],
}


def _example(kind: type[Node]) -> dict[str, Any]:
    """A node that can be pasted into a graph: what must be given, each port fed by a node of its own name.

    Plain numbers stand in it as they are when left out, to be changed. Where the kind has rules between its
    fields, the first field that satisfies them is added, and numbers that need another field are left out.
    """
    ports, numbers = kind.ports(), kind.numbers_declared()
    node: dict[str, Any] = {"kind": kind.kind_name()}
    more: list[dict[str, Any]] = [{}]
    plain: dict[str, Any] = {}
    for name, info in kind.model_fields.items():
        alias, number = info.alias or name, numbers.get(name)
        if info.is_required():
            node[alias] = _something(name, info, number)
            if name in ports:
                node[alias] = [name] if ports[name].many else name
            if issubclass(kind, SinkNode):
                node[alias] = _WRITTEN.get(name, node[alias])
        elif name in _EXAMPLES:
            more.append({alias: _EXAMPLES[name]})
        elif number is not None and info.default is None:
            more.append({alias: _numbers(number.size)})
        elif number is not None and number.size in (1, 3) and name != "amount":
            plain[alias] = list(info.default) if isinstance(info.default, tuple) else info.default
    # Ports that may be left out come last: where one of several is needed, it is the first of them.
    more += [{name: [name] if port.many else name} for name, port in ports.items() if name not in node]
    extra = next((fields for fields in more if _valid(kind, {**node, **fields})), {})
    for alias, value in plain.items():
        if alias not in extra and _valid(kind, {**node, **extra, alias: value}):
            node[alias] = value
    return {**node, **extra}


def _something(name: str, info: FieldInfo, number: Number | None) -> Any:
    """An example value of a required field that is not a port."""
    if name in _EXAMPLES:
        return _EXAMPLES[name]
    if number is not None:
        return _numbers(number.size)
    if get_origin(info.annotation) is Literal:
        return get_args(info.annotation)[0]
    return {str: "text", bool: True, int: 1}.get(info.annotation, 1.0)  # type: ignore[arg-type]


def _numbers(size: int) -> Any:
    return _NUMBERS.get(size, [0.0] * size)


def _valid(kind: type[Node], node: dict[str, Any]) -> bool:
    try:
        kind.model_validate(node)
    except ValidationError:
        return False
    return True
