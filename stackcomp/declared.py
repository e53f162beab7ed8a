"""Where it was declared which encoding a wire carries: for messages that speak of a declaration."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from stackcomp.nodes.base import SourceNode
from stackcomp.nodes.convert_colour import ConvertColour
from stackcomp.port_types import Colour, Layers

if TYPE_CHECKING:
    from stackcomp.check import CheckedNode

__all__ = ["declared_by"]


def declared_by(name: str, nodes: Mapping[str, CheckedNode]) -> tuple[str, str]:
    """Who says in which encoding a node's result is.

    Args:
        name: the node.
        nodes: checked nodes, at least those that it hangs on.

    Returns:
        In words, such as ``by "encoding" of node "plate"``, and the node whose field ``encoding`` decides; both
        empty where no node declares it.
    """
    seen: set[str] = set()
    while name in nodes and name not in seen:
        seen.add(name)
        checked = nodes[name]
        if getattr(checked.node, "encoding", None):
            return f'by "encoding" of node "{name}"', name
        if isinstance(checked.node, ConvertColour):
            return f'by node "{name}", which converts to it', ""
        if isinstance(checked.node, SourceNode):
            read = isinstance(checked.type, Layers)
            return (f'by the header of the file that node "{name}" reads', name) if read else ("", "")
        name = next(
            (
                wire.source
                for port, wire in checked.wires.items()
                if isinstance(wire.type, Colour | Layers) and port != "within"
            ),
            "",
        )
    return "", ""
