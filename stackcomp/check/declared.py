"""Where it was declared which encoding a wire carries: for messages that speak of a declaration."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from stackcomp.data.port_types import Colour, Layers
from stackcomp.nodes.convert_colour import ConvertColour

if TYPE_CHECKING:
    from stackcomp.check.checked import CheckedNode

__all__ = ["declared_by", "file_behind"]


def declared_by(name: str, nodes: Mapping[str, CheckedNode]) -> tuple[str, str]:
    """Who says in which encoding a node's result is.

    Args:
        name: the node.
        nodes: checked nodes, at least those that it depends on.

    Returns:
        In words, such as ``by "encoding" of node "plate"``, and the node whose field ``encoding`` decides; both
        empty where no node declares it.
    """
    for checked in _back(name, nodes):
        if getattr(checked.node, "encoding", None):
            return f'by "encoding" of node "{checked.name}"', checked.name
        if isinstance(checked.node, ConvertColour):
            return f'by node "{checked.name}", which converts to it', ""
        if isinstance(checked.type, Layers):
            return f'by the header of the file that node "{checked.name}" reads', checked.name
    return "", ""


def file_behind(name: str, nodes: Mapping[str, CheckedNode]) -> str:
    """The node that reads the file from which a node's colour comes; empty where it comes from none."""
    return next((checked.name for checked in _back(name, nodes) if isinstance(checked.type, Layers)), "")


def _back(name: str, nodes: Mapping[str, CheckedNode]) -> Iterator[CheckedNode]:
    """A node, and the way back along its first wire with colour."""
    visited: set[str] = set()
    while name in nodes and name not in visited:
        visited.add(name)
        yield nodes[name]
        wires = nodes[name].wires.values()
        name = next((wire.source for wire in wires if isinstance(wire.type, Colour | Layers)), "")
