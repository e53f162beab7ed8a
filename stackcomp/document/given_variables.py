"""Variables as callers give them: a mapping, the path of a JSON file that holds one, or a list of these.

Of a list the later win. Everything here raises `ArgumentError` for what makes no sense.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

from stackcomp.data.arguments import file_path, value_text
from stackcomp.errors import ArgumentError
from stackcomp.files.paths import nearby
from stackcomp.files.read_json import read_json

__all__ = ["files_among", "variables"]


def variables(given: Any) -> dict[str, Any]:
    """Values by name; None gives none."""
    if given is None:
        return {}
    merged: dict[str, Any] = {}
    for part in given if isinstance(given, list | tuple) else [given]:
        merged.update(_variables(part))
    return merged


def files_among(given: Any) -> list[str | os.PathLike[str]]:
    """The files among what `variables` takes."""
    parts = given if isinstance(given, list | tuple) else [given]
    return [part for part in parts if isinstance(part, str | os.PathLike)]


def _variables(part: Any) -> Mapping[str, Any]:
    if isinstance(part, Mapping):
        odd = next((name for name in part if not isinstance(name, str)), None)
        if odd is not None:
            raise ArgumentError("variables", f"{value_text(odd)} is not the name of a variable", "names are texts")
        return part
    if not isinstance(part, str | os.PathLike):
        raise ArgumentError(
            "variables",
            f"{value_text(part)} holds no variables",
            'give {"name": value}, the path of a JSON file, or a list of these',
        )
    path = file_path(part, "variables")
    if not path.is_file():
        raise ArgumentError("variables", f"there is no file {path}", nearby(path) or "name a JSON file")
    return read_json(path)
