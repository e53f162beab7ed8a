"""The 24 patches of a colour chart in a picture, found from four corners.

The corners are those of the block of patches, half a gap outside of the outermost ones, in the order of the
upright chart: top left (beside the dark skin tone), top right, bottom right, bottom left (beside the white). A
homography leads from the chart's plane to the picture, so the chart may be seen at any angle. Of each patch, the
median of the middle half of its width and height is taken, so that edges, dust and grain have no effect.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.measure.area import Area, AreaError, parse_polygon, polygon
from stackcomp.measure.chart_data import COLUMNS, NAMES, ROWS
from stackcomp.measure.given import some_corners

__all__ = [
    "LEAST_PATCHES",
    "Corners",
    "Patches",
    "corners_of",
    "measure_chart",
    "parse_corners",
    "plain",
    "refuse_spoiled",
]

Array = npt.NDArray[np.float64]
Corners = tuple[tuple[float, float], ...]

LEAST_PATCHES = 12
"""The least number of patches for a fit: half of the chart."""

_INNER = 0.5  # of a patch's width and height
_MOST_LOST = 0.02  # share of clipped pixels up to which the median is used
# Standard error of the median of a large normal sample / that of its mean: sqrt(pi / 2).
_MEDIAN_ERROR = np.sqrt(np.pi / 2)


@dataclass(frozen=True, eq=False)
class Patches:
    """Measured patches of a chart, row by row.

    Attributes:
        values: medians R G B, ``(24, 3)``, scene-linear; NaN where no pixel is finite.
        errors: their standard errors, ``(24, 3)``, from the scatter of the patch's own pixels.
        pixels: number of pixels of each patch, ``(24,)``.
        clipped: number of clipped pixels, ``(24,)``.
        not_finite: number of pixels that are NaN or infinite, ``(24,)``.
        corners: of the block of patches, (x, y) in pixels.
    """

    values: Array
    errors: Array
    pixels: npt.NDArray[np.int64]
    clipped: npt.NDArray[np.int64]
    not_finite: npt.NDArray[np.int64]
    corners: Corners

    @property
    def dark(self) -> npt.NDArray[np.bool_]:
        """Patches without light: no channel is above 0."""
        return np.asarray((self.values <= 0).all(axis=1))

    @property
    def too_clipped(self) -> npt.NDArray[np.bool_]:
        """Patches of which more than 2 % are clipped."""
        return np.asarray(self.clipped > _MOST_LOST * self.pixels)

    @property
    def too_wild(self) -> npt.NDArray[np.bool_]:
        """Patches of which half the pixels or more are not finite."""
        return np.asarray(self.not_finite * 2 >= self.pixels)

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Patches whose values can be used: with light, at most 2 % clipped, mostly finite."""
        return np.asarray(~(self.too_clipped | self.too_wild | self.dark))

    def as_dict(self) -> dict[str, Any]:
        """As JSON data; NaN becomes null."""
        return {
            "corners": [list(corner) for corner in self.corners],
            "patches": [
                {
                    "name": name,
                    "median": plain(self.values[k]),
                    "standard_error": plain(self.errors[k]),
                    "pixels": int(self.pixels[k]),
                    "clipped": int(self.clipped[k]),
                    "not_finite": int(self.not_finite[k]),
                    "usable": bool(self.usable[k]),
                }
                for k, name in enumerate(NAMES)
            ],
        }


def plain(numbers: npt.ArrayLike) -> list[float | None]:
    """Numbers that JSON can hold: None for those that are not finite."""
    return [float(n) if np.isfinite(n) else None for n in np.asarray(numbers, np.float64).ravel()]


def parse_corners(text: str) -> Corners:
    """Corners of a chart from text.

    Args:
        text: ``"x,y;x,y;x,y;x,y"``.

    Raises:
        AreaError: not four points, or sides that cross.
    """
    corners = parse_polygon(text).corners
    _check(corners)
    return corners


def corners_of(given: str | Sequence[Sequence[float]]) -> Corners:
    """Corners of a chart from text or from four points.

    Raises:
        AreaError: not four points, or sides that cross.
    """
    if isinstance(given, str):
        return parse_corners(given)
    corners = some_corners(given)
    _check(corners)
    return corners


