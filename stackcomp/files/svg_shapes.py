"""Closed curves from SVG files (Scalable Vector Graphics, W3C: SVG 2 and 1.1).

Paths, basic shapes, transforms and styles are read by svgelements; what is drawn is found by
`stackcomp.files.svg_tree`. Of what is drawn the inside counts, by its ``fill-rule``; colours, strokes and opacity
do not. What is no shape is left out and named, and so are clipping, masks and filters, which would change what is
seen.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np

from stackcomp.data.keyed_points import COLUMNS, FARTHEST
from stackcomp.errors import FileError, cut
from stackcomp.files.file_state import FileState, file_state, one_state
from stackcomp.files.svg_tree import NAMESPACE, drawn_tree
from stackcomp.files.svg_view import Viewport, box_of, fitted, is_align, length
from stackcomp.kernels.compiled import Array

__all__ = ["SvgFile", "SvgShape", "read_svg"]

#: Largest size of a file in bytes.
_LARGEST = 64 * 2**20


@dataclass(frozen=True, eq=False)
class SvgShape:
    """One element of a file.

    Attributes:
        name: its id, or what it is where it has none.
        names: its id and those of the groups around it.
        even_odd: its ``fill-rule``.
        points: ``(n, 8)`` float64, as in `stackcomp.data.keyed_points`; user units of the file.
        starts: where each of its curves begins in ``points``, and the number of points.
    """

    name: str
    names: frozenset[str]
    even_odd: bool
    points: Array
    starts: tuple[int, ...]


@dataclass(frozen=True)
class SvgFile:
    """The shapes of a file.

    Attributes:
        shapes: in the order in which they are drawn.
        left_out: what is no shape, in words, with the ids of it and of the groups around it.
        box: min-x, min-y, width and height of the ``viewBox``; None where there is none.
        align: ``preserveAspectRatio``.
        size: ``width`` and ``height`` in pixels where the file says them.
    """

    shapes: tuple[SvgShape, ...]
    left_out: tuple[tuple[str, frozenset[str]], ...]
    box: tuple[float, float, float, float] | None
    align: str
    size: tuple[float, float] | None

    @property
    def names(self) -> list[str]:
        """All ids, in order."""
        return list(dict.fromkeys(name for shape in self.shapes for name in sorted(shape.names)))

    def to_frame(self, width: float, height: float) -> Array:
        """The matrix from user units to a frame of that size, 3×3.

        Source: SVG 2, section 8.2, the ``viewBox`` and ``preserveAspectRatio``. Without ``viewBox`` a user unit
        is a pixel.
        """
        if self.box is None:
            return np.eye(3)
        across, down, left, top = fitted(self.box, self.align, width, height)
        return np.array([[across, 0, left], [0, down, top], [0, 0, 1]])


def read_svg(path: Path, opened: dict[Path, FileState] | None = None) -> SvgFile:
    """Return the shapes of a file; it is read once for each of its states.

    Args:
        path: the file.
        opened: files of a frame and their states; the file's own is added, or must be the one that is there.

    Raises:
        FileError: it cannot be read, is no SVG, or numbers in it cannot be used.
    """
    state = (opened or {}).get(path) or file_state(path)
    with one_state(path, state):
        read = _read(path, state)
    if opened is not None:
        opened[path] = state
    return read


@lru_cache(maxsize=32)
def _read(path: Path, state: FileState) -> SvgFile:
    from svgelements import SVG

    if state.size > _LARGEST:
        raise FileError(
            path, f"it has {state.size / 2**20:.0f} MB, more than any drawing", "write only the shapes"
        )
    try:
        root = ElementTree.fromstring(path.read_bytes())
    except OSError as error:
        raise FileError(path, f"cannot be read: {(error.strerror or str(error)).lower()}") from None
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise FileError(path, f"it is no XML: {error}", "write it as plain SVG, not compressed") from None
    if root.tag.removeprefix(NAMESPACE) != "svg":
        raise FileError(path, f"its first element is <{cut(str(root.tag), 40)}>, not <svg>", "write it as SVG")
    box, align, size = box_of(path, root), root.get("preserveAspectRatio", "xMidYMid meet"), _size(root)
    if not is_align(align):
        raise FileError(path, f'its preserveAspectRatio is "{cut(align, 40)}"', 'write it as in "xMidYMid meet"')
    # Coordinates stay in user units, whatever the frame; shares of the picture are those of the viewBox.
    drawn, left_out = drawn_tree(path, root, Viewport(*(box[2:] if box else size or (None, None))))
    if root.get("transform"):
        left_out.append(("the transform of the whole file", frozenset()))
    flat = ElementTree.Element(f"{NAMESPACE}svg", {"width": "1", "height": "1"})
    flat.attrib |= {key: root.attrib[key] for key in ("class", "style", "fill-rule") if key in root.attrib}
    flat.extend([*root.iter(f"{NAMESPACE}style"), *root.iter("style"), *drawn])
    text = io.StringIO(ElementTree.tostring(flat, encoding="unicode"))
    try:
        drawing = SVG.parse(text, reify=False, width=1, height=1)
        shapes = tuple(shape for element in drawing for shape in _shapes(path, element, frozenset()))
    except FileError:
        raise
    except (ValueError, TypeError, LookupError, ArithmeticError, AttributeError, RecursionError) as error:
        reason = cut(str(error) or type(error).__name__, 100)
        raise FileError(path, f"its shapes cannot be read: {reason}", "write it again as plain SVG") from None
    return SvgFile(shapes, tuple(left_out), box, align.strip(), size)


def _size(root: ElementTree.Element) -> tuple[float, float] | None:
    """Width and height in pixels, where the file says them."""
    try:
        width, height = length(root.get("width", "")), length(root.get("height", ""))
    except ValueError:
        return None
    return (width, height) if 0 < width < math.inf and 0 < height < math.inf else None


def _shapes(path: Path, element: Any, around: frozenset[str]) -> Iterator[SvgShape]:
    """The shapes in an element of svgelements, which is a list where it is a group."""
    from svgelements import Group, Shape

    name = getattr(element, "id", None) or ""
    names = around | {name} if name else around
    if isinstance(element, Group):
        for child in element:
            yield from _shapes(path, child, names)
    elif isinstance(element, Shape) and element.values.get("visibility", "") not in ("hidden", "collapse"):
        curves = [curve for curve in _curves(element) if len(curve) > 1]
        if not curves:
            return
        points = np.array([point for curve in curves for point in curve])
        kind = type(element).__name__.lower().removeprefix("simple")
        if not (np.abs(points) <= FARTHEST).all():
            label = f'{kind} "{cut(name, 40)}"' if name else kind
            raise FileError(
                path, f"{label} has coordinates beyond ±{FARTHEST:.0f}, or not finite", "draw it smaller"
            )
        starts = np.cumsum([0, *map(len, curves)]).tolist()
        even_odd = str(element.values.get("fill-rule", "")).strip() == "evenodd"
        yield SvgShape(name or kind, names, even_odd, points, tuple(starts))


def _curves(element: Any) -> Iterator[list[list[float]]]:
    """The curves of a shape: points with tangents, each closed by a line where it is open."""
    import svgelements as svg

    outline = svg.Path(element)
    # An arc with a radius of 0 is a line: SVG 2, section 9.5.1.
    for k, piece in enumerate(outline):
        if isinstance(piece, svg.Arc) and not (piece.rx and piece.ry):
            outline[k] = svg.Line(piece.start, piece.end)
    # Before the transform is applied: arcs of the library cannot be sheared.
    outline.approximate_arcs_with_cubics(error=0.05)
    outline = abs(outline)
    curve: list[list[float]] = []
    for piece in outline:
        if isinstance(piece, svg.Move):
            yield _closed(curve)
            curve = [_point(piece.end)]
            continue
        if isinstance(piece, svg.Close):
            first = curve[0][:2] if curve else None
            yield _closed(curve)
            curve = [] if first is None else [[*first, *[0.0] * (COLUMNS - 2)]]
            continue
        if not curve:
            curve = [_point(piece.start)]
        end = _point(piece.end)
        if isinstance(piece, svg.CubicBezier):
            _tangents(curve[-1], piece.control1, end, piece.control2)
        elif isinstance(piece, svg.QuadraticBezier):
            middle = piece.control
            _tangents(
                curve[-1],
                piece.start + (middle - piece.start) * (2 / 3),
                end,
                piece.end + (middle - piece.end) * (2 / 3),
            )
        curve.append(end)
    yield _closed(curve)


def _point(at: Any) -> list[float]:
    return [float(at.x), float(at.y), *[0.0] * (COLUMNS - 2)]


def _tangents(start: list[float], out: Any, end: list[float], into: Any) -> None:
    start[4], start[5] = float(out.x) - start[0], float(out.y) - start[1]
    end[2], end[3] = float(into.x) - end[0], float(into.y) - end[1]


def _closed(curve: list[list[float]]) -> list[list[float]]:
    """The curve without a last point that is the first again."""
    if len(curve) > 2 and math.dist(curve[0][:2], curve[-1][:2]) <= 1e-9 * (
        1 + abs(curve[0][0]) + abs(curve[0][1])
    ):
        curve[0][2:4] = curve[-1][2:4]
        return curve[:-1]
    return curve
