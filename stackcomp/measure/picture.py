"""A file opened for measuring: colour in scene-linear light of the working space."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.port_types import Encoding, Layers
from stackcomp.errors import Problem, RequestError
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.paths import resolve
from stackcomp.measure.source import PARAMETERS, Names, Source, colour_missing

__all__ = ["HALF_MAX", "Measured", "open_measured", "open_picture"]


_Found = TypeVar("_Found")

HALF_MAX = 65504.0
"""The largest number of a half float."""


@dataclass(frozen=True, eq=False)
class Measured:
    """A file's colour as light, and as it was stored.

    Attributes:
        light: R G B, scene-linear in the working space, over the file's data window.
        stored: R G B as in the file, before any curve or matrix; what is clipped can only be seen here.
        ceiling: the largest value that the file can hold: 65504 for OpenEXR and float TIFF (half's largest);
            1 for whole numbers, and for log encodings unless a pixel is above it.
        doubts: sentences about an encoding that was named and does not look right.
    """

    light: Image
    stored: Image
    ceiling: float
    doubts: tuple[str, ...] = ()
    _memory: dict[str, Any] = field(default_factory=dict, repr=False)

    def remembered(self, what: str, find: Callable[[], _Found]) -> _Found:
        """What was found about the whole picture before, or what ``find`` finds now."""
        if what not in self._memory:
            self._memory[what] = find()
        found: _Found = self._memory[what]
        return found


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
    """R G B of a file as scene-linear light: `open_measured` without what was stored."""
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
    path: str | Path,
    *,
    frame: int | None = None,
    layer: str = "",
    encoding: str | None = None,
    working_space: str = "ACEScg",
    colour_config: str = DEFAULT_CONFIG,
    root: str | Path = ".",
    names: Names = PARAMETERS,
) -> Measured:
    """R G B of a file as scene-linear light, and as stored.

    Args:
        path: file, or a file sequence with a frame token.
        frame: frame number; needed where the path has a token.
        layer: layer to take R G B from; the file's own R G B when empty.
        encoding: its colour space; the file's own header decides when None.
        working_space: scene-linear space of the result.
        colour_config: name or path of the OCIO config.
        root: folder for relative paths.
        names: what messages call these inputs.

    Values that are not finite come out as they are.

    Raises:
        RequestError: no frame given for a sequence.
        RequestError: no such file or layer, an encoding that is unknown, or one made for a display: such numbers
            are no longer proportional to light, and nothing measured on them would be.
        FileError: the file is damaged.
    """
    source = Source(str(path), frame, encoding, working_space, colour_config, root, names)
    header = source.header()
    taken = _colour_of(source, layer, header)
    graph = source.graph()
    graph.add("pick_channels", "colour", layers="file", as_="colour", layer=layer, alpha="none")
    graph.add("convert_colour", "light", image="colour")
    images = source.images(graph, ["light", "colour"])
    file = resolve(root, source.path, source.number)
    whole_numbers = _holds_whole_numbers(file)
    ceiling = _ceiling(images["colour"], whole_numbers, taken)
    doubts = _doubts(source.path, file, encoding, taken, whole_numbers, colour_config)
    return Measured(images["light"], images["colour"], ceiling, doubts)


def _colour_of(source: Source, layer: str, header: Layers) -> Encoding:
    """The encoding of the colours that are to be measured.

    Raises:
        RequestError: no such layer, no R G B in it, nobody who says the encoding.
        RequestError: an encoding made for a display.
    """
    problems = [*colour_missing(source, layer, header.channels)]
    if not problems and header.encoding is None:
        says = f"; {header.header_says}" if header.header_says else ""
        problems.append(
            Problem(
                "encoding-unknown",
                f"{source.path}: nobody says which colour space the colours are in{says}",
                f"name it with {source.names.encoding}, such as ACEScct or ACEScg",
            )
        )
    if problems or header.encoding is None:
        raise RequestError(problems)
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


def _doubts(
    text: str, path: Path, named: str | None, taken: Encoding, whole_numbers: bool, colour_config: str
) -> tuple[str, ...]:
    """What speaks against an encoding that somebody named."""
    if named is None:
        return ()
    said = header_encoding(path, colour_config)
    if said is not None and said != taken:
        return (f"{text} says {said} in its header, but is read as {taken}, as it was told to",)
    if whole_numbers and taken.linear:
        return (
            f"{text} holds whole numbers, which are hardly ever proportional to light, but is read as {taken}, "
            "as it was told to; most such files are made for a display and cannot be measured",
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
    except ValueError:
        return None


def _ceiling(stored: Image, whole_numbers: bool, encoding: Encoding) -> float:
    """Whole numbers end at 1, as do log encodings, of which 1 is the largest code; else half's largest."""
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
