"""The black of a plate, and how far a CG picture's darkest parts are from it.

A camera's black is a veil of stray light and electronic offset that lies over the whole picture, so it can be read
wherever the set sends next to no light. Every real shadow sends some: what is measured is the veil or more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image, Plane
from stackcomp.errors import Problem, RequestError
from stackcomp.measure.area import Area

__all__ = [
    "BlackError",
    "BlackLevel",
    "CoveredDarkest",
    "Part",
    "black_of_areas",
    "darkest_covered",
    "darkest_region",
]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Three = tuple[float, float, float]

#: Side of the box over which grain is averaged before anything is called dark.
_BOX = 7
#: Side of the squares whose means tell how much neighbouring pixels have in common.
_BLOCK = 8
#: Fewest pixels of a region from which a level may be read.
_FEWEST = 25
#: Robust standard deviations beyond which a pixel is a speck: one in half a billion of a normal distribution.
_SPECK = 6.0
#: A median of absolute deviations times this is a normal distribution's standard deviation.
_MAD = 1.4826
#: A level above which it is more likely that something lit was measured. Common practice, no source.
_BRIGHT = 0.05


class BlackError(RequestError):
    """A black level that cannot be measured."""

    def __init__(self, message: str, way_out: str) -> None:
        super().__init__(Problem("black", message, way_out))


@dataclass(frozen=True)
class Part:
    """One area that was measured: its name, bounds (x, y, width, height), pixels and mean of R, G, B."""

    area: str
    bounds: tuple[int, int, int, int]
    pixels: int
    mean: Three


@dataclass(frozen=True)
class BlackLevel:
    """The black of a plate.

    Attributes:
        black: R, G, B, scene-linear; the mean without specks.
        standard_error: of each. Where neighbouring pixels vary together (grain of real cameras does), it is that
            of the means of squares of 8 pixels a side.
        standard_deviation: of single pixels: the grain.
        pixels: how many were measured, and ``specks`` how many more were left out as not finite or far off.
        found: ``"areas"`` that were named, or the picture's ``"darkest region"``.
        parts: where.
        warnings: what is doubtful.
    """

    black: Three
    standard_error: Three
    standard_deviation: Three
    pixels: int
    specks: int
    found: str
    parts: tuple[Part, ...]
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "parts": [asdict(part) for part in self.parts], "warnings": list(self.warnings)}


@dataclass(frozen=True)
class CoveredDarkest:
    """The darkest of a CG picture: a percentile of each channel, divided by alpha, where alpha is nearly 1."""

    darkest: Three
    percentile: float
    pixels: int

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return asdict(self)


def black_of_areas(plate: Image, areas: Sequence[Area]) -> BlackLevel:
    """The black level of areas that somebody has chosen; all their pixels count alike, each once.

    Args:
        plate: R G B, scene-linear.
        areas: where; at least one.

    Raises:
        AreaError: an area leaves the picture or holds no pixel.
        BlackError: no finite pixel is in them.
    """
    mask = np.zeros(plate.window.shape, bool)
    parts = []
    for area in areas:
        area.pixels(plate)  # says it when the area leaves the picture
        mine = np.zeros_like(mask)
        mine[area.bounds.slices_in(plate.window)] = area.mask(area.bounds)
        parts.append(_part(plate, mine, area.text))
        mask |= mine
    return _level(plate, mask, "areas", tuple(parts))


def darkest_region(plate: Image, *, share: float = 0.1) -> tuple[BlackLevel, Mask]:
    """The black level of a plate's darkest connected region.

    Grain is smoothed first (median of 3 × 3 against specks, then a mean over 7 × 7), so that a region counts as
    dark and not a pixel. The seed is all that lies at or below a low percentile; the level of its largest
    connected part, plus three times the noise that smoothing leaves, is then the limit for the region, so that
    its grain is not cut off at one side. The level itself is read from the pixels as they are.

    Args:
        plate: R G B, scene-linear.
        share: how much of the picture is the seed, in percent.

    Returns:
        The level, and which pixels of the plate's window are in the region.

    Raises:
        BlackError: the picture is too small, or all of one level.
    """
    from scipy import ndimage

    if min(plate.window.shape) < 2 * _BOX:
        raise BlackError(
            f"the picture is {plate.window}, too small to look for its darkest region",
            "name an area with --plate-area",
        )
    grey = _grey(plate)
    smooth = ndimage.uniform_filter(ndimage.median_filter(grey, 3, mode="nearest"), _BOX, mode="nearest")
    if np.ptp(smooth) == 0:
        raise BlackError("the whole picture has one level, so no part of it is the darkest", "name an area")
    limit = float(np.percentile(smooth, share))
    seed = _largest(smooth <= limit)
    noise = _noise(grey, smooth <= np.percentile(smooth, max(10 * share, 1.0))) / _BOX
    for _ in range(2):
        # From the middle of the part up; twice, since the middle of the darkest pixels alone lies too low.
        limit = max(limit, float(np.median(smooth[seed])) + 3 * noise)
        grown, _count = ndimage.label(smooth <= limit, np.ones((3, 3)))
        inside = grown[seed]
        seed = grown == np.bincount(inside[inside > 0]).argmax()
    if seed.sum() < _FEWEST:
        raise BlackError(
            f"the darkest connected region has {int(seed.sum())} pixels, too few to tell its level from grain",
            "name an area with --plate-area",
        )
    part = _part(plate, seed, "")
    return _level(plate, seed, "darkest region", (part,)), seed


def darkest_covered(
    other: Image,
    alpha: Plane | None,
    *,
    premultiplied: bool = True,
    percentile: float = 0.5,
    area: Area | None = None,
) -> CoveredDarkest:
    """How dark the darkest parts of CG are.

    Args:
        other: R G B, scene-linear.
        alpha: coverage over the same window; None where the picture has none and is all covered.
        premultiplied: whether its colour is; it is then divided by alpha.
        percentile: of the covered pixels, for each channel by itself.
        area: look only here.

    Raises:
        AreaError: the area leaves the picture.
        BlackError: no pixel is covered (alpha above .99).
    """
    covered = np.ones(other.window.shape, bool) if alpha is None else alpha > 0.99
    if area is not None:
        area.pixels(other)
        inside = np.zeros_like(covered)
        inside[area.bounds.slices_in(other.window)] = area.mask(area.bounds)
        covered &= inside
    pixels = _stack(other)[covered]
    if alpha is not None and premultiplied:
        pixels /= alpha[covered].astype(np.float64)[:, None]
    pixels = pixels[_finite(pixels)]
    if not len(pixels):
        raise BlackError(
            "the other picture has no covered pixel (alpha above 0.99) to look at",
            "name a beauty pass with coverage, or its layer with --layer",
        )
    darkest: Floats = np.asarray(np.percentile(pixels, percentile, axis=0))
    return CoveredDarkest(_three(darkest), percentile, len(pixels))


def _stack(image: Image) -> Floats:
    return np.stack([np.float64(image[name]) for name in "RGB"], axis=-1)


def _finite(pixels: Floats) -> Mask:
    """Which rows are finite in all channels."""
    return np.asarray(np.isfinite(pixels).all(axis=1))


def _grey(plate: Image) -> Floats:
    """The mean of the channels; what is not finite is as bright as the brightest, so that it is nowhere dark."""
    grey: Floats = _stack(plate).mean(axis=-1)
    finite = np.isfinite(grey)
    if not finite.any():
        raise BlackError("no pixel of the plate is finite", "look at the file")
    return np.asarray(np.where(finite, grey, grey[finite].max()))


def _largest(mask: Mask) -> Mask:
    """The largest part that hangs together, corners included."""
    from scipy import ndimage

    parts, count = ndimage.label(mask, np.ones((3, 3)))
    if not count:
        return mask
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    return np.asarray(np.equal(parts, sizes.argmax()))


def _noise(grey: Floats, dark: Mask) -> float:
    """Standard deviation of dark pixels, from pairs two apart: slow changes of light do not count."""
    both = dark[:, 2:] & dark[:, :-2]
    pairs = (grey[:, 2:] - grey[:, :-2])[both]
    return float(_MAD * np.median(np.abs(pairs)) / np.sqrt(2)) if pairs.size else 0.0


def _part(plate: Image, mask: Mask, name: str) -> Part:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    x, y = int(columns[0]) + plate.window.x0, int(rows[0]) + plate.window.y0
    bounds = (x, y, int(columns[-1] - columns[0]) + 1, int(rows[-1] - rows[0]) + 1)
    pixels = _stack(plate)[mask]
    pixels = pixels[_finite(pixels)]
    if not len(pixels):
        raise BlackError(f"no pixel of the area {name or bounds} is finite", "choose another area")
    text = name or ",".join(str(number) for number in bounds)
    return Part(text, bounds, int(mask.sum()), _three(pixels.mean(axis=0)))


def _level(plate: Image, mask: Mask, found: str, parts: tuple[Part, ...]) -> BlackLevel:
    values = _stack(plate)[mask]
    keep = _finite(values)
    centre = np.median(values[keep], axis=0)
    spread = _MAD * np.median(np.abs(values[keep] - centre), axis=0)
    keep[keep] = (np.abs(values[keep] - centre) <= np.where(spread > 0, _SPECK * spread, np.inf)).all(axis=1)
    at = np.argwhere(mask)[keep]
    values = values[keep]
    mean, deviation = values.mean(axis=0), values.std(axis=0)
    error = np.maximum(deviation / np.sqrt(len(values)), _error_of_blocks(values, at))
    return BlackLevel(
        black=_three(mean),
        standard_error=_three(error),
        standard_deviation=_three(deviation),
        pixels=len(values),
        specks=int(mask.sum()) - len(values),
        found=found,
        parts=parts,
        warnings=tuple(_doubts(values, mean, deviation, error, parts)),
    )


def _error_of_blocks(values: Floats, at: npt.NDArray[np.int64]) -> Floats:
    """Standard error of the mean from the means of squares of pixels, each weighing as many as it holds."""
    _, block = np.unique(at // _BLOCK, axis=0, return_inverse=True)
    weight = np.bincount(block.ravel()).astype(np.float64)
    if len(weight) < 4:
        return np.zeros(3)
    means = np.stack([np.bincount(block.ravel(), values[:, k]) / weight for k in range(3)], axis=-1)
    share = weight / weight.sum()
    off = means - values.mean(axis=0)
    found: Floats = np.sqrt((share[:, None] ** 2 * off**2).sum(axis=0) * len(weight) / (len(weight) - 1))
    return found


def _doubts(values: Floats, mean: Floats, deviation: Floats, error: Floats, parts: tuple[Part, ...]) -> list[str]:
    said = []
    if mean.max() > _BRIGHT:
        said.append(f"a level of {mean.max():.3g} is bright for a black: make sure that nothing lit was measured")
    if mean.min() < 0:
        said.append("the black is below 0: the camera's offset was taken off before, perhaps twice")
    if (deviation == 0).all():
        said.append(
            "all pixels have the very same value: a border or a painted mask rather than what a camera saw"
        )
    elif ((values == values.min(axis=0)).sum(axis=0) > max(5, 0.02 * len(values))).any():
        # Stored numbers repeat, but the lowest of many with grain is alone unless something was cut off below.
        said.append("the grain is cut off at its lowest value, so the true black is lower than measured")
    means = np.array([part.mean for part in parts])
    counts = np.array([[part.pixels] for part in parts])
    apart = np.ptp(means, axis=0) if len(parts) > 1 else np.zeros(3)
    if (apart > 4 * np.sqrt((deviation**2 / counts).sum(axis=0)) + 1e-9).any():
        darkest = parts[int(means.sum(axis=1).argmin())].area
        said.append(
            f"the areas differ by up to {apart.max():.2g}, more than grain explains; {darkest} is the darkest"
        )
    return said


def _three(numbers: Floats) -> Three:
    return float(numbers[0]), float(numbers[1]), float(numbers[2])
