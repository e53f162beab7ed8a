"""What is kept of the nodes that a reference was made from: enough to tell later which of them differ.

A reference holds one picture, and a record of each node that the picture depends on: its kind, type and windows,
and the sums of its planes (`stackcomp.testing.sketches`), about hundred bytes a plane; of ids in float planes the
sums of their bits. Records are made of whole
pictures at the test's scale, not of its window: what lies outside of the window may reach into it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.compare.pictures import ids_of
from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.document.model import Document
from stackcomp.testing.sketches import Sketch, as_text, from_text, sketch

__all__ = ["NodeRecord", "node_records", "upstream"]


@dataclass(frozen=True, eq=False)
class NodeRecord:
    """What is kept of a node's picture.

    Attributes:
        node: its name.
        kind: its kind; ``"given"`` where a picture of the test stands in for it.
        type: type of its picture, in words.
        window: data window.
        display: display window.
        planes: channel → its sums.
    """

    node: str
    kind: str
    type: str
    window: Window
    display: Window
    planes: Mapping[str, Sketch]

    @classmethod
    def of(cls, node: str, kind: str, image: Image) -> NodeRecord:
        """The record of a picture."""
        ids = ids_of(image)
        planes = {
            name: sketch(plane.view(np.uint32) if name in ids else plane, image.window)
            for name, plane in image.planes.items()
        }
        return cls(node, kind, str(image.type), image.window, image.display, planes)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "node": self.node,
            "kind": self.kind,
            "type": self.type,
            "window": _corners(self.window),
            "display": _corners(self.display),
            "planes": {name: as_text(sums) for name, sums in self.planes.items()},
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> NodeRecord:
        """The record that `as_dict` wrote.

        Raises:
            AttributeError, KeyError, TypeError, ValueError: it is something else.
        """
        planes = {str(name): from_text(text) for name, text in data["planes"].items()}
        window, display = (Window(*map(int, data[name])) for name in ("window", "display"))
        return cls(str(data["node"]), str(data["kind"]), str(data["type"]), window, display, planes)


def upstream(document: Document, node: str, given: Collection[str] = ()) -> list[str]:
    """The nodes that a node depends on, inputs first, and itself.

    Args:
        document: the graph.
        node: name of the node.
        given: nodes that pictures stand in for; what only these depend on is left out.
    """
    order: dict[str, None] = {}
    visited: set[str] = set()
    waiting = [(node, False)]
    while waiting:
        name, inputs_done = waiting.pop()
        if inputs_done:
            order[name] = None
        elif name not in visited:
            visited.add(name)
            waiting.append((name, True))
            if name not in given:
                sources = document.nodes[name].inputs().values()
                waiting += [(source, False) for source in reversed([*sources]) if source in document.nodes]
    return list(order)


def node_records(
    composition: Composition, node: str, frame: int, *, scale: float, replace: Mapping[str, Image] | None = None
) -> tuple[NodeRecord, ...]:
    """Records of a node and of all that it depends on, inputs first; each is computed on its own.

    Raises:
        CheckError, RenderError: as `Composition.render`.
    """
    given = dict(replace or {})
    names = upstream(composition.document, node, given)
    found = {}
    # Warnings are given when the node itself is rendered.
    results = composition.results(
        names, frame, scale=scale, replace=given, fused=False, warn=lambda name, message: None
    )
    for result in results:
        kind = "given" if result.node in given else composition.document.nodes[result.node].kind
        found[result.node] = NodeRecord.of(result.node, kind, result.image)
    return tuple(found[name] for name in names)


def _corners(window: Window) -> list[int]:
    return [window.x0, window.y0, window.x1, window.y1]
