"""JSON as strict as a document needs: no repeated keys, no NaN, no bottomless nesting."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from stackcomp.errors import BadValueError, DocumentError, Problem, kind_of
from stackcomp.files.paths import nearby

__all__ = ["parse_json", "read_json"]


#: Lists and objects inside each other, at the most; no graph needs a tenth of it.
DEEPEST = 64


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
    raise BadValueError(f"{word} is not a number that JSON has", "write a plain number")


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise BadValueError(f"{digits[:40]} is larger than any number can be", "write a smaller number")
    return number


def parse_json(text: str, place: str) -> dict[str, Any]:
    """The object in a text.

    Raises:
        DocumentError: not JSON, a key that stands twice in one object, NaN or Infinity, nested more than
            `DEEPEST` deep, not an object.
    """
    try:
        document = json.loads(text, object_pairs_hook=_pairs, parse_constant=_constant, parse_float=_finite)
        _fit(document)
    except json.JSONDecodeError as error:
        said = error.msg[:1].lower() + error.msg[1:]
        seen = f"the file is not JSON: {said} at line {error.lineno}, column {error.colno}"
        problem = Problem(
            "json", seen, "mend it there; commas stand between items, not after the last", place=place
        )
    except _RepeatedKeyError as error:
        problem = Problem("json-repeated-key", f'the key "{error}" stands twice in one object',
                          "keep one of the two", place=place)  # fmt: skip
    except RecursionError:
        problem = Problem("json", *_TOO_DEEP, place=place)
    except BadValueError as error:
        problem = Problem("json", error.message, error.way_out, place=place)
    except ValueError:
        # Python reads no whole number of more than some thousand digits.
        problem = Problem("json", "the file holds a number of thousands of digits", "write a plain number",
                          place=place)  # fmt: skip
    else:
        if isinstance(document, dict):
            return document
        problem = Problem("json", f"the file holds {kind_of(document)}, not an object",
                          "a graph is written { … }", place=place)  # fmt: skip
    raise DocumentError(problem)


_TOO_DEEP = (
    f"lists and objects in the file are nested more than {DEEPEST} deep",
    "a graph needs no more than a few; the file is probably something else",
)


def _fit(document: Any) -> None:
    """Refuse what later stages and terminals would stumble over."""
    level = [document]
    for _ in range(DEEPEST):
        level = [item for held in level for item in _held(held)]
        if not level:
            break
    else:
        raise BadValueError(*_TOO_DEEP)
    try:
        json.dumps(document, ensure_ascii=False).encode()
    except UnicodeEncodeError as error:
        lone = error.object[error.start : error.end]
        raise BadValueError(
            f"the file holds {ascii(lone)[1:-1]}, half of a character", "write the character itself"
        ) from None


def _held(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return list(value.values())
    return value if isinstance(value, list) else []


def read_json(path: str | Path) -> dict[str, Any]:
    """The object in a file.

    Raises:
        DocumentError: as `parse_json`, and where the file cannot be read as UTF-8 text.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise DocumentError(
            Problem("json", f"the file is not UTF-8 text: {error.reason} at byte {error.start}",
                    "save the file as UTF-8", place=str(path))
        ) from None  # fmt: skip
    except OSError as error:
        raise DocumentError(
            Problem(
                "file",
                f"the graph cannot be read: {(error.strerror or str(error)).lower()}",
                nearby(path),
                place=str(path),
            )
        ) from None
    return parse_json(text, str(path))
