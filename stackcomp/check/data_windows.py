"""Where a node has pixels of a picture, as far as headers tell it before anything is read."""

from __future__ import annotations

from collections.abc import Mapping

from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.nodes.base import AreaNode, Context, Job, Node, PixelNode, ViewNode
from stackcomp.nodes.read import Read

__all__ = ["data_window"]


def data_window(
    node: Node, types: Mapping[str, PortType], data: Mapping[str, Window], display: Window, context: Context
) -> Window | None:
    """The data window of a node's picture at the first frame, at full size, without what it spreads beyond.

    Args:
        node: as the document holds it.
        types: at its connected ports.
        data: data windows there, where they are known.
        display: its frame.
        context: of the graph.

    Returns:
        None where it is not known: of an input, of a source that is no file, or where the node's own files say it.
    """
    if isinstance(node, Read):
        try:
            return node.source_domain(Job(context.frame, 1.0, context), display)
        except (FileError, OSError):
            return None
    if not data or data.keys() != types.keys() or not isinstance(node, ViewNode | PixelNode | AreaNode):
        return None
    if isinstance(node, AreaNode) and node.spreads:
        # What light or an edge spreads to is no picture of what was there.
        return Node.domain(node, data, types)
    if type(node).with_files is not Node.with_files or type(node).with_displays is not Node.with_displays:
        return None
    window = node.at(context.frame).domain(data, types)
    return window | display if node.fills_frame else window
