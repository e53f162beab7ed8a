"""Dumps as the page needs them: read from disk, with a default for every field that an older dump lacks."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stackcomp.compare.dumps import dumps_in
from stackcomp.errors import Problem, RequestError
from stackcomp.files.colour import DEFAULT_CONFIG

__all__ = ["Dump", "read_dumps"]


@dataclass(frozen=True)
class Dump:
    """One frame of one state of a graph.

    Attributes:
        folder: where its pictures are.
        frame: frame number.
        report: what its ``nodes.json`` holds.
        entries: the nodes by name, in the graph's order.
    """

    folder: Path
    frame: int
    report: dict[str, Any]
    entries: dict[str, dict[str, Any]]

    @property
    def colour_config(self) -> str:
        """Name or path of the colour config."""
        return str(self.report.get("colour_config") or DEFAULT_CONFIG)


def read_dumps(folders: Sequence[Path], what: str = "dumps") -> list[Dump]:
    """Read dumps, in the order of their frames.

    Args:
        folders: each a dump, or a folder with one dump a frame.
        what: the argument, for messages.

    Raises:
        RequestError: no dump is given, a folder is none, or two dumps are of the same frame.
    """
    dumps: dict[int, Dump] = {}
    for folder in folders:
        for frame, (place, report) in dumps_in(folder).items():
            if frame in dumps and dumps[frame].folder.resolve() != place.resolve():
                raise RequestError(
                    Problem(
                        "dump",
                        f"{what}: {dumps[frame].folder} and {place} are both of frame {frame}",
                        "give one dump for each frame",
                    )
                )
            dumps[frame] = Dump(place, frame, report, _entries(place, report))
    return [dumps[frame] for frame in sorted(dumps)]


def _entries(place: Path, report: dict[str, Any]) -> dict[str, dict[str, Any]]:
    entries: dict[str, dict[str, Any]] = {}
    for number, entry in enumerate(report["nodes"]):
        name = entry.get("name") if isinstance(entry, dict) else None
        if not isinstance(name, str):
            seen = json.dumps(entry)[:60]
            message = f"{place / 'nodes.json'}, /nodes/{number}: {seen} has no name"
            raise RequestError(Problem("dump", message, "write the dump again"))
        entries[name] = entry
    return entries
