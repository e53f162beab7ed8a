"""What dumps say about themselves: their ``nodes.json``, and the order of their nodes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import networkx as nx

from stackcomp.errors import DocumentError, Problem, RequestError, cut
from stackcomp.files.read_json import read_json

__all__ = ["Report", "data_order", "dumps_in", "is_dump", "reports_in"]

_REPORT, _UNFINISHED = "nodes.json", "nodes.unfinished.json"
#: The form of ``nodes.json`` that this module knows.
_FORM = 1
_OBJECTS = ("inputs", "parameters", "files", "type", "data_window", "channels")
_OF_TEXTS = ("inputs", "files")
_AGAIN = "write the dump again"


@dataclass(frozen=True)
class Report:
    """The dump of one frame.

    Attributes:
        folder: where it is.
        frame: the frame.
        data: what ``nodes.json`` holds.
        nodes: its nodes by name.
    """

    folder: Path
    frame: int
    data: dict[str, Any]
    nodes: dict[str, dict[str, Any]]

    def picture(self, node: str) -> Path | None:
        """The OpenEXR file of a node; None where the dump did not come to it."""
        name = self.nodes[node].get("files", {}).get("exr")
        return None if name is None else self.folder / name


def is_dump(path: str | PathLike[str]) -> bool:
    """Whether a folder is a dump, or a folder of dumps."""
    return Path(path).is_dir() and bool(_reports(Path(path)))


def _reports(folder: Path) -> list[Path]:
    own = folder / _REPORT
    return [own] if own.is_file() else sorted(folder.glob(f"*/{_REPORT}"))


def dumps_in(path: str | PathLike[str]) -> dict[int, tuple[Path, dict[str, Any]]]:
    """The dumps of a folder by frame: each folder, and what its ``nodes.json`` holds.

    Raises:
        RequestError: as `reports_in`.
    """
    return {frame: (report.folder, report.data) for frame, report in reports_in(path).items()}


def reports_in(path: str | PathLike[str]) -> dict[int, Report]:
    """The dumps of a folder by frame, in the order of the frames.

    Raises:
        RequestError: it is not a dump, or its report cannot be understood.
    """
    folder = Path(path)
    found: dict[int, Report] = {}
    for path in _reports(folder):
        report = _read(path)
        if report.frame in found:
            message = f"{folder} holds two dumps of frame {report.frame}: {found[report.frame].folder.name}, "
            raise _wrong(f"{message}{report.folder.name}", "name one of them")
        found[report.frame] = report
    if not found:
        if (folder / _UNFINISHED).is_file():
            raise _wrong(f"the dump in {folder} has not ended", _AGAIN)
        raise _wrong(f"{folder} is a folder that holds no dump", f"name the folder of a dump, with {_REPORT}")
    return dict(sorted(found.items()))


def _read(path: Path) -> Report:
    try:
        data: Any = read_json(path)
    except DocumentError as error:
        raise _wrong(f"{path} cannot be read: {error}", _AGAIN) from None
    form = data.get("dump") if isinstance(data, dict) else None
    if isinstance(form, int) and form > _FORM:
        raise _wrong(f"{path} has form {form}; this program knows form {_FORM}", "update stackcomp")
    if not isinstance(data, dict) or not isinstance(data.get("nodes"), list):
        raise _wrong(f"{path} is not the report of a dump", "name the folder of a dump")
    frame = data.get("frame")
    if not isinstance(frame, int) or isinstance(frame, bool):
        raise _wrong(f"{path}, /frame: {cut(json.dumps(frame), 60)} is not a frame number", _AGAIN)
    nodes: dict[str, dict[str, Any]] = {}
    for number, entry in enumerate(data["nodes"]):
        name = entry.get("name") if isinstance(entry, dict) else None
        if not isinstance(name, str):
            raise _wrong(f"{path}, /nodes/{number}: {cut(json.dumps(entry), 60)} has no name", _AGAIN)
        for field in _OBJECTS:
            value = entry.get(field, {})
            texts = list(value.values()) if isinstance(value, dict) and field in _OF_TEXTS else []
            if not isinstance(value, dict) or not all(isinstance(text, str) for text in texts):
                raise _wrong(
                    f"{path}, /nodes/{number}/{field}: {cut(json.dumps(value), 60)} cannot be understood", _AGAIN
                )
        nodes[name] = entry
    return Report(path.parent, frame, data, nodes)


def data_order(*reports: Mapping[str, Any]) -> list[str]:
    """Names of all nodes as pictures pass through the graph; where that leaves a choice, as in the reports."""
    graph: nx.DiGraph[str] = nx.DiGraph()
    for report in reports:
        graph.add_nodes_from(entry["name"] for entry in report["nodes"])
    for report in reports:
        for entry in report["nodes"]:
            for source in entry.get("inputs", {}).values():
                # Two graphs in one may have a cycle that neither has.
                if source in graph and not nx.has_path(graph, entry["name"], source):
                    graph.add_edge(source, entry["name"])
    place = {name: number for number, name in enumerate(graph)}
    return list(nx.lexicographical_topological_sort(graph, key=place.__getitem__))


def _wrong(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("dump", message, way_out))
