"""What the check says of shapes: those that cover nothing, and those that were drawn for another picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from stackcomp.data.keyed_points import COLUMNS
from stackcomp.data.shapes import Shape, Stroke
from stackcomp.data.window import Window
from stackcomp.errors import Problem, cut
from stackcomp.files.svg_shapes import SvgShape
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.drawn_shapes import Drawing

__all__ = ["shape_findings", "stroke_findings"]


def shape_findings(
    drawings: Sequence[Drawing], frame: Window, reach: tuple[float, float], moves: bool, feather: float
) -> Iterator[Problem]:
    """Findings about shapes.

    Args:
        drawings: the shapes of all frames, or once where they come from one file.
        frame: the frame at full size.
        reach: the times that will be rendered, first and last.
        moves: whether they follow something, so that where they are is not known here.
        feather: the most that is added to widths outward or inward, in pixels of the frame.
    """
    first = drawings[0]
    if not first.fits(frame.width, frame.height):
        assert first.size is not None
        yield Problem(
            "shapes-size",
            f"the shapes were drawn for {first.size[0]}×{first.size[1]} pixels, but the frame has "
            f"{frame.width}×{frame.height}, which is another shape",
            "draw them over the picture that the graph uses, or correct width and height of the file",
            field="shapes",
        )
        return
    left_out = list(dict.fromkeys(what for drawing in drawings for what in drawing.left_out))
    if left_out:
        some = ", ".join(left_out[:4]) + (f" and {len(left_out) - 4} more" if len(left_out) > 4 else "")
        yield Problem(
            "shapes-left-out",
            f"of the SVG file only the insides of shapes count, and these are not used: {some}",
            "make paths of them, or delete them from the file",
            field="shapes",
            severity="warning",
        )
    if any(svg.svg is not None and svg.svg.box is None and _other_size(svg, frame) for svg in drawings):
        yield Problem(
            "shapes-size",
            f"the SVG file has another size than the frame, {frame.width}×{frame.height}, and no viewBox: a unit "
            "of it is a pixel",
            "write a viewBox, so that it is fitted into the frame",
            field="shapes",
            severity="warning",
        )
    modes = [shape.mode for shape in first.shapes if isinstance(shape, Shape)]
    if modes and "add" not in modes[:1]:
        yield Problem(
            "shapes-nothing",
            f"the first shape is there to {modes[0]}, but nothing is there before it",
            "begin with a shape that adds",
            field="shapes",
            severity="warning",
        )
    if len(drawings) == 1:
        yield from _covering_nothing(first, frame, reach, moves, feather)


def _other_size(drawing: Drawing, frame: Window) -> bool:
    size = drawing.svg.size if drawing.svg is not None else None
    return size is not None and size != (frame.width, frame.height)


def _covering_nothing(
    drawing: Drawing, frame: Window, reach: tuple[float, float], moves: bool, feather: float
) -> Iterator[Problem]:
    """Shapes without area, and shapes wholly outside of the frame."""
    to_frame = drawing.to_frame(frame.x0, frame.y0, frame.width, frame.height)
    flat, outside = [], []
    for k, shape in enumerate(drawing.shapes):
        points = _all_points(shape, reach)
        name = f'"{cut(shape.name, 40)}"' if shape.name else f"shape {k + 1}"
        at = _controls(points) @ to_frame[:2, :2].T + to_frame[:2, 2]
        wide = float(points[:, 6:].max()) * float(np.abs(to_frame[:2, :2]).max()) + feather
        (x0, y0), (x1, y1) = at.min(axis=0) - wide, at.max(axis=0) + wide
        if wide == 0 and _is_flat(shape, reach):
            flat.append(name)
        elif not moves and (x1 <= frame.x0 or y1 <= frame.y0 or x0 >= frame.x1 or y0 >= frame.y1):
            outside.append(name)
    if flat:
        what = f"{_listed(flat)} no area: all points lie on one line"
        way_out = "move a point, or delete the shape"
        yield Problem("shapes-flat", what, way_out, field="shapes", severity="warning")
    if outside:
        what = f"{_listed(outside)} no pixel of the frame at any of its keys"
        way_out = "move it into the frame, or delete it"
        yield Problem("shapes-outside", what, way_out, field="shapes", severity="warning")


def stroke_findings(
    strokes: Sequence[Stroke], frame: Window, reach: tuple[float, float], moves: bool
) -> Iterator[Problem]:
    """Strokes that cover nothing; see `shape_findings`."""
    thin, outside = [], []
    for k, stroke in enumerate(strokes):
        points = stroke.points.reaching(*reach).rows.rows.reshape(-1, COLUMNS)
        name = f'"{cut(stroke.name, 40)}"' if stroke.name else f"stroke {k + 1}"
        at = _controls(points)
        wide = float(points[:, 6].max())
        (x0, y0), (x1, y1) = at.min(axis=0) - wide, at.max(axis=0) + wide
        if wide == 0:
            thin.append(name)
        elif not moves and (x1 <= frame.x0 or y1 <= frame.y0 or x0 >= frame.x1 or y0 >= frame.y1):
            outside.append(name)
    if thin:
        what = f"{_listed(thin)} nothing: the radius is 0 at all points"
        yield Problem("shapes-flat", what, "give a radius above 0", field="strokes", severity="warning")
    if outside:
        what = f"{_listed(outside)} no pixel of the frame at any of its keys"
        way_out = "move it into the frame, or delete it"
        yield Problem("shapes-outside", what, way_out, field="strokes", severity="warning")


def _controls(points: Array) -> Array:
    """The points and the ends of their tangents; no curve between them reaches farther."""
    return np.concatenate([points[:, :2], points[:, :2] + points[:, 2:4], points[:, :2] + points[:, 4:6]])


def _listed(names: list[str]) -> str:
    """The first names, and a verb."""
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    return f"{', '.join(names[:4])}{more} {'covers' if len(names) == 1 else 'cover'}"


def _all_points(shape: Shape | SvgShape, reach: tuple[float, float]) -> Array:
    if isinstance(shape, SvgShape):
        return shape.points
    # No curve of keys goes beyond the keys around it.
    rows = shape.points.reaching(*reach).rows.rows
    return rows.reshape(-1, rows.shape[1] // shape.points.count)


def _is_flat(shape: Shape | SvgShape, reach: tuple[float, float]) -> bool:
    """Whether all points of each key, with their tangents, lie on one line."""
    points = _all_points(shape, reach)
    for key in points.reshape(
        -1, len(points) if isinstance(shape, SvgShape) else shape.points.count, points.shape[1]
    ):
        at = _controls(key)
        spread = np.linalg.svd(at - at.mean(axis=0), compute_uv=False)
        if spread[1] > 1e-9 * max(1.0, spread[0]):
            return False
    return True
