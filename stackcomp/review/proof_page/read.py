"""Dumps as the page needs them: read from disk, with a default for every field that an older dump lacks."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stackcomp.compare.dumps import dumps_in
from stackcomp.errors import Problem, RequestError, cut
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


def _list_of_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(text, str) for text in value)


def _object_of_texts(value: Any) -> bool:
    return isinstance(value, dict) and _list_of_texts(list(value.values()))


#: What the page takes from a node's entry beyond what `dumps_in` has checked: field, and whether a value can be
#: understood. A field may be missing or null.
_FIELDS: dict[str, Callable[[Any], bool]] = {
    "input_types": _object_of_texts,
    "warnings": _list_of_texts,
    "id_channels": _list_of_texts,
    "seconds": lambda value: isinstance(value, (int, float)) and not isinstance(value, bool) and value >= 0,
    "type/name": lambda value: isinstance(value, str),
    "type/encoding": _object_of_texts,
}


def _entries(place: Path, report: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The nodes by name; their names and objects were checked by `dumps_in`."""
    if not isinstance(report.get("warnings") or [], list):
        raise _not_understood(place, "/warnings", report["warnings"])
    for number, entry in enumerate(report["nodes"]):
        for field, understood in _FIELDS.items():
            value: Any = entry
            for part in field.split("/"):
                value = (value or {}).get(part)
            if value is not None and not understood(value):
                raise _not_understood(place, f"/nodes/{number}/{field}", value)
    return {entry["name"]: entry for entry in report["nodes"]}


def _not_understood(place: Path, where: str, value: Any) -> RequestError:
    message = f"{place / 'nodes.json'}, {where}: {cut(json.dumps(value), 60)} cannot be understood"
    return RequestError(Problem("dump", message, "write the dump again"))
