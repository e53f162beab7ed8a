"""The 24 patches of a colour chart in a picture, found from four corners.

The corners are those of the block of patches, half a gap outside of the outermost ones, in the order of the chart
held upright: top left (beside the dark skin tone), top right, bottom right, bottom left (beside the white). A
homography takes the chart's plane to the picture, so the chart may be seen at any angle. Of each patch the middle
half of its width and of its height counts, and there the median, so that edges, dust and grain do not.
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

__all__ = ["LEAST_PATCHES", "Corners", "Patches", "measure_chart", "parse_corners", "plain", "refuse_spoiled"]

Array = npt.NDArray[np.float64]
Corners = tuple[tuple[float, float], ...]

LEAST_PATCHES = 12
"""So many patches at least are fitted: half of the chart."""

_INNER = 0.5  # of a patch's width and height
_MOST_LOST = 0.02  # share of clipped pixels up to which the median stands
# Of the median of many draws from one normal distribution, in units of the mean's: sqrt(pi / 2).
_MEDIAN_ERROR = np.sqrt(np.pi / 2)


@dataclass(frozen=True, eq=False)
class Patches:
    """What was measured on a chart, row by row of the chart.

    Attributes:
        values: medians R G B, ``(24, 3)``; NaN where no pixel is finite.
        errors: standard errors of those, from the scatter of the patch's own pixels.
        pixels: how many pixels each patch was measured on, ``(24,)``.
        clipped: how many of them lie at the ceiling of what the file can hold.
        not_finite: how many are NaN or infinite.
        corners: of the block of patches, x and y in pixels.
    """

    values: Array
    errors: Array
    pixels: npt.NDArray[np.int64]
    clipped: npt.NDArray[np.int64]
    not_finite: npt.NDArray[np.int64]
    corners: Corners

    @property
    def dark(self) -> npt.NDArray[np.bool_]:
        """Patches without light: no channel above 0, where there are values at all."""
        return np.asarray((self.values <= 0).all(axis=1))

    @property
    def too_clipped(self) -> npt.NDArray[np.bool_]:
        """Patches of which more than 2 % are clipped."""
        return np.asarray(self.clipped > _MOST_LOST * self.pixels)

    @property
    def too_wild(self) -> npt.NDArray[np.bool_]:
        """Patches of which half or more is not finite."""
        return np.asarray(self.not_finite * 2 >= self.pixels)

    @property
    def usable(self) -> npt.NDArray[np.bool_]:
        """Patches whose numbers can be trusted: lit, hardly clipped, mostly finite."""
        return np.asarray(~(self.too_clipped | self.too_wild | self.dark))

    def as_dict(self) -> dict[str, Any]:
        """For ``--json`` and files of findings; what is not a number is null."""
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
    """Numbers that JSON can hold."""
    return [float(n) if np.isfinite(n) else None for n in np.asarray(numbers, np.float64).ravel()]


def parse_corners(text: str) -> Corners:
    """From ``x,y;x,y;x,y;x,y``.

    Raises:
        AreaError: not four points, or points that are no chart seen from its front: see `measure_chart`.
    """
    corners = parse_polygon(text).corners
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
        corners: four (x, y) in pixels of the frame, see the module's text.
        clipped: tells which pixels of an area are clipped, in the order of `Area.pixels`.
        black: the camera's black level R G B, subtracted.

    Raises:
        AreaError: not four corners, corners that cross, a chart that leaves the picture or is too small in it.
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
                "give the corners of a chart that lies in the picture as a whole, each patch some pixels large",
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
    """Make sure that half of the chart can be used.

    Raises:
        AreaError: it cannot; the message says why.
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
        "take a frame that shows the chart in even light, neither clipped nor in the dark; "
        "look at the corners, and at the black that is taken off",
    )


def _grid(corners: Corners) -> Array:
    """The homography that takes a column and a row of the chart, whole numbers at its gaps, to the picture."""
    chart = ((0, 0), (COLUMNS, 0), (COLUMNS, ROWS), (0, ROWS))
    equations, seen = [], []
    for (u, v), (x, y) in zip(chart, corners, strict=True):
        equations += [[u, v, 1, 0, 0, 0, -u * x, -v * x], [0, 0, 0, u, v, 1, -u * y, -v * y]]
        seen += [x, y]
    return np.append(np.linalg.solve(np.array(equations, np.float64), np.array(seen)), 1.0).reshape(3, 3)


def _inner(grid: Array, place: int) -> Area:
    row, column = divmod(place, COLUMNS)
    half = _INNER / 2
    square = [(column + 0.5 + dx * half, row + 0.5 + dy * half) for dx, dy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    seen = (grid @ np.array([(*point, 1.0) for point in square]).T).T
    points = polygon([(x / w, y / w) for x, y, w in seen])
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
            "the corners of the chart do not go around it: its sides cross, or three lie on one line",
            "go around the block of patches: top left, top right, bottom right, bottom left of the chart",
        )
