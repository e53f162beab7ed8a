"""What matters in a graph: the files that it reads, CG over plate, and what it delivers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stackcomp.composition import Composition
from stackcomp.data.port_types import Alpha
from stackcomp.files.paths import FramePath
from stackcomp.inspection.material import Pictures
from stackcomp.nodes.over import Over
from stackcomp.nodes.pick_channels import PickChannels
from stackcomp.nodes.read import Read

__all__ = ["Pair", "delivered", "files_read", "pairs"]


@dataclass(frozen=True)
class Pair:
    """An over node: CG, what it goes over, and their comp.

    Attributes:
        source: name of the node of the CG.
        backdrop: name of the node behind it.
        comp: name of the over node.
    """

    source: str
    backdrop: str
    comp: str


def files_read(composition: Composition, frames: Sequence[int]) -> list[Pictures]:
    """The files of read nodes, each once, with the alpha and encoding that the graph declares."""
    found: dict[tuple[str, int, str | None, str | None], Pictures] = {}
    for name, node in composition.document.nodes.items():
        if isinstance(node, Read):
            alpha = node.alpha or _picked(composition, name)
            numbers = tuple(sorted(set(frames))) if FramePath(node.path).has_frame else None
            pictures = Pictures(node.path, composition.root, numbers, node.shift, node.encoding, alpha, name)
            found.setdefault((node.path, node.shift, node.encoding, alpha), pictures)
    return list(found.values())


def _picked(composition: Composition, read: str) -> Alpha | None:
    """The alpha that a pick_channels node says its colour has; None where none says so."""
    for node in composition.document.nodes.values():
        if isinstance(node, PickChannels) and node.layers == read and node.as_ == "colour" and node.alpha:
            return node.alpha
    return None


def pairs(composition: Composition) -> list[Pair]:
    """The over nodes, in the order of the graph."""
    return [
        Pair(node.source, node.backdrop, name)
        for name, node in composition.document.nodes.items()
        if isinstance(node, Over)
    ]


def delivered(composition: Composition) -> list[str]:
    """The deliver nodes; in a graph that has none, the nodes that feed no other."""
    if composition.sinks:
        return composition.sinks
    fed = {name for node in composition.document.nodes.values() for name in node.inputs().values()}
    return [
        name for name, node in composition.document.nodes.items() if name not in fed and not isinstance(node, Read)
    ]
