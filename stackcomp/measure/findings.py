"""What was found, kept as variables for graphs.

A file of findings is a JSON object. Each finding is a variable that a graph takes as ``${name}``; under ``found``
stand, by the same names, the numbers that it was found from: files, areas, means, residuals; and under
``written by`` the program. Several matches may write into one file, each replacing only its own variables, so that
the next shot of the same place starts from it.
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

__all__ = ["keep", "ready"]


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
        found_from: what they were found from; kept under each variable's name.

    Raises:
        DocumentError: as `ready`; the file is left alone.
        FileError: the disk does not want.
    """
    path = Path(path)
    told = {**ready(path, variables), **variables}
    records = {name: dict(found_from) for name in variables}
    told["found"] = {**told.get("found", {}), "written by": program(), **records}
    text = json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")
