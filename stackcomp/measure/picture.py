"""A file opened for measuring: colour in scene-linear light of the working space."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Self, TypeVar

import numpy as np

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Colour, Encoding, Layers
from stackcomp.errors import ArgumentError, Problem, RequestError
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.paths import resolve
from stackcomp.measure.given import instance
from stackcomp.measure.source import PARAMETERS, Names, Source, colour_missing

__all__ = ["HALF_MAX", "Measured", "open_measured", "open_picture", "open_source", "opened"]


_Value = TypeVar("_Value")

HALF_MAX = 65504.0
"""The largest number of a half float."""


@dataclass(frozen=True, eq=False)
class Measured:
    """The colour of a file as light, and as it was stored.

    Attributes:
        light: R G B, scene-linear in the working space, over the file's data window.
        stored: R G B as in the file, before any curve or matrix. Clipped values can only be found here.
        ceiling: the largest value that the file can hold: 65504 for OpenEXR and float TIFF (half's largest);
            1 for whole numbers, and for log encodings unless a pixel is above it.
        doubts: sentences about an encoding that does not look right, or a frame that is not used.
        coverage: A of the file, ``(height, width)`` over the same window; None where the file has none, or where
            it was not asked for.
        premultiplied: whether the file's R G B are multiplied by A.
    """

    light: Image
    stored: Image
    ceiling: float
    doubts: tuple[str, ...] = ()
    coverage: Plane | None = None
    premultiplied: bool = False
    _memory: dict[str, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for what in ("light", "stored"):
            image = instance(getattr(self, what), Image, what, "open_measured opens a file")
            if not {"R", "G", "B"} <= set(image.channels):
                raise ArgumentError(what, f"it has {', '.join(image.channels)}, not R, G and B", "give a colour")

    @classmethod
    def of_light(cls, image: Image) -> Self:
        """A scene-linear picture that comes from no file, such as a render of a graph's node.

        Args:
            image: R G B, scene-linear. Further channels are left out.

        Raises:
            ArgumentError: not an `Image`, or one without R, G and B.
        """
        instance(image, Image, "image", "give the result of Composition.render, or Image.from_array")
        type = image.type
        if not isinstance(type, Colour):
            raise ArgumentError("image", f"it is {type}, not colour", "give R G B as colour")
        if not type.encoding.linear:
            raise ArgumentError("image", f"it is in {type.encoding}, not scene-linear", "convert it first")
        planes = {name: image[name] for name in "RGB"}
        light = replace(image, planes=planes, type=Colour("none", type.encoding))
        coverage = image["A"] if "A" in image.channels else None
        return cls(light, light, HALF_MAX, (), coverage, type.alpha == "premultiplied")

    def remembered(self, what: str, find: Callable[[], _Value]) -> _Value:
        """A result about the whole picture: from memory, or of ``find``, which is called once."""
        if what not in self._memory:
            self._memory[what] = find()
        value: _Value = self._memory[what]
        return value


def opened(given: object, what: str) -> Measured:
    """The value, if it is a `Measured`.

    Raises:
        ArgumentError: it is not.
    """
    return instance(given, Measured, what, "open_measured opens a file, Measured.of_light takes an Image")


def open_picture(
    path: PathLike,
    *,
    frame: int | None = None,
    layer: str = "",
    encoding: str | None = None,
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
    root: PathLike = ".",
) -> Image:
    """R G B of a file as scene-linear light: ``open_measured(…).light``.

    Args and errors are those of `open_measured`.

    Returns:
        R G B over the file's data window, float32.
    """
    return open_measured(
        path,
        frame=frame,
        layer=layer,
        encoding=encoding,
        working_space=working_space,
        colour_config=colour_config,
        root=root,
    ).light


def open_measured(
    path: PathLike,
    *,
    frame: int | None = None,
    layer: str = "",
    encoding: str | None = None,
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
    root: PathLike = ".",
    coverage: bool = False,
    names: Names = PARAMETERS,
) -> Measured:
    """Open the colour of a file for measuring.

    Values that are not finite come out as they are.

    Args:
        path: file, or a file sequence with a frame token.
        frame: frame number; needed where the path has a token.
        layer: layer to take R G B from; the file's own R G B when empty.
        encoding: its colour space; the file's own header decides when None.
        working_space: scene-linear space of the result.
        colour_config: name or path of the OCIO config.
        root: folder for relative paths.
        coverage: whether A is opened too, of the layer or else of the file.
        names: what messages call these inputs.

    Returns:
        R G B over the file's data window, scene-linear and as stored.

    Raises:
        ArgumentError: an argument of the wrong kind.
        RequestError: no frame for a sequence, no such file or layer, an encoding that is unknown, or one made for
            a display. Numbers made for a display are not proportional to light.
        FileError: the file is damaged.
    """
    file = str(arguments.file_path(path)) if isinstance(path, os.PathLike) else arguments.text(path, "path")
    arguments.text(layer, "layer")
    instance(names, Names, "names", "leave it out")
    folder = arguments.file_path(root, "root")
    return open_source(
        Source(file, frame, encoding, working_space, colour_config, folder, names), layer, coverage=coverage
    )


def open_source(source: Source, layer: str = "", *, coverage: bool = False) -> Measured:
    """Colour of a source, read once; see `open_measured`."""
    header = source.header()
    taken = _colour_of(source, layer, header)
    graph, nodes = source.graph(), ["light", "colour"]
    graph.add("pick_channels", "colour", layers="file", as_="colour", layer=layer, alpha="none")
    graph.add("convert_colour", "light", image="colour")
    covers = next((name for name in (f"{layer}.A" if layer else "A", "A") if name in header.channels), None)
    if coverage and covers is not None:
        graph.add("pick_channels", "coverage", layers="file", as_="matte", channels={"A": covers})
        nodes.append("coverage")
    images = source.images(graph, nodes)
    resolved = resolve(source.root, source.path, source.number)
    whole_numbers = _holds_whole_numbers(resolved)
    ceiling = _ceiling(images["colour"], whole_numbers, taken)
    doubts = (*source.doubts, *_doubts(source, resolved, taken, whole_numbers))
    alpha = images["coverage"]["A"] if "coverage" in images else None
    premultiplied = alpha is not None and header.alpha == "premultiplied"
    return Measured(images["light"], images["colour"], ceiling, doubts, alpha, premultiplied)


def _colour_of(source: Source, layer: str, header: Layers) -> Encoding:
    """The encoding of the colours that are to be measured.

    Raises:
        RequestError: no such layer, no R G B in it, no encoding, or one made for a display.
    """
    problems = [*colour_missing(source, layer, header.channels)]
    if problems:
        raise RequestError(problems)
    if header.encoding is None:
        says = f"; {header.header_says}" if header.header_says else ""
        raise RequestError(
            Problem(
                "encoding-unknown",
                f"{source.path}: the colour space of its colours is not known{says}",
                f"name it with {source.names.encoding}, such as ACEScct or ACEScg",
            )
        )
    if header.encoding.family not in ("scene-linear", "log"):
        raise RequestError(
            Problem(
                "not-linear",
                f"{source.path} is in {header.encoding}: its numbers are made for a display, "
                "not proportional to light",
                "measure the camera's or the renderer's own file, "
                f"or name its true encoding with {source.names.encoding}",
            )
        )
    return header.encoding


def _doubts(source: Source, file: Path, taken: Encoding, whole_numbers: bool) -> tuple[str, ...]:
    """Sentences about an encoding that was named and contradicts the file."""
    if source.encoding is None:
        return ()
    in_header = header_encoding(file, source.colour_config)
    if in_header is not None and in_header != taken:
        return (f"{source.path} says {in_header} in its header, but is read as {taken}, as requested",)
    if whole_numbers and taken.linear:
        return (
            f"{source.path} holds whole numbers, which are seldom proportional to light, but is read as {taken}, "
            "as requested; most such files are made for a display and cannot be measured",
        )
    return ()


def header_encoding(path: Path, colour_config: str = DEFAULT_CONFIG) -> Encoding | None:
    """The encoding that an OpenEXR file's header names; None where it names none, or for other files."""
    from stackcomp.files import colour, colour_tags, exr
    from stackcomp.files.formats import format_of

    if format_of(path) != "OpenEXR":
        return None
    name = colour_tags.from_header(exr.read_header(path).metadata)
    try:
        return None if name is None else colour.encoding(name, colour_config)
    except colour.UnknownEncoding:
        return None


def _ceiling(stored: Image, whole_numbers: bool, encoding: Encoding) -> float:
    """1 for whole numbers and for log encodings, of which 1 is the largest code; else half's largest."""
    if not whole_numbers and encoding.family != "log":
        return HALF_MAX
    beyond = any(float(plane.max(where=np.isfinite(plane), initial=0)) > 1 for plane in stored.planes.values())
    return HALF_MAX if beyond else 1.0


def _holds_whole_numbers(path: Path) -> bool:
    """Whether a file holds whole numbers; OpenEXR does not for colour, TIFF may."""
    ending = path.suffix.lower()
    if ending in (".tif", ".tiff"):
        import tifffile

        with tifffile.TiffFile(path) as file:
            return file.pages.first.dtype is None or file.pages.first.dtype.kind != "f"
    return ending != ".exr"
