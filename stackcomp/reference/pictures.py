"""Pictures of what a kind does: its examples, rendered with the drawn scene at their ports.

An example is a node's fields as a graph holds them; ports name pictures of the scene. ``about`` says what to see.
Pictures are shown as the program shows them elsewhere, with two exceptions, since the difference is what is to be
seen: straight colour is not multiplied by alpha, and log colour is shown by its own numbers.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Matte
from stackcomp.deliver.shown import shown_picture
from stackcomp.document.graph import Graph
from stackcomp.errors import BadValueError, StackcompError
from stackcomp.files import exr
from stackcomp.files.viewable import viewable
from stackcomp.nodes.base import Node, SinkNode
from stackcomp.reference.scene import FRAME, scene

__all__ = ["Example", "Shown", "example_node", "rendered_examples", "scene_picture", "shown_image"]

Picture = npt.NDArray[np.uint8]

_FRAME_NUMBER = 1001
_IT = "it"


@dataclass(frozen=True)
class Shown:
    """A picture to look at: uint8 ``(height, width, 3)``; what it is called, and its type in words."""

    name: str
    type: str
    pixels: Picture


@dataclass(frozen=True)
class Example:
    """What goes in, port by port, and what comes out.

    Attributes:
        node: the node as a graph holds it.
        about: what to see.
        before: pairs of a port and the name of a picture of the scene.
        after: the result.
    """

    node: Mapping[str, Any]
    about: str
    before: tuple[tuple[str, str], ...]
    after: Shown


def shown_image(image: Image) -> Picture:
    """Return a picture as the page shows it, by the rule of the module."""
    type = image.type
    if isinstance(type, Colour) and type.encoding.family == "log":
        image = replace(image, type=replace(type, encoding=replace(type.encoding, family="display")))
    elif isinstance(type, Colour) and type.alpha == "straight":
        planes = {name: image[name] for name in "RGB"}
        image = Image(planes, image.window, image.display, Colour("none", type.encoding))
    return viewable(image, checker=True)


@cache
def scene_picture(name: str) -> Shown:
    """Return a picture of the scene."""
    image = scene()[name]
    return Shown(name, str(image.type), shown_image(image))


def example_node(kind: type[Node], fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return an example as a node of a graph, without its text."""
    return {"kind": kind.kind_name(), **{name: value for name, value in fields.items() if name != "about"}}


def rendered_examples(kind: type[Node], most: int | None = None) -> list[Example]:
    """Return the examples of a kind, rendered, at most so many; none where it gives none.

    Raises:
        BadValueError: an example names a picture that the scene does not have, or cannot be rendered.
    """
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        _write_files(root)
        return [_rendered(kind, fields, root) for fields in kind.page_examples[:most]]


def _write_files(root: Path) -> None:
    """Write what examples that read files may read."""
    exr.write(root / f"cg.{_FRAME_NUMBER}.exr", scene()["cg"].planes, window=FRAME, display=FRAME)


def _rendered(kind: type[Node], fields: Mapping[str, Any], root: Path) -> Example:
    node = example_node(kind, fields)
    ports = [
        (port, name)
        for port in kind.ports()
        if (fed := fields.get(port)) is not None
        for name in ([fed] if isinstance(fed, str) else fed)
    ]
    unknown = [name for _, name in ports if name not in scene()]
    if unknown:
        raise BadValueError(
            f'page_examples of {kind.kind_name()}: there is no picture "{unknown[0]}"',
            f"choose from {', '.join(scene())}",
        )
    graph = Graph(frames=str(_FRAME_NUMBER))
    given = {name: scene()[name] for _, name in ports}
    for name, image in given.items():
        graph.add("flat", name, size=[FRAME.width, FRAME.height], as_=_word(image))
    try:
        graph.add(kind.kind_name(), _IT, **{name: value for name, value in node.items() if name != "kind"})
        after = _result(kind, graph, given, root)
    except StackcompError as error:
        raise BadValueError(
            f"page_examples of {kind.kind_name()} cannot be rendered: {error}", "correct the example"
        ) from error
    return Example(node, str(fields.get("about", "")), tuple(ports), after)


def _word(image: Image) -> str:
    return "matte" if isinstance(image.type, Matte) else "colour"


def _result(kind: type[Node], graph: Graph, given: Mapping[str, Image], root: Path) -> Shown:
    """Render the node; of a node that writes a file, the file is what is shown."""
    composition = Composition(graph, root=root)
    if issubclass(kind, SinkNode):
        (path, *_) = composition.deliver([_FRAME_NUMBER], nodes=[_IT], replace=given, warn=_unheard)
        return Shown("result", path.name, np.rint(shown_picture(path) * 255).astype(np.uint8))
    results = composition.results([_IT], _FRAME_NUMBER, replace=given, warn=_unheard)
    image = next(iter(results)).image
    return Shown("result", str(image.type), shown_image(image))


def _unheard(node: str, message: str) -> None:
    """Take a warning of an example, which is no render of anybody's."""
