"""What was found, kept as variables for graphs.

A file of findings is a JSON object. Each finding is a variable that a graph takes as ``${name}``; under ``found``
stand, by the same names, the numbers that it was found from: files, areas, means, residuals; and under
``written by`` the program. Several matches may write into one file, each replacing only its own variables, so that
the next shot of the same place starts from it.

Where several variables come of one match, its record stands once, under the first of them, and the others refer
to it::

    "found": {"gain": {"match": "grey", …}, "stops": {"found_with": "gain"}}

Files in which each variable has a copy of the record are read too, and brought into this form when they are
written again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from stackcomp.document.read_json import read_json
from stackcomp.errors import DocumentError, Problem
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import program

__all__ = ["keep", "ready", "record_of"]

_WITH, _BY = "found_with", "written by"


def ready(path: str | Path, names: Iterable[str]) -> dict[str, Any]:
    """What a file of findings holds, after a look whether variables of these names may be kept in it.

    Args:
        path: the file; one that is missing holds nothing.
        names: of the variables to be kept.

    Raises:
        DocumentError: it is no JSON object, or a graph, or holds a variable of such a name that was not found by
            measuring.
    """
    path = Path(path)
    # An empty file holds nothing, as one that is missing.
    told: dict[str, Any] = read_json(path) if path.exists() and path.stat().st_size else {}
    if "nodes" in told and ("stackcomp" in told or "dump" in told):
        message = "the file is a graph or the report of a dump, not a file of variables"
        raise DocumentError(Problem("findings", message, "write to another file", field="nodes", place=str(path)))
    found = told.get("found", {})
    if not isinstance(found, dict):
        message = '"found" is not an object, so this is no file of findings'
        raise DocumentError(Problem("findings", message, "write to another file", field="found", place=str(path)))
    own = next((name for name in names if name in told and name not in found), None)
    if own is not None:
        message = f'the file holds "{own}": {told[own]!r}, which was not found by measuring'
        way_out = "keep the new one under another name with --as, or in another file"
        raise DocumentError(Problem("findings", message, way_out, field=own, place=str(path)))
    return told


def keep(path: str | Path, variables: Mapping[str, Any], found_from: Mapping[str, Any]) -> None:
    """Write variables into a file of findings, which stays whole whatever happens.

    Args:
        path: the file; made where missing.
        variables: name → value of JSON type.
        found_from: what they were found from; kept once.

    Raises:
        DocumentError: as `ready`; the file is left alone.
        FileError: the disk does not want.
    """
    path = Path(path)
    told = {**ready(path, variables), **variables}
    records = {name: record_of(told, name) for name in told.get("found", {}) if name != _BY}
    told["found"] = {_BY: program(), **_once({**records, **{name: dict(found_from) for name in variables}})}
    text = json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")


def record_of(told: Mapping[str, Any], name: str) -> Any:
    """What a variable was found from, in a file of either form.

    Args:
        told: what the file holds.
        name: of the variable.

    Returns:
        The record; None where there is none of that name.
    """
    found = told.get("found", {})
    record = found.get(name)
    leads_to = record.get(_WITH) if isinstance(record, dict) and set(record) == {_WITH} else None
    # One step is enough: a reference never leads to another one.
    return found.get(leads_to, record) if isinstance(leads_to, str) else record


def _once(records: Mapping[str, Any]) -> dict[str, Any]:
    """Each record under the first of its variables; from the others a reference to that one."""
    kept: dict[str, Any] = {}
    for name, record in records.items():
        same = [other for other, known in kept.items() if known == record and isinstance(record, dict)]
        kept[name] = {_WITH: same[0]} if same else record
    return kept
