"""Pydantic's findings in our own words.

JSON is judged strictly: a text is not a number, and 1 is not true. Several findings about one value, as a field
that may hold one of two types gives, become one.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Collection, Iterator, Mapping
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from stackcomp.data.numbers import number_of
from stackcomp.errors import BadValueError, BugError, Problem, did_you_mean, kind_of, pointer_to, shown

__all__ = ["field_names", "validate"]

_Model = TypeVar("_Model", bound=BaseModel)
_Place = tuple[str | int, ...]

_EXPECTED = {
    "string_type": "a text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "dict_type": "an object",
    "list_type": "a list",
    "tuple_type": "a list",
    "model_type": "an object",
    "none_required": "null",
}
_LIMITS = {
    "greater_than_equal": ("ge", "below the smallest value {}", "give {} or more"),
    "less_than_equal": ("le", "above the largest value {}", "give {} or less"),
    "greater_than": ("gt", "but must be larger than {}", "give more"),
    "less_than": ("lt", "but must be less than {}", "give less"),
}


def field_names(model: type[BaseModel]) -> list[str]:
    """Names of a model's fields as JSON has them."""
    return [info.alias or name for name, info in model.model_fields.items()]


def validate(
    model: type[_Model],
    fields: Mapping[str, Any],
    node: str,
    subject: str,
    choices: Collection[str],
    package: str = "",
) -> tuple[_Model | None, list[Problem]]:
    """The model made from a JSON object, or what is wrong with that.

    Args:
        model: pydantic model that forbids other fields.
        fields: the JSON object.
        node: name of the node for the findings, or empty.
        subject: what has these fields, for messages, such as ``a read node``.
        choices: names of all fields that may stand there.
        package: the package that the model comes from, where that is not this program, for bugs.

    Raises:
        BugError: a validator of the model raised an exception that no value should cause.
    """
    # The names of attributes are ours alone: the model would take `as_` for `as`.
    inner = [name for name in model.model_fields if name not in choices and name in fields]
    problems = [_unknown((name,), node, subject, choices) for name in inner]
    known = {key: value for key, value in fields.items() if key not in inner}
    text = json.dumps(known)
    where = f'node "{node}"' if node else subject
    try:
        made = model.model_validate_json(text, strict=True)
    except ValidationError as error:
        by_place: dict[_Place, list[ErrorDetails]] = {}
        for item in error.errors(include_url=False):
            cause = item.get("ctx", {}).get("error")
            if isinstance(cause, Exception) and _is_bug(cause):
                raise BugError(where, cause, package=package) from cause
            by_place.setdefault(_place(item, known), []).append(item)
        for place, items in by_place.items():
            problems.append(_problem(model, place, items, known, node, subject, choices))
        return None, problems
    except (BugError, MemoryError, Warning):
        raise
    except Exception as error:
        raise BugError(where, error, package=package) from error
    return (None if problems else made), problems


def _is_bug(cause: Exception) -> bool:
    """Whether an exception that a validator raised is a bug.

    Validators raise BadValueError for values that do not fit. An AssertionError, or a ValueError of another class,
    such as those of decoding and of arrays that do not match, was not raised for the user.
    """
    return not isinstance(cause, BadValueError)


def _place(item: ErrorDetails, fields: Mapping[str, Any]) -> _Place:
    """Where in the JSON the finding is: pydantic's own path also names branches of unions."""
    place: list[str | int] = []
    here: Any = fields
    for part in item["loc"]:
        if isinstance(here, Mapping) and part in here:
            here = here[str(part)]
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        elif item["type"] == "missing" and isinstance(here, Mapping):
            return (*place, part)
        else:
            break
        place.append(part)
    return tuple(place)


def _at(fields: Any, place: _Place) -> Any:
    for part in place:
        fields = fields[part]
    return fields


def _unknown(place: _Place, node: str, subject: str, choices: Collection[str]) -> Problem:
    way_out = did_you_mean(str(place[-1]), list(choices)) or f"its fields are {', '.join(choices)}"
    return Problem("field-unknown", f'{subject} has no field "{place[-1]}"', way_out, node=node,
                   field=_dotted(place), pointer_override=_pointer(node, place))  # fmt: skip


