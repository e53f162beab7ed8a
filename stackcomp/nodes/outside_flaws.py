"""What keeps a class of another package from being a kind.

Everything that can be known without a graph is looked at when the class is loaded, so that a mistake in it is told
by its name, and not by a node that fails later. What depends on types at its ports is left to the laws
(`stackcomp.testing`).
"""

from __future__ import annotations

import inspect
import json
import warnings
from collections.abc import Iterator
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic.fields import FieldInfo
from pydantic_core import to_jsonable_python

from stackcomp.data.numbers import number_of
from stackcomp.data.port_types import Colour, Depth, Matte, Ratio
from stackcomp.errors import StackcompError, cut
from stackcomp.nodes.base import Adjustable, AreaNode, Node, PixelNode, Port, SinkNode, SourceNode, ViewNode
from stackcomp.nodes.pixel import PixelFunction

__all__ = ["flaws_of", "said_by"]

_FAMILIES = (SourceNode, ViewNode, PixelNode, AreaNode, SinkNode)
#: What a family leaves to its kinds.
_METHODS: dict[type[Node], tuple[str, ...]] = {
    Node: ("result",),
    SourceNode: ("produce",),
    ViewNode: ("picks",),
    AreaNode: ("needs", "compute"),
    SinkNode: ("outputs", "write"),
}
#: Arguments that a port brings to a pixel function.
_LANES = {Colour: 4, Matte: 1, Ratio: 3, Depth: 1}


def flaws_of(word: str, made: object) -> list[str]:
    """What keeps an object from being the kind of that word; nothing where it is one."""
    if not isinstance(made, type) or not issubclass(made, Node):
        return ["is not a class that derives from stackcomp.nodes.Node"]
    try:
        # Annotations may name what stands further down in the module.
        made.model_rebuild()
        return list(_flaws(word, made)) or list(_of_json(made))
    except Exception as error:  # a class may be anything
        return [f"cannot be used: {said_by(error)}"]


def said_by(error: BaseException) -> str:
    """An exception of a package on one line."""
    text = str(error)
    if isinstance(error, StackcompError):
        return cut(text.replace("\n  ", "; "), 400)
    # The libraries' own exceptions go on with an address on the web.
    return f"{type(error).__name__}: {cut(text.partition(chr(10) * 2)[0], 200)}".removesuffix(": ")


def _flaws(word: str, made: type[Node]) -> Iterator[str]:
    if not issubclass(made, _FAMILIES) or made in _FAMILIES:
        names = ", ".join(family.__name__ for family in _FAMILIES)
        yield f"derives from none of {names}"
    kind = made.model_fields["kind"]
    if get_args(kind.annotation) != (word,) or kind.default != word:
        yield f'needs the field kind: Literal["{word}"] = "{word}"'
    if not inspect.cleandoc(vars(made).get("__doc__") or "").strip():
        yield "has no docstring, which `stackcomp kinds` shows"
    if inspect.isabstract(made):
        yield "is abstract"
    changed = [name for name, value in Node.model_config.items() if made.model_config.get(name) != value]
    if changed:
        yield f"changes {', '.join(changed)} of the model_config that all kinds share"
    yield from _of_fields(made)
    yield from _of_methods(made)
    if issubclass(made, PixelNode) and made.pixel_function is PixelNode.pixel_function:
        yield from _of_function(made)


def _of_fields(made: type[Node]) -> Iterator[str]:
    names = [info.alias or name for name, info in made.model_fields.items()]
    yield from (f'has two fields "{name}"' for name in dict.fromkeys(names) if names.count(name) > 1)
    families = [family for family in made.__mro__ if family.__module__ == Node.__module__]
    for family in families:
        for name, info in getattr(family, "model_fields", {}).items():
            if name != "kind" and _role(info) != _role(made.model_fields[name]):
                yield f'changes the field "{name}", which it has of {family.__name__}'
    for name, info in made.model_fields.items():
        if any(name in vars(family) for family in families):
            yield f'its field "{name}" hides what kinds have under that name'
        if any(isinstance(item, Port) for item in info.metadata) and not _holds_a_name(info.annotation):
            yield f'its port "{name}" must be str, or str | None'


def _role(info: FieldInfo) -> tuple[object, ...]:
    """What the engine takes a field for."""
    port = any(isinstance(item, Port) for item in info.metadata)
    number = number_of(info.metadata)
    plain = None if port or number else info.annotation
    return info.alias, port, number is not None and number.size, plain


def _holds_a_name(annotation: Any) -> bool:
    if get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    parts = set(get_args(annotation)) if get_origin(annotation) in (Union, UnionType) else {annotation}
    return parts - {NoneType} == {str}


def _of_methods(made: type[Node]) -> Iterator[str]:
    for family, methods in _METHODS.items():
        if issubclass(made, family):
            yield from (
                f"does not say its {method}"
                for method in methods
                if getattr(made, method) is getattr(family, method)
            )
    if made.ports():
        return
    if not issubclass(made, SourceNode):
        yield "has no port"
    elif made.frame_window is Node.frame_window:
        yield "has no port, and does not say its frame_window"


def _of_function(made: type[PixelNode]) -> Iterator[str]:
    """What is wrong with a function that is the same whatever the types are."""
    function: Any = made.function
    if not isinstance(function, PixelFunction):
        yield "has no pixel function" if function is None else "its function is not marked with @pixel"
        return
    try:
        # It is parsed already; what it calls may still get a wrong number of values.
        function(*[0.5] * len(function.arguments))
    except ArithmeticError:
        pass
    except Exception as error:
        yield f"its pixel function {function.name} fails: {said_by(error)}"
    if issubclass(made, Adjustable) and function.lanes_out != 3:
        yield f"its pixel function {function.name} returns {function.lanes_out} values, not R, G and B"
    lanes = 0
    for name, port in made.ports().items():
        if port.many:
            return
        if issubclass(made, Adjustable) and name in ("within", made.adjusts):
            lanes += 0 if name == "within" else 3 + made.sees_coverage
            continue
        counts = {_LANES.get(accepted) for accepted in port.accepts}
        (count,) = counts if len(counts) == 1 else (None,)
        if count is None or (issubclass(made, Adjustable) and not made.model_fields[name].is_required()):
            return
        lanes += count
    numbers = len(function.arguments) - lanes
    if numbers < 0 or (numbers > 0 and made.numbers is PixelNode.numbers):
        has = "it has no numbers" if numbers > 0 else "numbers come after them"
        takes = f"its pixel function {function.name} takes {len(function.arguments)} values"
        yield f"{takes}, but its ports give {lanes}, and {has}"


def _of_json(made: type[Node]) -> Iterator[str]:
    """Whether a graph, and its schema, can hold its fields and their defaults."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            made.model_json_schema(by_alias=True)
            for info in made.model_fields.values():
                if not info.is_required():
                    json.dumps(to_jsonable_python(info.get_default(call_default_factory=True)), allow_nan=False)
    except Exception as error:  # libraries have many
        yield f"has a field that JSON cannot hold: {said_by(error)}"
