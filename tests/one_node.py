"""Render a single node with given input pictures, through check, plan and execute."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stackcomp import Composition, Graph, Image
from stackcomp.data import arguments


def render_node(
    kind: str,
    given: Mapping[str, Image],
    *,
    at: float = 1.0,
    window: Any = None,
    frame: int = 1,
    fused: bool = True,
    warn: Any = None,
    **fields: Any,
) -> Image:
    """Return the result of one node, whose ports name these pictures."""
    graph = Graph()
    for name, image in given.items():
        graph.add("flat", name, size=[image.display.width, image.display.height])
    graph.add(kind, "it", **fields)
    comp = Composition(graph)
    if window is None:
        results = comp.results(["it"], frame, scale=at, replace=given, fused=fused, warn=warn)
    else:
        # The executor computes any tile; only Composition refuses windows outside of the frame.
        executor = comp.executor(["it"], frames=[frame], replace=given, fused=fused)
        results = executor.results(frame, window=arguments.window(window), scale=at, warn=warn)
    return next(iter(results)).image
