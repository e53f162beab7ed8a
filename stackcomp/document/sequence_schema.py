"""JSON Schema (draft 2020-12) of sequence files, made from the models that read them."""

from __future__ import annotations

from typing import Any

from stackcomp.document.deliveries import DELIVERIES
from stackcomp.document.sequence import VERSION, CutFile, SequenceHead, ShotFields
from stackcomp.files.mark import program

__all__ = ["sequence_schema"]

Schema = dict[str, Any]


def sequence_schema() -> Schema:
    """The schema of a sequence file, as JSON data."""
    shared: Schema = {}
    head = _model(SequenceHead, shared)
    head["properties"]["cut"]["anyOf"] = [{"type": "string"}, _model(CutFile, shared)]
    head["properties"]["shots"] = {
        "description": "The shots by name, in their order.",
        "type": "object",
        "propertyNames": {"pattern": r"^[^\s/\\:*?\"<>|{}$%]([^/\\:*?\"<>|{}$%]*[^\s/\\:*?\"<>|{}$%])?$"},
        "additionalProperties": _model(ShotFields, shared),
    }
    head["properties"]["deliveries"] = {
        "description": "Movies and contact sheets by name.",
        "type": "object",
        "additionalProperties": _delivery(shared),
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        # By this a file of it is known as ours.
        "$comment": program(),
        "title": f"stackcomp sequence, format version {VERSION}",
        **head,
        "$defs": shared,
    }


def _delivery(shared: Schema) -> Schema:
    """Any delivery: the word of the kind, then what that kind says, so that a message is about the wrong field."""
    for word, model in DELIVERIES.items():
        made = _model(model, shared)
        made["properties"]["kind"] = {"const": word}
        made["required"] = ["kind", *made.get("required", [])]
        shared[word] = made
    return {
        "type": "object",
        "properties": {"kind": {"description": "What is made.", "enum": list(DELIVERIES)}},
        "required": ["kind"],
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": word}}, "required": ["kind"]},
                "then": {"$ref": f"#/$defs/{word}"},
            }
            for word in DELIVERIES
        ],
    }


def _model(model: Any, shared: Schema) -> Schema:
    """The schema of a model, without titles that only repeat names; what it refers to goes to ``shared``."""
    made: Schema = model.model_json_schema(by_alias=True)
    shared.update(made.pop("$defs", {}))
    made.pop("title", None)
    made["properties"] = {name: _tidy(field) for name, field in made["properties"].items()}
    made["description"] = str(model.__doc__).splitlines()[0]
    return made


def _tidy(field: Schema) -> Schema:
    kept = {word: value for word, value in field.items() if word != "title"}
    if kept.get("default", "") in (None, "", {}, []):
        kept.pop("default", None)
    return kept