def _problem(
    model: type[BaseModel], place: _Place, items: list[ErrorDetails], fields: Mapping[str, Any], node: str,
    subject: str, choices: Collection[str],
) -> Problem:  # fmt: skip
    first = items[0]
    if first["type"] == "extra_forbidden":
        part = _part(model, place[:-1])
        if part is not None:
            subject, choices = f'"{_dotted(place[:-1])}"', field_names(part)
        return _unknown(place, node, subject, choices)
    field = _dotted(place)
    if first["type"] == "missing" and (not place or place[-1] not in _keys(_at(fields, place[:-1]))):
        return Problem("field-missing", f'{subject} needs the field "{field}"',
                       _add(model, str(place[0])) if len(place) == 1 else f'add "{place[-1]}"',
                       node=node, field=field, pointer_override=_pointer(node, place))  # fmt: skip
    rule, message, way_out = _says(items, _at(fields, place))
    if rule == "type" and len(place) == 1 and any(_docs(_info(model, place[0]).metadata)):
        way_out = "give the name of a node"
    label = (
        f'item {place[-1] + 1} of "{_dotted(place[:-1])}"'
        if place and isinstance(place[-1], int)
        else f'"{field}"'
    )
    if message.split(" ")[0] in ("is", "has", "holds", "wants") and place:
        message = f"{label} {message}"
    elif place and not message.startswith(f"{place[0]} "):
        message = f"{label}: {message}"
    return Problem(rule, message, way_out, node=node, field=field, pointer_override=_pointer(node, place))


def _says(items: list[ErrorDetails], value: Any) -> tuple[str, str, str]:
    """Return rule, message and way out for all findings about one value."""
    first = items[0]
    kind, context = first["type"], first.get("ctx", {})
    own = context.get("error")
    if isinstance(own, BadValueError):
        return "value", own.message, own.way_out
    if kind == "literal_error":
        words = [quoted or plain for quoted, plain in re.findall(r"'([^']*)'|(\d+)", str(context["expected"]))]
        near = did_you_mean(value, words) if isinstance(value, str) and value not in words else ""
        return "choice", f"is {shown(value)}, which is not one of its choices", \
            near or f"choose from {', '.join(shown(_number(word)) for word in words)}"  # fmt: skip
    if kind in _LIMITS:
        name, message, way_out = _LIMITS[kind]
        limit = context[name]
        return "value", f"is {shown(value)}, {message.format(limit)}", way_out.format(limit)
    if isinstance(value, list) and kind in ("missing", "too_long", "too_short"):
        count = context.get("max_length", context.get("min_length", len(value) + len(items)))
        return "value", f"is a list of {len(value)}", f"give a list of {count}"
    expected = list(dict.fromkeys(word for item in items if (word := _EXPECTED.get(item["type"]))))
    if expected == ["a text"] and isinstance(value, int | float) and not isinstance(value, bool):
        return "type", f"is the number {shown(value)}", f'put it in quotes: "{shown(value)}"'
    if expected:
        return "type", f"is {shown(value)}, {_but(value, expected)}", f"give {' or '.join(expected)}"
    return "value", f"is {shown(value)}, which does not fit here", ""


def _but(value: Any, expected: list[str]) -> str:
    """Return what a value is instead of the expected type."""
    if isinstance(value, float):
        if not math.isfinite(value):
            return "not a finite number"
        if "a whole number" in expected:
            return "not a whole number"
    return "which is nothing" if value is None else f"which is {kind_of(value)}"


def _number(word: str) -> int | str:
    return int(word) if word.isdigit() else word


def _add(model: type[BaseModel], name: str) -> str:
    """What to write for a field that is missing."""
    info = _info(model, name)
    number = number_of(info.metadata)
    about = number.doc if number else info.description or next(_docs(info.metadata), "")
    return f'add "{name}"' + (f": {about[:1].lower()}{about[1:].rstrip('.')}" if about else "")


def _info(model: type[BaseModel], name: str | int) -> FieldInfo:
    """The declaration of a field, by its name in JSON."""
    by_alias = {info.alias or attribute: info for attribute, info in model.model_fields.items()}
    return by_alias[str(name)]


def _part(model: type[BaseModel], place: _Place) -> type[BaseModel] | None:
    """The model of an object within a field, by its place in the JSON; None at the top, or of several."""
    part = None
    for name in place:
        if isinstance(name, str):
            info = {info.alias or attribute: info for attribute, info in model.model_fields.items()}.get(name)
            models = list(_models(info.annotation)) if info else []
            if len(models) != 1:
                return None
            model = part = models[0]
    return part


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Yield the models that a type is made of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models(inner)


def _docs(metadata: list[Any]) -> Iterator[str]:
    """Yield what the ports of a field are for."""
    for item in metadata:
        if hasattr(item, "accepts"):
            yield f"the name of a node ({item.doc})"


def _keys(value: Any) -> Collection[Any]:
    return value if isinstance(value, Mapping) else range(len(value)) if isinstance(value, list) else ()


def _dotted(place: _Place) -> str:
    return ".".join(str(part) for part in place)


def _pointer(node: str, place: _Place) -> str:
    return pointer_to((*(("nodes", node) if node else ()), *place))
