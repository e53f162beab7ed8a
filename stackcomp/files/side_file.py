"""Small JSON files that a node takes numbers from: tracks, cameras, shapes, grain.

Each is a pydantic model with a version under ``stackcomp_<what it holds>``. A file is read once for each state
that it has, and all of a frame comes from one state.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel

from stackcomp.errors import DocumentError, FileError, Problem
from stackcomp.files.file_state import FileState, file_state, one_state
from stackcomp.files.read_json import Holds, read_json
from stackcomp.files.validate import field_names, validate

__all__ = ["side_file"]

_Model = TypeVar("_Model", bound=BaseModel)
#: Findings about one file that a message has room for.
_MOST_TOLD = 3


def side_file(
    path: Path, model: type[_Model], holds: Holds, opened: dict[Path, FileState] | None = None
) -> _Model:
    """Return what a file holds.

    Args:
        path: the file.
        model: pydantic model that forbids other fields; its docstring is for programmers, ``holds`` for users.
        holds: what the file should be, for messages.
        opened: files of a frame and their states; the file's own is added, or must be the one that is there.

    Raises:
        FileError: it cannot be read, is no such JSON, or a value does not fit; places are JSON pointers.
        FileChangedError: it has another state than in ``opened``.
    """
    state = (opened or {}).get(path) or file_state(path)
    with one_state(path, state):
        made = _read(path, state, model, holds)
    if opened is not None:
        opened[path] = state
    assert isinstance(made, model)
    return made


@lru_cache(maxsize=64)
def _read(path: Path, state: FileState, model: type[BaseModel], holds: Holds) -> BaseModel:
    try:
        fields = read_json(path, holds)
    except DocumentError as error:
        raise _told(path, error.problems) from None
    word = holds if holds in ("shapes", "grain") else f"a {holds}"
    made, problems = validate(model, fields, "", word, field_names(model))
    if made is None:
        raise _told(path, problems)
    return made


def _told(path: Path, problems: list[Problem]) -> FileError:
    """The first findings as one error; each with its place in the file."""
    texts = []
    for problem in problems[:_MOST_TOLD]:
        pointer = problem.pointer_override or ""
        texts.append(f"{pointer}: {problem.message}" if pointer else problem.message)
    more = len(problems) - len(texts)
    return FileError(path, "; ".join(texts) + (f"; and {more} more" if more > 0 else ""), problems[0].way_out)
