"""Two dumps, node by node: which node is the first that differs.

A dump is a folder with ``nodes.json`` (`stackcomp.review.dump`), or a folder of such folders, one a frame. Nodes
are taken in the order in which pictures pass through the graph, so that the first that differs is the cause of
what follows, as far as dumps can tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any

import networkx as nx

from stackcomp.compare.files import compare_files
from stackcomp.compare.pictures import PictureComparison
from stackcomp.compare.tolerance import Tolerances
from stackcomp.document.read_json import read_json
from stackcomp.errors import DocumentError, FileError, Problem, RequestError

__all__ = ["DumpComparison", "NodeComparison", "compare_dumps", "data_order", "dumps_in", "is_dump"]

_REPORT = "nodes.json"


@dataclass(frozen=True)
class NodeComparison:
    """How one node differs at one frame.

    Attributes:
        node: its name.
        frame: of the dump.
        state: ``"both"``; ``"first"`` or ``"second"`` where only one of the dumps has the node; ``"unfinished"``
            where its picture is missing in one of them, as after a failure.
        picture: the comparison of its pictures, or None.
        changes: what was changed in the graph at this node: field → its value in the first and in the second.
        reason: why its pictures cannot be compared, or empty.
        files: its pictures, where both dumps have them.
    """

    node: str
    frame: int
    state: str
    picture: PictureComparison | None = None
    changes: Mapping[str, tuple[Any, Any]] = field(default_factory=dict)
    reason: str = ""
    files: tuple[Path, Path] | None = None

    @property
    def equal(self) -> bool:
        """Whether its picture is there in both, and equal. Changes of the graph alone are not a difference."""
        return self.picture is not None and self.picture.equal

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "node": self.node,
            "frame": self.frame,
            "state": self.state,
            "equal": self.equal,
            "reason": self.reason,
            "changes": {name: list(values) for name, values in self.changes.items()},
            "picture": None if self.picture is None else self.picture.as_dict(),
        }

    def __str__(self) -> str:
        lines = [f"frame {self.frame}, node {self.node}"]
        if self.state in ("first", "second"):
            lines[0] += f": only in the {self.state}"
        elif self.reason:
            lines[0] += f": {self.reason}"
        lines += [f"  {name}: {a!r} / {b!r}" for name, (a, b) in self.changes.items()]
        lines += [f"  {line}" for line in (self.picture.differences if self.picture is not None else ())]
        return "\n".join(lines)


@dataclass(frozen=True)
class DumpComparison:
    """How two dumps differ.

    Attributes:
        nodes: comparisons of all nodes, frame by frame, in the order in which pictures pass through the graph.
        missing: frames that only one of them has: those that the first, and that the second does not have.
    """

    nodes: tuple[NodeComparison, ...]
    missing: tuple[tuple[int, ...], tuple[int, ...]] = ((), ())

    @property
    def equal(self) -> bool:
        """Whether all nodes of all frames are equal."""
        return not any(self.missing) and all(node.equal for node in self.nodes)

    @property
    def different(self) -> tuple[NodeComparison, ...]:
        """Nodes that differ."""
        return tuple(node for node in self.nodes if not node.equal)

    @property
    def first_different(self) -> NodeComparison | None:
        """The first node that differs."""
        return next(iter(self.different), None)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        first = self.first_different
        return {
            "equal": self.equal,
            "first_different": None if first is None else {"node": first.node, "frame": first.frame},
            "missing": {"first": list(self.missing[0]), "second": list(self.missing[1])},
            "nodes": [node.as_dict() for node in self.nodes],
        }

    def __str__(self) -> str:
        if self.equal:
            return f"equal, {len(self.nodes)} nodes"
        lines = [
            f"the {which} has no frame {', '.join(map(str, frames))}"
            for which, frames in zip(("first", "second"), self.missing, strict=True)
            if frames
        ]
        if self.different:
            lines.append(f"{len(self.different)} of {len(self.nodes)} nodes differ; the first:")
            lines.append(str(self.different[0]))
            others = list(dict.fromkeys(node.node for node in self.different[1:]))
            if others:
                more = f" and {len(others) - 12} more" if len(others) > 12 else ""
                lines.append(f"then {', '.join(others[:12])}{more}")
        return "\n".join(lines)


def is_dump(path: str | PathLike[str]) -> bool:
    """Whether a folder is a dump, or a folder of dumps."""
    folder = Path(path)
    return folder.is_dir() and ((folder / _REPORT).is_file() or any(folder.glob(f"*/{_REPORT}")))


def dumps_in(path: str | PathLike[str]) -> dict[int, tuple[Path, dict[str, Any]]]:
    """The dumps of a folder by frame: each folder, and what its report holds.

    Raises:
        RequestError: it is not a dump, or its report cannot be understood.
    """
    folder = Path(path)
    own = folder / _REPORT
    reports = [own] if own.is_file() else sorted(folder.glob(f"*/{_REPORT}"))
    found = {}
    for report in reports:
        try:
            data = read_json(report)
        except (DocumentError, OSError) as error:
            raise RequestError(Problem("dump", f"{report}: {error}", "write the dump again")) from None
        if not isinstance(data, dict) or not isinstance(data.get("nodes"), list) or "frame" not in data:
            raise RequestError(Problem("dump", f"{report} is not the report of a dump", "name a folder of a dump"))
        found[int(data["frame"])] = (report.parent, data)
    if not found:
        message = f"{folder} holds no dump"
        raise RequestError(Problem("dump", message, "name a folder that stackcomp dump wrote, with nodes.json"))
    return found


def data_order(*reports: Mapping[str, Any]) -> list[str]:
    """Names of all nodes as pictures pass through the graph; where that leaves a choice, as in the reports."""
    graph: nx.DiGraph[str] = nx.DiGraph()
    for report in reports:
        graph.add_nodes_from(str(entry["name"]) for entry in report["nodes"])
    for report in reports:
        for entry in report["nodes"]:
            # Two graphs in one may have a cycle that neither has.
            for source in entry.get("inputs", {}).values():
                if source in graph and not nx.has_path(graph, str(entry["name"]), source):
                    graph.add_edge(source, str(entry["name"]))
    place = {name: number for number, name in enumerate(graph)}
    return list(nx.lexicographical_topological_sort(graph, key=place.__getitem__))


def compare_dumps(
    first: str | PathLike[str], second: str | PathLike[str], tolerance: Tolerances | None = None
) -> DumpComparison:
    """Compare two dumps.

    Args:
        first: a folder that a dump was written to.
        second: likewise.
        tolerance: as in `stackcomp.compare.compare_files`; the pictures of dumps have one layer, or those of a
        file.

    Raises:
        RequestError: one of them is not a dump.
    """
    dumps = dumps_in(first), dumps_in(second)
    frames = sorted({*dumps[0], *dumps[1]})
    missing = tuple(tuple(frame for frame in frames if frame not in one) for one in dumps)
    if len(frames) == 2 and all(len(one) == 1 for one in dumps):
        # Two dumps of a single frame each: whoever names these two wants them compared.
        pairs = [(next(iter(dumps[0].values())), next(iter(dumps[1].values())))]
        missing = ((), ())
    else:
        pairs = [(dumps[0][frame], dumps[1][frame]) for frame in frames if all(frame in one for one in dumps)]
    nodes = tuple(node for a, b in pairs for node in _nodes(a, b, tolerance))
    return DumpComparison(nodes, (missing[0], missing[1]))


def _nodes(
    first: tuple[Path, dict[str, Any]], second: tuple[Path, dict[str, Any]], tolerance: Tolerances | None
) -> Iterator[NodeComparison]:
    known = [{str(entry["name"]): entry for entry in report["nodes"]} for _, report in (first, second)]
    frame = int(first[1]["frame"])
    for name in data_order(first[1], second[1]):
        a, b = known[0].get(name), known[1].get(name)
        if a is None or b is None:
            yield NodeComparison(name, frame, "second" if a is None else "first")
            continue
        changes = _changes(a, b)
        files = [entry.get("files", {}).get("exr") for entry in (a, b)]
        if None in files:
            states = f"{a.get('state')} / {b.get('state')}"
            both = a.get("state") == b.get("state")
            picture = PictureComparison(()) if both else None
            yield NodeComparison(name, frame, "unfinished", picture, changes, f"its picture is missing ({states})")
            continue
        paths = first[0] / str(files[0]), second[0] / str(files[1])
        try:
            compared = compare_files(paths[0], paths[1], tolerance)
        except FileError as error:
            yield NodeComparison(name, frame, "both", None, changes, str(error))
            continue
        yield NodeComparison(name, frame, "both", compared, changes, files=paths)


def _changes(a: Mapping[str, Any], b: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Fields of a node that have other values: its kind, its inputs and its parameters."""
    changes: dict[str, tuple[Any, Any]] = {}
    if a.get("kind") != b.get("kind"):
        changes["kind"] = a.get("kind"), b.get("kind")
    for group in ("inputs", "parameters"):
        before, after = a.get(group, {}), b.get(group, {})
        for name in dict.fromkeys((*before, *after)):
            if before.get(name) != after.get(name):
                changes[name] = before.get(name), after.get(name)
    return changes
