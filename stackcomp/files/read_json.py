"""JSON as strict as a document needs: no repeated keys, no NaN, no bottomless nesting."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from stackcomp.errors import BadValueError, DocumentError, Problem, kind_of
from stackcomp.files.json_mistakes import explain, repeated_keys
from stackcomp.files.paths import alike, nearby

__all__ = ["parse_json", "read_json"]


#: Lists and objects inside each other, at the most; no graph needs a tenth of it.
DEEPEST = 64


#: What every half of a character is written with, in a text that has none itself.
_MAY_BE_HALF = re.compile(r"\\u[dD]")


class _RepeatedKeyError(ValueError):
    pass


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members: dict[str, Any] = {}
    for key, value in pairs:
        if key in members:
            raise _RepeatedKeyError(key)
        members[key] = value
    return members


def _constant(word: str) -> Any:
    raise BadValueError(f"{word} is not a number that JSON has", "write a plain number")


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise BadValueError(f"{digits[:40]} is larger than any number can be", "write a smaller number")
    return number


def _whole(digits: str) -> int:
    try:
        return int(digits)
    except ValueError:
        # Python reads no whole number of more than some thousand digits.
        raise BadValueError("the file holds a number of thousands of digits", "write a plain number") from None


#: What a file may hold: the word for it, and how it is written.
_WRITTEN = {
    "graph": "a graph is written { … }",
    "variables": 'variables are written {"name": value, …}',
    "sequence": 'a sequence is written {"stackcomp_sequence": 1, …}',
    "track": 'a track is written {"stackcomp_track": 1, …}; stackcomp track makes one',
    "camera": 'a camera is written {"stackcomp_camera": 1, …}; stackcomp camera makes one',
    "grain": 'grain is written {"stackcomp_grain": 1, …}; stackcomp match grain --to makes one',
    "lens": 'a lens is written {"stackcomp_lens": 1, …}; stackcomp match lens makes one',
    "shapes": 'shapes are written {"stackcomp_shapes": 1, …}',
    "manifest": 'a manifest is written {"name": "8 hexadecimal digits", …}',
    "thresholds": 'thresholds are written {"check": {"limit": number, …}, …}; --show-thresholds prints them all',
}
Holds = Literal[
    "graph", "variables", "sequence", "thresholds", "track", "camera", "grain", "lens", "shapes", "manifest"
]


def parse_json(text: str, place: str, holds: Holds = "graph") -> dict[str, Any]:
    """The object in a text.

    Args:
        text: the JSON.
        place: file name for messages.
        holds: what the text should be, for messages.

    Raises:
        DocumentError: not JSON, a key that stands twice in one object, NaN or Infinity, nested more than
            `DEEPEST` deep, not an object.
    """
    try:
        document = json.loads(text, object_pairs_hook=_pairs, parse_constant=_constant, parse_int=_whole)
        _fit(document, text)
    except json.JSONDecodeError as error:
        mistakes = explain(text, error)
        problems = [Problem("json", mistake.message, mistake.way_out or _WRITTEN[holds]) for mistake in mistakes]
    except _RepeatedKeyError:
        problems = [
            Problem(
                "json-repeated-key",
                f'the key "{key}" stands {_times(lines)} in one object, in {_lines(lines)}',
                "keep one of them, or rename the others",
            )
            for key, lines in repeated_keys(text)
        ]
    except RecursionError:
        problems = [Problem("json", *_TOO_DEEP)]
    except BadValueError as error:
        problems = [Problem("json", error.message, error.way_out)]
    else:
        if isinstance(document, dict):
            return document
        problems = [Problem("json", f"the file holds {kind_of(document)}, not an object", _WRITTEN[holds])]
    raise DocumentError(replace(problem, place=place) for problem in problems)


def _times(lines: Sequence[int]) -> str:
    return "twice" if len(lines) == 2 else f"{len(lines)} times"


def _lines(lines: Sequence[int]) -> str:
    distinct = list(dict.fromkeys(lines))
    if len(distinct) == 1:
        return f"line {distinct[0]}"
    return f"lines {', '.join(map(str, distinct[:-1]))} and {distinct[-1]}"


_TOO_DEEP = (
    f"lists and objects in the file are nested more than {DEEPEST} deep",
    "a graph needs no more than a few; the file is probably something else",
)


def _fit(document: Any, text: str) -> None:
    """Refuse what later stages and terminals cannot handle.

    Args:
        document: what the text holds.
        text: the JSON.
    """
    level = [document] if isinstance(document, dict | list) else []
    for _ in range(DEEPEST - 1):
        inside = [held.values() if type(held) is dict else held for held in level]
        if any(math.inf in items or -math.inf in items for items in inside):
            # Read once more, to say which: a call for each number takes as long as all the rest.
            json.loads(text, parse_float=_finite)
        level = [item for items in inside for item in items if type(item) is list or type(item) is dict]
        if not level:
            break
    else:
        raise BadValueError(*_TOO_DEEP)
    try:
        text.encode()
        if _MAY_BE_HALF.search(text):
            json.dumps(document, ensure_ascii=False).encode()
    except UnicodeEncodeError as error:
        lone = error.object[error.start : error.end]
        raise BadValueError(
            f"the file holds {ascii(lone)[1:-1]}, half of a character", "write the character itself"
        ) from None


def read_json(path: str | Path, holds: Holds = "graph") -> dict[str, Any]:
    """The object in a file.

    Args:
        path: the file.
        holds: what the file should be, for messages.

    Raises:
        DocumentError: as `parse_json`, and where the file cannot be read as UTF-8 text.
    """
    file = _FILES[holds]
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise DocumentError(
            Problem("file", f"the {file} cannot be read: {reason}", _nearby(Path(path), holds), place=str(path))
        ) from None
    picture = next((format for start, format in _PICTURES.items() if data.startswith(start)), None)
    if picture is not None:
        raise DocumentError(
            Problem("json", f"the file is a picture ({picture}), not a {file}", _WRITTEN[holds], place=str(path))
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DocumentError(
            Problem("json", f"the file is not UTF-8 text: {error.reason} at byte {error.start}",
                    "save the file as UTF-8", place=str(path))
        ) from None  # fmt: skip
    return parse_json(text, str(path), holds)


_PICTURES = {
    b"\x76\x2f\x31\x01": "OpenEXR",
    b"\x89PNG": "PNG",
    b"\xff\xd8\xff": "JPEG",
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
}
#: Larger files are not read only for a suggestion.
_LARGEST_LOOKED_INTO = 1_000_000


def _nearby(path: Path, holds: Holds) -> str:
    """Names alike of files of the same kind: graphs are not offered where variables were asked for."""
    if path.is_dir() or not path.parent.is_dir():
        return nearby(path)
    # Files of thresholds and manifests have no sign of their own, like those of variables.
    looked_for = ("variables" if holds in ("thresholds", "manifest") else holds, "")
    others = [name for name in _json_files(path.parent) if _holds(path.parent / name) in looked_for]
    return alike(path.name, others) if others else f'the folder "{path.parent}" holds no {_FILES[holds]}'


_FILES = {
    "graph": "graph",
    "variables": "file of variables",
    "sequence": "sequence file",
    "thresholds": "file of thresholds",
    "track": "track",
    "camera": "camera",
    "grain": "grain file",
    "lens": "lens file",
    "shapes": "file of shapes",
    "manifest": "manifest",
}


def _json_files(folder: Path) -> list[str]:
    try:
        return sorted(item.name for item in folder.iterdir() if item.suffix.lower() == ".json" and item.is_file())
    except OSError:
        return []


def _holds(path: Path) -> Holds | Literal[""]:
    """Return what a JSON file holds; empty where that is not known."""
    try:
        if path.stat().st_size > _LARGEST_LOOKED_INTO:
            return ""
        document = json.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return ""
    for kind in ("sequence", "track", "camera", "lens", "shapes"):
        if isinstance(document, dict) and f"stackcomp_{kind}" in document:
            return kind
    return (
        "graph" if isinstance(document, dict) and ("stackcomp" in document or "nodes" in document) else "variables"
    )
