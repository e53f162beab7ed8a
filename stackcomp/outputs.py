"""What the deliver nodes of a graph would write, held against what it reads and against each other."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path

from stackcomp.errors import Problem
from stackcomp.files.paths import resolve
from stackcomp.nodes.base import Node, SinkNode, SourceNode

__all__ = ["clashes"]


def clashes(
    nodes: Mapping[str, Node], sinks: Collection[str], root: Path, frames: Sequence[int]
) -> Iterator[Problem]:
    """Outputs that would overwrite an input, and files that would be written twice; one finding a node.

    Args:
        nodes: all nodes of the graph; every file that one of them reads is an original.
        sinks: those of the deliver nodes that will run.
        root: folder for relative paths.
        frames: frames that will be rendered.
    """
    if not sinks:
        return
    real = _RealPaths()
    inputs = {real(path): name for name, node in nodes.items() for path in _read_by(node, root, frames)}
    taken: dict[str, tuple[str, int]] = {}
    for name in sinks:
        sink = nodes[name]
        assert isinstance(sink, SinkNode)
        problem = next(_clashes_of(name, sink, root, frames, inputs, taken, real), None)
        if problem is not None:
            yield problem


def _read_by(node: Node, root: Path, frames: Sequence[int]) -> Iterator[Path]:
    path = getattr(node, "path", None) if isinstance(node, SourceNode) else None
    for frame in frames:
        yield from node.files(frame, root)
        # Where frames are numbered otherwise, those of the same number are originals none the less.
        if isinstance(path, str) and getattr(node, "shift", 0) != 0:
            yield resolve(root, path, frame)


def _clashes_of(
    name: str,
    sink: SinkNode,
    root: Path,
    frames: Sequence[int],
    inputs: Mapping[str, str],
    taken: dict[str, tuple[str, int]],
    real: _RealPaths,
) -> Iterator[Problem]:
    for frame in frames:
        for path in sink.outputs(frame, root):
            where = real(path)
            if where in inputs:
                yield Problem("overwrites-input", f'would write {path} over what node "{inputs[where]}" reads',
                              "originals are never overwritten; deliver to another folder or name", node=name,
                              field="path")  # fmt: skip
            if where in taken:
                other, other_frame = taken[where]
                same = other == name
                seen = f"frames {other_frame} and {frame} both write {path}" if same else \
                    f'would write {path}, as node "{other}" does'  # fmt: skip
                way_out = "put {frame:04d} into the path" if same else "give one of them another path"
                yield Problem("output-twice", seen, way_out, node=name, field="path")
            taken[where] = (name, frame)


class _RealPaths:
    """Paths with links followed; folders, which many paths share, are looked up once."""

    def __init__(self) -> None:
        self._folders: dict[str, str] = {}

    def __call__(self, path: Path) -> str:
        folder, name = os.path.split(path)
        if folder not in self._folders:
            self._folders[folder] = os.path.realpath(folder)
        here = os.path.join(self._folders[folder], name)
        return os.path.normcase(os.path.realpath(here) if os.path.islink(here) else here)
