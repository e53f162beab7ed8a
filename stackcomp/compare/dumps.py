"""Two dumps, node by node: which node is the first that differs.

A dump is a folder with ``nodes.json`` (`stackcomp.review.dump`), or a folder of such folders, one a frame. Nodes
are taken in the order in which pictures pass through the graph, so that the first that differs is the cause of
what follows, as far as dumps can tell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from os import PathLike
from pathlib import Path
from typing import Any

from stackcomp.compare.dump_reports import Report, data_order, dumps_in, is_dump, reports_in
from stackcomp.compare.files import compare_opened, open_file
from stackcomp.compare.pictures import PictureComparison
from stackcomp.compare.tolerance import Tolerances, require_known
from stackcomp.data.frames import format_frames
from stackcomp.errors import FileError, cut

__all__ = ["DumpComparison", "NodeComparison", "compare_dumps", "data_order", "dumps_in", "is_dump"]

_HEADS = ("scale", "working_space")
_MOST_LISTED = 12


@dataclass(frozen=True)
class NodeComparison:
    """How one node differs at one frame.

    Attributes:
        node: its name.
        frame: of the dump; of the second one where they are of different frames.
        state: ``"both"``; ``"first"`` or ``"second"`` where only one of the dumps has the node; ``"unfinished"``
            where its picture is missing in one of them or in both, as after a failure.
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
        lines = [f'frame {self.frame}, node "{self.node}"']
        if self.state in ("first", "second"):
            lines[0] += f": only in the {self.state}"
        elif self.reason:
            lines[0] += f": {self.reason}"
        lines += [f"  {name}: {values}" for name, values in self.words_of_changes]
        lines += [f"  {line}" for line in (self.picture.differences if self.picture is not None else ())]
        return "\n".join(lines)

    @property
    def words_of_changes(self) -> tuple[tuple[str, str], ...]:
        """Each changed field, and its two values in words."""
        return tuple((name, f"{cut(repr(a), 60)} / {cut(repr(b), 60)}") for name, (a, b) in self.changes.items())


@dataclass(frozen=True)
class DumpComparison:
    """How two dumps differ.

    Attributes:
        nodes: comparisons of all nodes, frame by frame, in the order in which pictures pass through the graph.
        missing: frames that only one of them has: those that the first, and that the second does not have.
        notes: what else is to be known about them; no differences.
    """

    nodes: tuple[NodeComparison, ...]
    missing: tuple[tuple[int, ...], tuple[int, ...]] = ((), ())
    notes: tuple[str, ...] = ()

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

    def only_in(self, which: str) -> tuple[str, ...]:
        """Nodes that only the ``"first"`` or only the ``"second"`` has."""
        return tuple(dict.fromkeys(node.node for node in self.nodes if node.state == which))

    @property
    def changes(self) -> dict[str, Mapping[str, tuple[Any, Any]]]:
        """Node → what was changed in the graph at it, at the first frame that has a change."""
        changes: dict[str, Mapping[str, tuple[Any, Any]]] = {}
        for node in self.nodes:
            if node.changes:
                changes.setdefault(node.node, node.changes)
        return changes

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        first = self.first_different
        return {
            "equal": self.equal,
            "first_different": None if first is None else {"node": first.node, "frame": first.frame},
            "missing": {"first": list(self.missing[0]), "second": list(self.missing[1])},
            "only_in": {which: list(self.only_in(which)) for which in ("first", "second")},
            "changes": {
                node: {name: list(values) for name, values in changed.items()}
                for node, changed in self.changes.items()
            },
            "notes": list(self.notes),
            "nodes": [node.as_dict() for node in self.nodes],
        }

    def __str__(self) -> str:
        first = self.first_different
        if self.equal:
            lines = [f"equal, {len(self.nodes)} node{'' if len(self.nodes) == 1 else 's'}"]
        elif first is None:
            lines = ["different: one of the two lacks frames"]
        else:
            lines = [f'different: the first node that differs is "{first.node}" at frame {first.frame}']
            lines += str(first).splitlines()[1:]
            if first.reason:
                lines.insert(1, f"  {first.reason}")
        for which, frames in zip(("first", "second"), self.missing, strict=True):
            if frames:
                lines.append(f"the {which} has no frame{'s' if len(frames) > 1 else ''} {format_frames(frames)}")
        for which in ("first", "second"):
            if names := self.only_in(which):
                lines.append(f"only in the {which}: {_listed(names)}")
        others = dict.fromkeys(node.node for node in self.different if node.state in ("both", "unfinished"))
        if first is not None:
            others.pop(first.node, None)
        if others:
            lines.append(f"also different: {_listed(tuple(others))}")
        told = {node.node: node for node in reversed(self.nodes) if node.changes and node is not first}
        if first is not None and first.changes:
            told.pop(first.node, None)
        if told:
            lines.append("changed in the graph:")
            for node in reversed(told.values()):
                lines += [f"  {node.node}.{name}: {values}" for name, values in node.words_of_changes]
        return "\n".join(lines)


