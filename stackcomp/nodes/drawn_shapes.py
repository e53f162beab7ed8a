"""The shapes of a `shape_matte`: those in the graph, in a file of shapes or in an SVG file."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackcomp.data.shapes import Shape
from stackcomp.errors import BadValueError, FileError, did_you_mean
from stackcomp.files.file_state import FileState
from stackcomp.files.shapes_file import read_shapes
from stackcomp.files.svg_shapes import SvgFile, SvgShape, read_svg
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.curve_picture import DrawnShape

__all__ = ["Drawing", "drawing_of", "is_svg"]


@dataclass(frozen=True, eq=False)
class Drawing:
    """Some shapes, and the size of the picture that they were drawn for.

    Attributes:
        shapes: in order.
        size: width and height of the picture; None where it is the frame.
        svg: the SVG file that they come from.
        names: all names that may be chosen.
        left_out: what is no shape, in words.
    """

    shapes: tuple[Shape | SvgShape, ...]
    size: tuple[int, int] | None = None
    svg: SvgFile | None = None
    names: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()

    def at(self, times: Sequence[float], feather: Array) -> list[list[DrawnShape]]:
        """The shapes at some times; ``feather`` is added to the widths of all points."""
        more = np.array([0, 0, 0, 0, 0, 0, *feather])
        made: list[list[DrawnShape]] = [[] for _ in times]
        for shape in self.shapes:
            if isinstance(shape, SvgShape):
                one = DrawnShape(shape.points + more, shape.starts, even_odd=shape.even_odd)
                for some in made:
                    some.append(one)
                continue
            points = shape.points.at(times) + more
            for some, time, here in zip(made, times, points, strict=True):
                even_odd = shape.rule == "evenodd"
                opacity = shape.opacity_at(time)
                some.append(DrawnShape(here, (0, len(here)), shape.mode, even_odd, opacity))
        return made

    def to_frame(self, x: float, y: float, width: float, height: float) -> Array:
        """The matrix from pixels of the drawing to those of a frame that begins at x and y, 3×3."""
        if self.svg is not None:
            corner = np.array([[1, 0, x], [0, 1, y], [0, 0, 1]])
            placed: Array = corner @ self.svg.to_frame(width, height)
            return placed
        scale = 1.0 if self.size is None else width / self.size[0]
        return np.diag([scale, scale, 1.0])

    def fits(self, width: int, height: int) -> bool:
        """Whether the frame has the shape of the picture that they were drawn for, to a pixel."""
        if self.size is None or self.size == (width, height):
            return True
        across, down = self.size
        return abs(across * height - down * width) <= max(across, width)


def is_svg(path: str) -> bool:
    """Whether a path names an SVG file."""
    return path.lower().endswith(".svg")


def drawing_of(
    shapes: tuple[Shape, ...] | Path, only: Collection[str] | None, opened: dict[Path, FileState] | None = None
) -> Drawing:
    """Return the shapes that are written somewhere.

    Args:
        shapes: they themselves, or their file.
        only: names to choose; of an SVG file ids of shapes or groups.
        opened: files of a frame and their states.

    Raises:
        FileError: the file cannot be used.
        BadValueError: a name is not known.
    """
    if isinstance(shapes, Path) and is_svg(shapes.name):
        return _from_svg(shapes, only, opened)
    size = None
    if isinstance(shapes, Path):
        file = read_shapes(shapes, opened)
        shapes, size = file.shapes, (file.width, file.height)
    names = tuple(dict.fromkeys(shape.name for shape in shapes if shape.name))
    _look_for(only, names)
    chosen = tuple(shape for shape in shapes if only is None or shape.name in only)
    return Drawing(chosen, size, names=names)


def _from_svg(path: Path, only: Collection[str] | None, opened: dict[Path, FileState] | None) -> Drawing:
    svg = read_svg(path, opened)
    if not svg.shapes:
        raise FileError(path, "it has no shape", "draw paths; text must be made paths")
    _look_for(only, svg.names)
    chosen = tuple(shape for shape in svg.shapes if only is None or not shape.names.isdisjoint(only))
    left_out = tuple(what for what, names in svg.left_out if only is None or not names.isdisjoint(only))
    return Drawing(chosen, svg=svg, names=tuple(svg.names), left_out=left_out)


def _look_for(only: Collection[str] | None, names: Sequence[str]) -> None:
    """Check that all chosen names are known.

    Raises:
        BadValueError: one is not.
    """
    for name in only or ():
        if name not in names:
            way_out = did_you_mean(name, names) or "give shapes names to choose them by"
            raise BadValueError(f'there is no shape "{name}"', way_out)
