"""JSON Schema (draft 2020-12) of graph files, for editors and validators.

Made from the same models that read a graph, so the two cannot drift apart. Each kind is an alternative that
the word under ``"kind"`` decides. Two things are added to what the models say: every value of a parameter may
also be ``"${variable}"``, and ports tell what they accept. Rules between fields of a node, and between nodes,
are beyond a schema; ``stackcomp check`` knows them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stackcomp.document.model import Head
from stackcomp.document.upgrade import CURRENT
from stackcomp.document.variables import REFERENCE
from stackcomp.files.mark import program
from stackcomp.nodes.base import Node
from stackcomp.nodes.description import describe, port_words, summary_of
from stackcomp.nodes.kinds import KINDS

__all__ = ["graph_schema"]

Schema = dict[str, Any]

_VARIABLE = {"$ref": "#/$defs/variable"}
#: Where a schema holds other schemas: one, a list of them, or a mapping to them.
_ONE, _LISTS, _MAPPINGS = ("items", "additionalProperties"), ("anyOf", "prefixItems"), ("properties",)


def graph_schema() -> Schema:
    """The schema of a whole graph file, as JSON data."""
    head = Head.model_json_schema(by_alias=True)
    shared: Schema = dict(head.get("$defs", {}))
    kinds = {f"kind-{word}": _kind(word, kind, shared) for word, kind in KINDS.items()}
    properties = {name: _tidy(field) for name, field in head["properties"].items()}
    properties["nodes"] = {
        "description": "The nodes by name. A port of one holds the name of another.",
        "type": "object",
        "propertyNames": {"pattern": r"^\S(.*\S)?$", "maxLength": 200},
        "additionalProperties": {"$ref": "#/$defs/node"},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        # By this a file of it is known as ours.
        "$comment": program(),
        "title": f"stackcomp graph, format version {CURRENT}",
        "type": "object",
        "properties": properties,
        "required": ["stackcomp", "nodes"],
        "additionalProperties": False,
        "$defs": {
            "node": _node(),
            "variable": {
                "description": "The value of a variable.",
                "type": "string",
                "pattern": REFERENCE,
            },
            **shared,
            **kinds,
        },
    }


def _node() -> Schema:
    """Any node: the word of the kind, then what that kind says.

    Conditions instead of a plain ``oneOf``: a validator then speaks of the field that is wrong, not of all
    the kinds that the node is not.
    """
    words = [{"const": word, "description": summary_of(kind)} for word, kind in KINDS.items()]
    return {
        "type": "object",
        "properties": {"kind": {"description": "What the node does.", "oneOf": words}},
        "required": ["kind"],
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": word}}, "required": ["kind"]},
                "then": {"$ref": f"#/$defs/kind-{word}"},
            }
            for word in KINDS
        ],
    }


def _kind(word: str, kind: type[Node], shared: Schema) -> Schema:
    # Classes of different packages may have the same name.
    own = "" if KINDS.origin(word) is None else f"{word}-"
    made = kind.model_json_schema(by_alias=True, ref_template=f"#/$defs/{own}{{model}}")
    shared.update({f"{own}{name}": inner for name, inner in made.get("$defs", {}).items()})
    ports = kind.ports()
    properties: Schema = {}
    for name, info in kind.model_fields.items():
        alias = info.alias or name
        field = _tidy(made["properties"][alias])
        if name == "kind":
            properties[alias] = {"const": word}
        elif name in ports:
            spec = ports[name]
            properties[alias] = {"description": f"{spec.doc}. Takes {port_words(spec)}.".lstrip(". "), **field}
        else:
            properties[alias] = _or_variable(field)
    return {
        "title": word,
        "description": describe(kind).text,
        "type": "object",
        "properties": properties,
        "required": ["kind", *made.get("required", [])],
        "additionalProperties": False,
    }


def _tidy(schema: Mapping[str, Any]) -> Schema:
    """Without titles that only repeat names, and without defaults that only say "left out"."""
    kept = {word: value for word, value in schema.items() if word != "title"}
    if kept.get("default", "") in (None, ""):
        kept.pop("default", None)
    return kept


def _or_variable(schema: Schema) -> Schema:
    """The schema of a value that may also be a variable, in every place that holds more than free text."""
    inner = _inside(schema)
    if inner.get("type") == "string" and "enum" not in inner and "pattern" not in inner:
        return inner
    notes: Schema = {word: inner.pop(word) for word in ("description", "default") if word in inner}
    choices = inner["anyOf"] if set(inner) == {"anyOf"} else [inner]
    if any(choice.get("type") == "string" and "enum" not in choice for choice in choices):
        return {**notes, **inner}
    return {**notes, "anyOf": [*choices, _VARIABLE]}


def _inside(schema: Schema) -> Schema:
    result = dict(schema)
    for word in _ONE:
        if isinstance(result.get(word), dict):
            result[word] = _or_variable(result[word])
    for word in _LISTS:
        if word in result:
            # An alternative is the same value over again, so only what lies inside it is treated.
            treat = _inside if word == "anyOf" else _or_variable
            result[word] = [treat(part) for part in result[word]]
    for word in _MAPPINGS:
        if word in result:
            result[word] = {name: _or_variable(part) for name, part in result[word].items()}
    return result
