"""JSON as strict as a document needs: no repeated keys, no NaN, no bottomless nesting."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from stackcomp.errors import DocumentError, Problem

__all__ = ["parse_json", "read_json"]


class _RepeatedKeyError(ValueError):
    pass


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise _RepeatedKeyError(key)
        found[key] = value
    return found


def _constant(word: str) -> Any:
    raise ValueError(f"{word} is not a number that JSON has")


def parse_json(text: str, place: str) -> dict[str, Any]:
    """The object in a text.

    Raises:
        DocumentError: not JSON, a key that stands twice in one object, NaN or Infinity, not an object.
    """
    try:
        document = json.loads(text, object_pairs_hook=_pairs, parse_constant=_constant)
    except json.JSONDecodeError as error:
        problem = Problem("json", f"not JSON: {error.msg} at line {error.lineno}, column {error.colno}",
                          "mend the file there", place=place)  # fmt: skip
    except _RepeatedKeyError as error:
        problem = Problem("json-repeated-key", f'the key "{error}" stands twice in one object',
                          "keep one of the two", place=place)  # fmt: skip
    except RecursionError:
        problem = Problem("json", "the file is nested too deeply to be a graph", "", place=place)
    except ValueError as error:
        problem = Problem("json", f"not JSON: {error}", "write a plain number", place=place)
    else:
        if isinstance(document, dict):
            return document
        problem = Problem("json", f"the file holds a {type(document).__name__}, not an object",
                          "a graph is written { … }", place=place)  # fmt: skip
    raise DocumentError(problem)


def read_json(path: str | Path) -> dict[str, Any]:
    """The object in a file.

    Raises:
        DocumentError: as `parse_json`, and where the file cannot be read as UTF-8 text.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise DocumentError(
            Problem("json", f"not UTF-8 text: {error.reason} at byte {error.start}",
                    "save the file as UTF-8", place=str(path))
        ) from None  # fmt: skip
    except OSError as error:
        raise DocumentError(
            Problem("file", f"cannot read the file: {error.strerror or error}", "", place=str(path))
        ) from None
    return parse_json(text, str(path))
