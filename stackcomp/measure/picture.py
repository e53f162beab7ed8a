"""A file opened for measuring: colour in scene-linear light of the working space."""

from __future__ import annotations

from pathlib import Path

from stackcomp.composition import Composition
from stackcomp.document.graph import Graph
from stackcomp.errors import DocumentError, Problem
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.paths import FramePath
from stackcomp.image import Image
from stackcomp.port_types import Colour, Layers

__all__ = ["open_picture"]


def open_picture(
    path: str | Path,
    *,
    frame: int | None = None,
    layer: str = "",
    encoding: str | None = None,
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
    root: str | Path = ".",
) -> Image:
    """R G B of a file as scene-linear light.

    Args:
        path: file, or a file sequence with a frame token.
        frame: frame number; needed where the path has a token.
        layer: layer to take R G B from; the file's own R G B when empty.
        encoding: its colour space; the file's own header decides when None.
        working_space: scene-linear space of the result.
        colour_config: name or path of the OCIO config.
        root: folder for relative paths.

    Returns:
        Colour without alpha, scene-linear in the working space, over the file's data window.

    Raises:
        DocumentError: no frame given for a sequence.
        CheckError: no such file or layer, an encoding that is unknown, or one made for a display: such numbers
            are no longer proportional to light, and nothing measured on them would be.
        RenderError: the file is damaged.
    """
    text = str(path)
    if FramePath(text).has_frame and frame is None:
        raise DocumentError(
            Problem("frame", f"{text} is a sequence, and no frame was named", "say which with --frame")
        )
    number = 1 if frame is None else frame
    graph = Graph(working_space=working_space, colour_config=colour_config, frames=str(number))
    graph.add("read", "file", path=text, encoding=encoding)
    graph.add("shuffle", "colour", layers="file", as_="colour", layer=layer, alpha="none")
    graph.add("convert_colour", "light", image="colour")
    comp = Composition(graph, root=root)
    executor = comp.executor(["light"], frames=(number,))
    types = executor.plan.checked.nodes
    source = types["colour"].type
    assert isinstance(source, Colour)
    if source.encoding.family not in ("scene-linear", "log"):
        raise DocumentError(
            Problem(
                "not-linear",
                f"{text} is in {source.encoding}: its numbers are made for a display, not proportional to light",
                "measure the camera's or the renderer's own file, or say its true encoding with --encoding",
            )
        )
    assert isinstance(types["file"].type, Layers)
    (result,) = executor.results(number)
    return result.image
