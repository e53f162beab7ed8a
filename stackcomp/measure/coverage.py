"""The coverage of a file opened for measuring."""

from __future__ import annotations

from pathlib import Path

from stackcomp.composition import Composition
from stackcomp.data.image import Plane
from stackcomp.data.port_types import Layers
from stackcomp.document.graph import Graph

__all__ = ["coverage_of"]


def coverage_of(
    path: str | Path, *, frame: int | None = None, layer: str = "", root: str | Path = "."
) -> tuple[Plane, bool] | None:
    """Alpha of a file, and whether its colour is premultiplied; None where it has no alpha.

    Args:
        path: file, or a file sequence with a frame token.
        frame: frame number; needed where the path has a token.
        layer: layer whose alpha is wanted; a layer without one is covered as the whole picture is.
        root: folder for relative paths.

    Raises:
        RequestError: no such file.
        RenderError: the file is damaged.
    """
    number = 1 if frame is None else frame
    graph = Graph(frames=str(number))
    graph.add("read", "file", path=str(path))
    type = Composition(graph, root=root).executor(["file"], frames=(number,)).plan.checked.nodes["file"].type
    assert isinstance(type, Layers)
    own = f"{layer}.A" if layer else "A"
    channel = next((name for name in (own, "A") if name in type.channels), None)
    if channel is None:
        return None
    graph.add("pick_channels", "coverage", layers="file", as_="matte", channels={"A": channel})
    return Composition(graph, root=root).render("coverage", number)["A"], type.alpha == "premultiplied"
