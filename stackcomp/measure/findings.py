"""Results of measuring and matching, kept as variables for graphs.

A file of findings is a JSON object. Each finding is a variable that a graph takes as ``${name}``. The key
``found`` holds a record for each variable (files, areas, means, residuals), and under ``written by`` the program.
Several matches may write into one file. Each replaces only its own variables, so that the next shot of the same
place starts from it.

Where one match gives several variables, its record stands once, under the first of them, and the others refer to
it::

    "found": {"gain": {"command": "match grey", …}, "stops": {"found_with": "gain"}}

Files in which each variable has a copy of the record are read too, and brought into this form when they are
written again.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike
from stackcomp.errors import ArgumentError, Problem, RequestError, cut
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import program
from stackcomp.files.read_json import read_json

__all__ = ["can_be_named", "ready", "record_of", "write_findings"]

_WITH, _BY, _FOUND = "found_with", "written by", "found"
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def can_be_named(name: object) -> bool:
    """Whether a variable of a file of findings can have this name."""
    return isinstance(name, str) and _NAME.fullmatch(name) is not None and name != _FOUND


def ready(path: PathLike, names: Iterable[str], *, name_option: str = "") -> dict[str, Any]:
    """The content of a file of findings, if variables of these names can be written into it.

    Args:
        path: the file; one that is missing or empty holds nothing.
        names: of the variables to be written.
        name_option: the option of a command that gives other names, for the message.

    Raises:
        DocumentError: it is not a JSON object.
        RequestError: it is a graph, or holds a variable of such a name that was not found by measuring.
    """
    path = Path(path)
    held: dict[str, Any] = read_json(path) if path.exists() and path.stat().st_size else {}
    if "nodes" in held and ("stackcomp" in held or "dump" in held):
        message = "the file is a graph or the report of a dump, not a file of variables"
        raise RequestError(Problem("findings", message, "write to another file", field="nodes", place=str(path)))
    records = held.get(_FOUND, {})
    if not isinstance(records, dict):
        message = '"found" is not an object, so this is not a file of findings'
        raise RequestError(Problem("findings", message, "write to another file", field=_FOUND, place=str(path)))
    own = next((name for name in names if name in held and name not in records), None)
    if own is not None:
        message = f'the file holds "{own}": {held[own]!r}, which was not found by measuring'
        option = f" with {name_option}" if name_option else ""
        way_out = f"keep the new one under another name{option}, or in another file"
        raise RequestError(Problem("findings", message, way_out, field=own, place=str(path)))
    return held


def write_findings(path: PathLike, variables: Mapping[str, Any], record: Mapping[str, Any]) -> None:
    """Write variables into a file of findings, beside what it holds already.

    The old file stays whole until the new one is.

    Args:
        path: the JSON file; made where missing.
        variables: name → number, list or text, as a graph takes them: ``{"gain": list(match.gain)}``.
        record: what they were found from, such as ``match.as_dict()``; kept once.

    Raises:
        ArgumentError: a name that no variable can have, or a value that JSON cannot hold.
        DocumentError: the file is not a JSON object.
        RequestError: the file is a graph, or holds a variable of such a name that was not found by measuring.
        FileError: the file cannot be written.
    """
    path = arguments.file_path(path)
    for what, given in (("variables", variables), ("record", record)):
        if not isinstance(given, Mapping):
            raise ArgumentError(what, f"{arguments.value_text(given)} is not a mapping", "give a dict")
    for name in variables:
        if not can_be_named(name):
            way_out = 'use letters, digits and _, a letter first; "found" is taken by the file itself'
            raise ArgumentError("variables", f"{cut(repr(name), 60)} cannot be the name of a variable", way_out)
    variables, record = _plain(variables, "variables"), _plain(record, "record")
    held = {**ready(path, variables), **variables}
    records = {name: record_of(held, name) for name in held.get(_FOUND, {}) if name != _BY}
    held[_FOUND] = {_BY: program(), **_once({**records, **{name: dict(record) for name in variables}})}
    text = json.dumps(held, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")


def _plain(given: Mapping[str, Any], what: str) -> dict[str, Any]:
    """The same as JSON data: tuples become lists.

    Raises:
        ArgumentError: JSON cannot hold it.
    """
    try:
        plain: dict[str, Any] = json.loads(json.dumps(dict(given), allow_nan=False))
    except (TypeError, ValueError) as error:
        # The json module raises these for values that JSON cannot hold.
        raise ArgumentError(what, f"JSON cannot hold it: {error}", "give numbers, lists and texts") from None
    return plain


def record_of(held: Mapping[str, Any], name: str) -> Any:
    """The record of a variable, in a file of either form.

    Args:
        held: the content of the file.
        name: of the variable.

    Returns:
        The record; None where no record has that name.
    """
    records = held.get(_FOUND, {})
    record = records.get(name)
    refers_to = record.get(_WITH) if isinstance(record, dict) and set(record) == {_WITH} else None
    # One step is enough: a reference never leads to another one.
    return records.get(refers_to, record) if isinstance(refers_to, str) else record


def _once(records: Mapping[str, Any]) -> dict[str, Any]:
    """Each record under the first of its variables, and references to that one under the others."""
    kept: dict[str, Any] = {}
    for name, record in records.items():
        same = [other for other, known in kept.items() if known == record and isinstance(record, dict)]
        kept[name] = {_WITH: same[0]} if same else record
    return kept
