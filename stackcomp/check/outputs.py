"""Outputs of a graph, compared with the files that exist (`stackcomp.check.originals`) and with each other."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackcomp.check.bugs import bugs_of
from stackcomp.check.originals import Reading, RealPaths, Writing, refusals
from stackcomp.document.model import Document
from stackcomp.errors import BadValueError, Problem
from stackcomp.files.mark import Mark, MarkKind, Source
from stackcomp.files.paths import FramePath
from stackcomp.nodes.base import SinkNode, SourceNode

__all__ = ["Outputs", "mark_of", "mark_of_sequence", "readings"]


@dataclass(frozen=True)
class Outputs:
    """Which files a graph will write, and what they may replace.

    Attributes:
        nodes: deliver nodes that will write; all when None. Others only have to be right in themselves.
        replace_foreign: whether files of others, and deliveries of other graphs, may be replaced.
        variable_files: files that variables come from.
        damaged: files of this program that are known to be damaged, and may be replaced.
    """

    nodes: tuple[str, ...] | None = None
    replace_foreign: bool = False
    variable_files: tuple[Path, ...] = ()
    damaged: frozenset[Path] = frozenset()

    def clashes(
        self, document: Document, root: Path, frames: Sequence[int], sinks: Collection[str]
    ) -> Iterator[Problem]:
        """Outputs that would take the place of what they must not, and files that would be written twice.

        Args:
            document: the graph.
            root: folder for relative paths.
            frames: frames that will be rendered.
            sinks: the deliver nodes that are checked.
        """
        if not sinks:
            return
        known = list(readings(document, root, frames, self.variable_files))
        mark = mark_of(document, root)
        real = RealPaths()
        taken: dict[str, tuple[str, int]] = {}
        for name in sinks:
            sink = document.nodes[name]
            assert isinstance(sink, SinkNode)
            idle = self.nodes is not None and name not in self.nodes
            with bugs_of(name, sink):
                outputs = [(frame, path) for frame in frames for path in sink.outputs(frame, root)]
            problems = refusals(
                (Writing(path, mark, name, "path", path in self.damaged) for _, path in outputs),
                known,
                root,
                replace_foreign=self.replace_foreign or sink.replaces_foreign or idle,
                allow='"replace": "anything" at the node, or --replace-foreign, lets it be replaced',
            )
            yield from problems
            if not any(problem.rule == "overwrites-input" for problem in problems):
                yield from _twice(name, outputs, taken, real)


def _twice(
    name: str, outputs: Iterable[tuple[int, Path]], taken: dict[str, tuple[str, int]], real: RealPaths
) -> Iterator[Problem]:
    for frame, path in outputs:
        where = real(path)
        if where in taken:
            other, other_frame = taken[where]
            same = other == name
            message = f"frames {other_frame} and {frame} both write {path}" if same else \
                f'would write {path}, as node "{other}" does'  # fmt: skip
            way_out = "put {frame:04d} into the path" if same else "give one of them another path"
            yield Problem("output-twice", message, way_out, node=name, field="path")
            return
        taken[where] = (name, frame)


def readings(
    document: Document, root: Path, frames: Iterable[int], variable_files: Iterable[Path] = ()
) -> Iterator[Reading]:
    """All that a graph is made from: the graph, its variables, and what its nodes read, rendered today or not.

    Args:
        document: the graph.
        root: folder for relative paths.
        frames: frames that will be rendered.
        variable_files: files that variables come from.
    """
    if document.place:
        yield Reading(os.path.abspath(document.place), "the graph itself")
    for file in variable_files:
        yield Reading(os.path.abspath(file), "a file of variables")
    config = root / document.head.colour_config
    if config.is_file():
        yield Reading(str(config.absolute()), "the colour config")
    for name, node in document.nodes.items():
        use = f'what node "{name}" reads'
        path = getattr(node, "path", None)
        if isinstance(node, SourceNode) and isinstance(path, str):
            yield Reading(path, use, sequence=True)
        with bugs_of(name, node):
            files = dict.fromkeys(file for frame in frames for file in node.files(frame, root))
        for file in files:
            yield Reading(str(file.absolute()), use)


def mark_of(document: Document, root: Path, kind: MarkKind = "delivery") -> Mark:
    """Return the mark for files of a graph; only the mark of a delivery tells graph and shot."""
    if kind != "delivery":
        return Mark(kind)
    return Mark(kind, _graph(document, root), frozenset(_reads(document, root)))


def mark_of_sequence(place: str, root: Path) -> Mark:
    """Return the mark for what is made of the shots of a sequence file."""
    return Mark("delivery", _known_as(place, root))


def _graph(document: Document, root: Path) -> str:
    return _known_as(document.place, root)


def _known_as(file: str, root: Path) -> str:
    if not file:
        return ""
    place = Path(os.path.realpath(file))
    # The same wherever the project lies. Outside of it, where things are is a matter of the machine.
    below = place.is_relative_to(os.path.realpath(root))
    return _hash(place.relative_to(os.path.realpath(root)).as_posix() if below else place.name)


def _reads(document: Document, root: Path) -> Iterator[Source]:
    for name, node in document.nodes.items():
        written, filled = document.paths.get(name, ""), getattr(node, "path", None)
        if isinstance(node, SourceNode) and "${" in written and isinstance(filled, str):
            here = os.path.normpath(filled)
            if os.path.isabs(here) and Path(here).is_relative_to(os.path.abspath(root)):
                here = os.path.relpath(here, os.path.abspath(root))
            yield Source(_hash(written, 4), _hash(Path(here).as_posix(), 4), _numbered(filled))


def _numbered(path: str) -> bool:
    try:
        return FramePath(path).has_frame
    except BadValueError:
        return False


def _hash(text: str, size: int = 8) -> str:
    return hashlib.blake2b(text.encode("utf-8", "surrogateescape"), digest_size=size).hexdigest()