def compare_dumps(
    first: str | PathLike[str],
    second: str | PathLike[str],
    tolerance: Tolerances | None = None,
    *,
    types: bool = True,
    windows_may_differ: bool = False,
    begun: Callable[[int], None] = lambda nodes: None,
    finished: Callable[[NodeComparison], None] = lambda node: None,
) -> DumpComparison:
    """Compare two dumps.

    Two dumps of one frame each are compared even where the frames are different ones.

    Args:
        first: a folder that a dump was written to.
        second: likewise.
        tolerance: as in `stackcomp.compare.compare_files`; the name of a node stands for all that is in its
            picture.
        types: as there.
        windows_may_differ: as there.
        begun: called once with the number of nodes of all frames.
        finished: called with each node's comparison.

    Raises:
        RequestError: one of them is not a dump, or a tolerance is for something that is not there.
    """
    dumps = reports_in(first), reports_in(second)
    frames = sorted({*dumps[0], *dumps[1]})
    missing = tuple(tuple(frame for frame in frames if frame not in one) for one in dumps)
    notes = []
    if len(frames) == 2 and all(len(one) == 1 for one in dumps):
        # Whoever names two dumps of a single frame each wants these two compared.
        pairs = [(next(iter(dumps[0].values())), next(iter(dumps[1].values())))]
        missing = ((), ())
        notes.append(f"frame {pairs[0][0].frame} is compared with frame {pairs[0][1].frame}")
    else:
        pairs = [(dumps[0][frame], dumps[1][frame]) for frame in frames if all(frame in one for one in dumps)]
    notes += dict.fromkeys(
        f"{name} is {a.data.get(name)} / {b.data.get(name)}"
        for a, b in pairs
        for name in _HEADS
        if a.data.get(name) != b.data.get(name)
    )
    entries = [entry for one in dumps for report in one.values() for entry in report.nodes.values()]
    channels = dict.fromkeys(channel for entry in entries for channel in entry.get("channels", ()))
    require_known(tolerance, list(channels), list(dict.fromkeys(entry["name"] for entry in entries)))
    begun(sum(len(a.nodes.keys() | b.nodes.keys()) for a, b in pairs))
    nodes = []
    for a, b in pairs:
        for node in _nodes(a, b, tolerance, types, windows_may_differ):
            nodes.append(node)
            finished(node)
    return DumpComparison(tuple(nodes), (missing[0], missing[1]), tuple(notes))


def _nodes(
    first: Report, second: Report, tolerance: Tolerances | None, types: bool, windows_may_differ: bool
) -> Iterator[NodeComparison]:
    for name in data_order(first.data, second.data):
        a, b = first.nodes.get(name), second.nodes.get(name)
        if a is None or b is None:
            yield NodeComparison(name, second.frame, "second" if a is None else "first")
            continue
        node = NodeComparison(name, second.frame, "both", changes=_changes(a, b))
        files = first.picture(name), second.picture(name)
        if files[0] is None or files[1] is None:
            states = f"{a.get('state')} / {b.get('state')}"
            yield replace(node, state="unfinished", reason=f"its picture is missing ({states})")
            continue
        try:
            own = tolerance
            if isinstance(tolerance, Mapping) and name in tolerance:
                own = tolerance[name]
            picture = compare_opened(
                open_file(files[0]), open_file(files[1]), own, types=types, windows_may_differ=windows_may_differ
            )
        except FileError as error:
            yield replace(node, reason=str(error))
            continue
        more = _reported(a, b, types, windows_may_differ)
        picture = replace(picture, differences=(*more, *picture.differences))
        yield replace(node, picture=picture, files=(files[0], files[1]))


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


def _reported(a: Mapping[str, Any], b: Mapping[str, Any], types: bool, windows_may_differ: bool) -> Iterator[str]:
    """Differences that reports know of, and pictures do not: parts of types, and empty data windows."""
    before, after = (entry.get("data_window", {}) for entry in (a, b))
    empty = [0 in (window.get("width"), window.get("height")) for window in (before, after)]
    if empty[0] != empty[1] and not windows_may_differ:
        yield f"the data window is {' / '.join('empty' if one else 'not empty' for one in empty)}"
    kinds = [entry.get("type", {}) for entry in (a, b)]
    if types and kinds[0].get("text") == kinds[1].get("text"):
        for name in dict.fromkeys((*kinds[0], *kinds[1])):
            if kinds[0].get(name) != kinds[1].get(name):
                yield f"{name} of the type is {' / '.join(cut(repr(kind.get(name)), 60) for kind in kinds)}"


def _listed(names: tuple[str, ...]) -> str:
    more = len(names) - _MOST_LISTED
    return ", ".join(names[:_MOST_LISTED]) + (f" and {more} more" if more > 0 else "")
