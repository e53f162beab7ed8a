"""An example of a kind: a node with fields that make it do something, and the pictures at its ports."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stackcomp.check.check_graph import check_graph
from stackcomp.check.checked import CheckedGraph, CheckedNode
from stackcomp.composition import Composition
from stackcomp.data.arguments import WindowLike
from stackcomp.data.arguments import window as window_of
from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.document.graph import Graph
from stackcomp.errors import ArgumentError, CheckError, RequestError
from stackcomp.nodes.base import AreaNode, Node
from stackcomp.nodes.kinds import KINDS
from stackcomp.testing.law_pictures import FRAME, law_picture

__all__ = ["Example"]


@dataclass(frozen=True, eq=False)
class Example:
    """A node of a kind, with pictures at its ports.

    Args:
        kind: word of the kind.
        fields: fields of the node. Those that are ports name pictures: your own, or those of
            `stackcomp.testing.law_picture` (cg, straight, plate, cropped, log, matte, other_matte, ratio, depth,
            other_depth, coordinates, file, ids). Choose fields that make it do something, lengths of a few pixels,
            and pictures smaller than the frame (cg, cropped, matte): faults outside of a window show with them
            alone.
        pictures: your own pictures by name, in the frame `stackcomp.testing.FRAME`.
        folder: where relative paths of the fields start.
    """

    kind: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    pictures: Mapping[str, Image] = field(default_factory=dict)
    folder: str | Path = "."

    def __str__(self) -> str:
        pictures = set(self.ports.values())
        words = [value for value in self.fields.values() if isinstance(value, str) and value not in pictures]
        return " ".join([self.kind, *words])

    @property
    def kind_class(self) -> type[Node]:
        """The class of its kind.

        Raises:
            RequestError: there is no such kind.
        """
        if self.kind not in KINDS:
            raise RequestError(KINDS.why_not(self.kind))
        return KINDS[self.kind]

    def picture(self, name: str) -> Image:
        """A picture by name, one's own first.

        Raises:
            ArgumentError: there is none, or one's own has another frame.
        """
        if name not in self.pictures:
            return law_picture(name)
        image = self.pictures[name]
        if image.display != FRAME:
            message = f'the picture "{name}" has the frame {image.display}'
            raise ArgumentError("pictures", message, f"laws need the frame {FRAME}: give it as display")
        return image

    @property
    def ports(self) -> dict[str, str]:
        """Port → name of the picture there."""
        wired: dict[str, str] = {}
        for port, spec in self.kind_class.ports().items():
            fed = self.fields.get(port)
            if spec.many:
                wired.update({f"{port}.{k}": name for k, name in enumerate(fed or ())})
            elif fed is not None:
                wired[port] = fed
        return wired

    @property
    def given(self) -> dict[str, Image]:
        """The pictures at its ports, by name: copies, since a kind that writes to its inputs must spoil none."""
        return {name: _copy(self.picture(name)) for name in self.ports.values()}

    def graph(self) -> Graph:
        """A graph of the node, called ``it``, and of stand-ins for its pictures."""
        graph = Graph(frames="1")
        for name in self.given:
            graph.add("flat", name, size=list(FRAME.shape[::-1]))
        graph.add(self.kind, "it", **self.fields)
        return graph

    @functools.cached_property
    def checked(self) -> CheckedNode:
        """The node as the check sees it."""
        return self.checked_graph.nodes["it"]

    @functools.cached_property
    def checked_graph(self) -> CheckedGraph:
        """The graph as the check sees it.

        Raises:
            CheckError: the example does not pass it.
        """
        document = self.graph().document()
        graph, problems = check_graph(document, Path(self.folder), wanted=["it"], given=self.given)
        if graph is None:
            raise CheckError(problem for problem in problems if problem.severity == "error")
        return graph

    def ready(self, scale: float = 1.0) -> Any:
        """The node with its numbers and what its files say, at frame 1."""
        return self.checked_graph.ready("it", 1, scale, {})

    @property
    def computes_areas(self) -> bool:
        """Whether it looks at neighbours with these fields."""
        node = self.checked.node
        return isinstance(node, AreaNode) and not node.fuses(self.checked.types, self.checked_graph.context)

    def render(
        self,
        given: Mapping[str, Image] | None = None,
        *,
        window: WindowLike | None = None,
        scale: float = 1.0,
        fused: bool = True,
    ) -> Image:
        """The node's picture.

        Args:
            given: other pictures in the place of its own, by name.
            window: the part of the frame, or beyond it, that is computed.
            scale: as in `stackcomp.Composition.render`.
            fused: as in `stackcomp.Composition.results`.
        """
        composition = Composition(self.graph(), root=self.folder)
        executor = composition.executor(["it"], replace=self.given if given is None else dict(given), fused=fused)
        # The engine computes any tile; only people are told when theirs lies outside of the frame.
        region: Window | None = window_of(window)
        results = executor.results(1, window=region, scale=scale, warn=lambda *_: None)
        return next(iter(results)).image

    @functools.cached_property
    def whole(self) -> Image:
        """The node's whole picture; computed once."""
        return self.render()


def _copy(image: Image) -> Image:
    planes = {name: plane.copy() for name, plane in image.planes.items()}
    return Image(planes, image.window, image.display, image.type, image.metadata)
