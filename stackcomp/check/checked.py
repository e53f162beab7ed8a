"""What check gives: a graph in which every wire has a type."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from stackcomp.data.image import Image
from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.document.model import Document
from stackcomp.errors import Problem
from stackcomp.files.file_state import FileState
from stackcomp.nodes.base import Context, Node, Pick

__all__ = ["CheckedGraph", "CheckedNode", "Wire", "walk_back"]


@dataclass(frozen=True)
class Wire:
    """What arrives at a port: from which node, as what, and which planes where a file feeds it directly."""

    source: str
    type: PortType
    picks: tuple[Pick, ...] | None = None


@dataclass(frozen=True)
class CheckedNode:
    """A node whose output type and frame are known."""

    name: str
    node: Node
    type: PortType
    display: Window
    wires: Mapping[str, Wire]

    @property
    def types(self) -> dict[str, PortType]:
        """Types at the connected ports."""
        return {port: wire.type for port, wire in self.wires.items()}


@dataclass(frozen=True)
class CheckedGraph:
    """A graph that may be rendered: nodes in an order in which inputs come first."""

    document: Document
    context: Context
    nodes: Mapping[str, CheckedNode]
    given: Mapping[str, Image]
    warnings: tuple[Problem, ...]

    def ready(self, name: str, frame: float, scale: float, opened: dict[Path, FileState]) -> Node:
        """A node with its numbers at a frame and a scale, and all that it is told before it computes.

        Args:
            name: of the node.
            frame: frame number.
            scale: of the render.
            opened: files of the frame and their states; those that the node reads are added.

        Raises:
            FileError: a file of the node cannot be used at this frame.
        """
        checked = self.nodes[name]
        displays = {port: self.nodes[wire.source].display for port, wire in checked.wires.items()}
        node = checked.node.at(frame, scale).with_files(frame, scale, self.context, opened)
        return node.with_displays(displays, self.context)


def walk_back(checked: CheckedGraph, names: Collection[str]) -> Iterator[str]:
    """The named nodes and all they depend on, inputs first, each once."""
    visited: set[str] = set()
    stack: list[tuple[str, bool]] = [(name, False) for name in reversed(list(names))]
    while stack:
        name, opened = stack.pop()
        if opened:
            yield name
        elif name not in visited:
            visited.add(name)
            stack.append((name, True))
            stack += [(w.source, False) for w in reversed(list(checked.nodes[name].wires.values()))]