def measure_chart(
    image: Image,
    corners: Sequence[tuple[float, float]],
    *,
    clipped: Callable[[Area], npt.NDArray[np.bool_]] | None = None,
    black: Sequence[float] = (0.0, 0.0, 0.0),
) -> Patches:
    """Measure the patches.

    Args:
        image: scene-linear R G B.
        corners: four (x, y) in pixels of the frame, in the order of the module's text.
        clipped: function for the clipped pixels of an area, in the order of `Area.pixels`.
        black: the camera's black, R, G, B, which is subtracted.

    Raises:
        AreaError: not four corners, sides that cross, a chart that leaves the picture or is too small in it.
    """
    corners = polygon(corners)
    _check(corners)
    grid = _grid(corners)
    values, errors = np.full((len(NAMES), 3), np.nan), np.full((len(NAMES), 3), np.nan)
    counts = np.zeros((3, len(NAMES)), np.int64)
    for k, name in enumerate(NAMES):
        area = _inner(grid, k)
        try:
            pixels = area.pixels(image)[:, :3].astype(np.float64)
        except AreaError as error:
            raise AreaError(
                f'patch "{name}": {error.problems[0].message}',
                "give the corners of a chart that is wholly in the picture, with patches of some pixels",
            ) from error
        finite = np.isfinite(pixels).all(axis=1)
        lost = np.zeros(len(pixels), bool)
        if clipped is not None:
            lost = clipped(area)
        counts[:, k] = len(pixels), np.count_nonzero(lost), np.count_nonzero(~finite)
        good = pixels[finite]
        if len(good):
            values[k] = np.median(good, axis=0) - black
        if len(good) > 1:
            errors[k] = _MEDIAN_ERROR * good.std(axis=0, ddof=1) / np.sqrt(len(good))
    return Patches(values, errors, counts[0], counts[1], counts[2], corners)


def refuse_spoiled(patches: Patches, which: str) -> None:
    """Refuse a chart of which fewer than half of the patches can be used.

    Raises:
        AreaError: with the reasons.
    """
    if np.count_nonzero(patches.usable) >= LEAST_PATCHES:
        return
    reasons = (
        (patches.too_clipped, "clipped"),
        (patches.dark, "without light"),
        (patches.too_wild, "not finite"),
    )
    counts = ", ".join(f"{np.count_nonzero(bad)} are {word}" for bad, word in reasons if bad.any())
    raise AreaError(
        f"of the 24 patches of {which} {counts}; {LEAST_PATCHES} at least are needed",
        "choose a frame with the chart in even light, neither clipped nor in the dark; "
        "check the corners, and the black that is subtracted",
    )


def _grid(corners: Corners) -> Array:
    """The homography from columns and rows of the chart, whole numbers at its gaps, to the picture."""
    chart = ((0, 0), (COLUMNS, 0), (COLUMNS, ROWS), (0, ROWS))
    equations, points = [], []
    for (u, v), (x, y) in zip(chart, corners, strict=True):
        equations += [[u, v, 1, 0, 0, 0, -u * x, -v * x], [0, 0, 0, u, v, 1, -u * y, -v * y]]
        points += [x, y]
    return np.append(np.linalg.solve(np.array(equations, np.float64), np.array(points)), 1.0).reshape(3, 3)


def _inner(grid: Array, place: int) -> Area:
    row, column = divmod(place, COLUMNS)
    half = _INNER / 2
    square = [(column + 0.5 + dx * half, row + 0.5 + dy * half) for dx, dy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    projected = (grid @ np.array([(*point, 1.0) for point in square]).T).T
    points = polygon([(x / w, y / w) for x, y, w in projected])
    return Area(points, ";".join(f"{x:.1f},{y:.1f}" for x, y in points))


def _check(corners: Corners) -> None:
    if len(corners) != 4:
        raise AreaError(
            f"{len(corners)} points are not the corners of a chart",
            "give four, x,y;x,y;x,y;x,y: top left, top right, bottom right, bottom left of the block of patches",
        )
    points = np.array(corners)
    sides = np.roll(points, -1, axis=0) - points
    onward = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * onward[:, 1] - sides[:, 1] * onward[:, 0]
    if not ((turns > 0).all() or (turns < 0).all()):
        raise AreaError(
            "the corners of the chart are not in order around it: sides cross, or three corners are on one line",
            "give them in this order: top left, top right, bottom right, bottom left of the block of patches",
        )
