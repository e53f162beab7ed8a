"""The black level of a plate, and the difference between it and the darkest parts of a CG picture.

A camera's black is a veil of stray light and electronic offset over the whole picture, so it can be measured where
the set sends almost no light. Every real shadow sends some: the level that is measured is the veil or more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import value_text
from stackcomp.data.image import Image, Plane
from stackcomp.errors import ArgumentError, Problem, RequestError
from stackcomp.measure.given import AreaLike, Triple, area_in, instance, number, some_areas
from stackcomp.measure.picture import Measured, opened

__all__ = [
    "BlackError",
    "BlackLevel",
    "BlackMatch",
    "CoveredDarkest",
    "Part",
    "black_of_areas",
    "darkest_covered",
    "darkest_region",
    "match_black",
]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

#: Side of the box over which grain is averaged before a region is called dark.
_BOX = 7
#: Side of the squares whose means show how strongly neighbouring pixels are correlated.
_BLOCK = 8
#: Fewest pixels of a region from which a level may be measured.
_FEWEST = 25
#: Robust standard deviations beyond which a pixel is a speck: one in half a billion of a normal distribution.
_SPECK = 6.0
#: A median of absolute deviations times this is a normal distribution's standard deviation.
_MAD = 1.4826
#: A level above which it is more likely that something lit was measured. Common practice, no source.
_BRIGHT = 0.05


class BlackError(RequestError):
    """A black level that cannot be measured.

    Args:
        what: what is wrong, with the value seen; or the problems themselves.
        way_out: what to do.
    """

    def __init__(self, what: str | Problem | Iterable[Problem], way_out: str = "") -> None:
        super().__init__(Problem("black", what, way_out) if isinstance(what, str) else what)


@dataclass(frozen=True)
class Part:
    """One area that was measured.

    Attributes:
        area: its text.
        bounds: x, y, width, height of the smallest rectangle around it.
        pixels: how many it holds.
        mean: R, G, B, scene-linear.
    """

    area: str
    bounds: tuple[int, int, int, int]
    pixels: int
    mean: Triple


@dataclass(frozen=True)
class BlackLevel:
    """The black of a plate.

    Attributes:
        black: R, G, B, scene-linear; the mean without specks.
        standard_error: of each. Where neighbouring pixels are correlated, as in the grain of real cameras, it is
            computed from the means of squares of 8 × 8 pixels.
        standard_deviation: of single pixels: the grain.
        pixels: how many were measured.
        specks: how many more were left out: not finite, or outliers.
        found: ``"areas"`` where areas were named, or ``"darkest region"``.
        parts: the areas.
        doubts: sentences about what may be wrong.
    """

    black: Triple
    standard_error: Triple
    standard_deviation: Triple
    pixels: int
    specks: int
    found: str
    parts: tuple[Part, ...]
    doubts: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "parts": [asdict(part) for part in self.parts], "doubts": list(self.doubts)}


@dataclass(frozen=True)
class CoveredDarkest:
    """The darkest parts of a CG picture.

    Attributes:
        darkest: R, G, B, scene-linear: the percentile of each channel over covered pixels, divided by alpha.
        percentile: which percentile, 0 to 100.
        pixels: number of covered pixels (alpha above .99).
    """

    darkest: Triple
    percentile: float
    pixels: int

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return asdict(self)


@dataclass(frozen=True, eq=False)
class BlackMatch:
    """The black of a plate, and the darkest parts of CG beside it.

    Attributes:
        plate: the black level of the plate; ``plate.black`` is R, G, B, scene-linear.
        region: the pixels of the darkest region, ``(height, width)`` over the plate's window; None where areas
            were named.
        other: the darkest parts of the CG; None where there is none.
    """

    plate: BlackLevel
    region: Mask | None = None
    other: CoveredDarkest | None = None

    @property
    def black(self) -> Triple:
        """The plate's black, R, G, B, scene-linear."""
        return self.plate.black

    @property
    def difference(self) -> Triple | None:
        """Plate's black - CG's darkest, R, G, B; None where there is no CG."""
        if self.other is None:
            return None
        red, green, blue = (a - b for a, b in zip(self.plate.black, self.other.darkest, strict=True))
        return red, green, blue

    @property
    def doubts(self) -> tuple[str, ...]:
        """Sentences about what may be wrong."""
        return self.plate.doubts

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        plate = self.plate.as_dict()
        return {
            "black": plate.pop("black"),
            "difference": None if self.difference is None else list(self.difference),
            "doubts": plate.pop("doubts"),
            "plate": plate,
            "other": None if self.other is None else self.other.as_dict(),
        }


def match_black(
    plate: Measured,
    plate_areas: Sequence[AreaLike] | AreaLike | None = None,
    other: Measured | None = None,
    other_area: AreaLike | None = None,
    *,
    percentile: float = 0.5,
) -> BlackMatch:
    """Measure the black level of a plate, to which CG is lifted.

    Args:
        plate: the camera's picture, from `open_measured`.
        plate_areas: areas without light, in pixels; the plate's darkest connected region when None.
        other: CG to compare with, opened with ``coverage=True``; none when None.
        other_area: part of the CG to look at; all of it when None.
        percentile: which percentile of the covered CG counts as its darkest, 0 to 100.

    Returns:
        The black level, the region, and the CG's darkest parts.

    Raises:
        AreaError: an area leaves its picture, or holds no pixel.
        BlackError: no level follows from the pixels.
        ArgumentError: an argument of the wrong kind or out of range.
    """
    plate = opened(plate, "plate")
    if other is None and other_area is not None:
        raise ArgumentError("other_area", "an area is given, but no other picture", "give other= too")
    level, region = (
        darkest_region(plate.light)
        if plate_areas is None
        else (black_of_areas(plate.light, some_areas(plate_areas, "plate_areas")), None)
    )
    if other is None:
        return BlackMatch(level, region)
    other = opened(other, "other")
    darkest = darkest_covered(
        other.light,
        other.coverage,
        premultiplied=other.premultiplied,
        percentile=percentile,
        area=None if other_area is None else area_in(other_area, other.light, "other_area"),
    )
    return BlackMatch(level, region, darkest)


def black_of_areas(plate: Image, areas: Sequence[AreaLike] | AreaLike) -> BlackLevel:
    """The black level of chosen areas. All their pixels count alike, each once.

    Args:
        plate: R G B, scene-linear.
        areas: one area or more, in pixels.

    Raises:
        AreaError: an area leaves the picture or holds no pixel.
        BlackError: no pixel in them is finite.
        ArgumentError: not a picture with R, G and B.
    """
    plate, areas = _rgb(plate, "plate"), some_areas(areas)
    mask = np.zeros(plate.window.shape, bool)
    parts = []
    for area in areas:
        area.pixels(plate)  # raises where the area leaves the picture
        mine = np.zeros_like(mask)
        mine[area.bounds.slices_in(plate.window)] = area.mask(area.bounds)
        parts.append(_part(plate, mine, area.text))
        mask |= mine
    return _level(plate, mask, "areas", tuple(parts))


def darkest_region(plate: Image, *, share: float = 0.1) -> tuple[BlackLevel, Mask]:
    """The black level of a plate's darkest connected region.

    Grain is smoothed first: a median of 3 × 3 pixels against specks, then a mean of 7 × 7. So a region counts as
    dark, not a pixel. The seed is all pixels at or below a low percentile. The limit of the region is the level of
    the seed's largest connected component, plus three times the noise that smoothing leaves, so that the grain of
    the region is not cut off at one side. The level is then computed from the pixels as they are.

    Args:
        plate: R G B, scene-linear.
        share: size of the seed, in percent of the picture.

    Returns:
        The level, and a mask of the region over the plate's window.

    Raises:
        BlackError: the picture is too small, has one level, or its darkest region has too few pixels.
        ArgumentError: not a picture with R, G and B, or a share that is out of range.
    """
    from scipy import ndimage

    plate = _rgb(plate, "plate")
    number(share, "share", above=0, most=100)
    if min(plate.window.shape) < 2 * _BOX:
        raise BlackError(
            f"the picture is {plate.window}, too small for a search for its darkest region",
            "name an area",
        )
    grey = _grey(plate)
    smooth = ndimage.uniform_filter(ndimage.median_filter(grey, 3, mode="nearest"), _BOX, mode="nearest")
    if np.ptp(smooth) == 0:
        raise BlackError("the whole picture has one level, so there is no darkest region", "name an area")
    limit = float(np.percentile(smooth, share))
    seed = _largest(smooth <= limit)
    noise = _noise(grey, smooth <= np.percentile(smooth, max(10 * share, 1.0))) / _BOX
    for _ in range(2):
        # From the median of the component upwards; twice, since the median of the darkest pixels alone is too low.
        limit = max(limit, float(np.median(smooth[seed])) + 3 * noise)
        grown, _count = ndimage.label(smooth <= limit, np.ones((3, 3)))
        inside = grown[seed]
        seed = grown == np.bincount(inside[inside > 0]).argmax()
    if seed.sum() < _FEWEST:
        raise BlackError(
            f"the darkest connected region has {int(seed.sum())} pixels, too few to separate its level from grain",
            "name an area",
        )
    part = _part(plate, seed, "")
    return _level(plate, seed, "darkest region", (part,)), seed


def darkest_covered(
    other: Image,
    alpha: Plane | None,
    *,
    premultiplied: bool = True,
    percentile: float = 0.5,
    area: AreaLike | None = None,
) -> CoveredDarkest:
    """The level of the darkest covered parts of CG.

    Args:
        other: R G B, scene-linear.
        alpha: coverage, ``(height, width)`` over the same window; None where the whole picture is covered.
        premultiplied: whether R G B are multiplied by alpha. They are then divided by it.
        percentile: which percentile of the covered pixels is taken, for each channel by itself; 0 to 100.
        area: part of the picture to look at; all of it when None.

    Raises:
        AreaError: the area leaves the picture.
        BlackError: no pixel is covered (alpha above .99).
        ArgumentError: an argument of the wrong kind, shape or range.
    """
    other = _rgb(other, "other")
    percentile = number(percentile, "percentile")
    if not 0 <= percentile <= 100:
        raise ArgumentError("percentile", f"{percentile:g} is out of range", "give 0 to 100")
    if alpha is not None and np.shape(alpha) != other.window.shape:
        raise ArgumentError(
            "alpha",
            f"{value_text(alpha)} does not have the picture's shape {other.window.shape}",
            "give coverage over the picture's data window",
        )
    covered = np.ones(other.window.shape, bool) if alpha is None else np.asarray(alpha) > 0.99
    if area is not None:
        area = area_in(area, other)
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
            "the other picture has no covered pixel (alpha above 0.99)",
            "name a beauty pass with coverage, or its layer",
        )
    darkest: Floats = np.asarray(np.percentile(pixels, percentile, axis=0))
    return CoveredDarkest(_triple(darkest), percentile, len(pixels))


def _rgb(given: Any, what: str) -> Image:
    image = instance(given, Image, what, "give the light of open_measured, or a rendered picture")
    if not {"R", "G", "B"} <= set(image.channels):
        raise ArgumentError(what, f"it has {', '.join(image.channels)}, not R, G and B", "give a colour")
    return image


def _stack(image: Image) -> Floats:
    return np.stack([np.float64(image[name]) for name in "RGB"], axis=-1)


def _finite(pixels: Floats) -> Mask:
    """A mask of the rows that are finite in all channels."""
    return np.asarray(np.isfinite(pixels).all(axis=1))


def _grey(plate: Image) -> Floats:
    """The mean of the channels. Values that are not finite become the largest value, so that they are not dark."""
    grey: Floats = _stack(plate).mean(axis=-1)
    finite = np.isfinite(grey)
    if not finite.any():
        raise BlackError("no pixel of the plate is finite", "check the file")
    return np.asarray(np.where(finite, grey, grey[finite].max()))


def _largest(mask: Mask) -> Mask:
    """The largest connected component; pixels that touch at corners are connected."""
    from scipy import ndimage

    parts, count = ndimage.label(mask, np.ones((3, 3)))
    if not count:
        return mask
    sizes = np.bincount(parts.ravel())
    sizes[0] = 0
    return np.asarray(np.equal(parts, sizes.argmax()))


def _noise(grey: Floats, dark: Mask) -> float:
    """Standard deviation of dark pixels, from pairs two pixels apart, so that slow changes do not count."""
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
    return Part(text, bounds, int(mask.sum()), _triple(pixels.mean(axis=0)))


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
        black=_triple(mean),
        standard_error=_triple(error),
        standard_deviation=_triple(deviation),
        pixels=len(values),
        specks=int(mask.sum()) - len(values),
        found=found,
        parts=parts,
        doubts=tuple(_doubts(values, mean, deviation, error, parts)),
    )


def _error_of_blocks(values: Floats, at: npt.NDArray[np.int64]) -> Floats:
    """Standard error of the mean from the means of squares of pixels, weighted by their number of pixels."""
    _, block = np.unique(at // _BLOCK, axis=0, return_inverse=True)
    weight = np.bincount(block.ravel()).astype(np.float64)
    if len(weight) < 4:
        return np.zeros(3)
    means = np.stack([np.bincount(block.ravel(), values[:, k]) / weight for k in range(3)], axis=-1)
    share = weight / weight.sum()
    off = means - values.mean(axis=0)
    error: Floats = np.sqrt((share[:, None] ** 2 * off**2).sum(axis=0) * len(weight) / (len(weight) - 1))
    return error


def _doubts(values: Floats, mean: Floats, deviation: Floats, error: Floats, parts: tuple[Part, ...]) -> list[str]:
    doubts = []
    if mean.max() > _BRIGHT:
        doubts.append(f"a level of {mean.max():.3g} is bright for a black: make sure that the area is not lit")
    if mean.min() < 0:
        doubts.append("the black is below 0: the camera's offset was subtracted before, perhaps twice")
    if (deviation == 0).all():
        doubts.append(
            "all pixels have the same value: probably a border or a painted mask, not a camera's picture"
        )
    elif ((values == values.min(axis=0)).sum(axis=0) > max(5, 0.02 * len(values))).any():
        # Stored numbers repeat, but the lowest of many with grain is unique unless values were cut off below.
        doubts.append("the grain is cut off at its lowest value, so the true black is lower than measured")
    means = np.array([part.mean for part in parts])
    counts = np.array([[part.pixels] for part in parts])
    apart = np.ptp(means, axis=0) if len(parts) > 1 else np.zeros(3)
    if (apart > 4 * np.sqrt((deviation**2 / counts).sum(axis=0)) + 1e-9).any():
        darkest = parts[int(means.sum(axis=1).argmin())].area
        doubts.append(
            f"the areas differ by up to {apart.max():.2g}, more than grain explains; {darkest} is the darkest"
        )
    return doubts


def _triple(numbers: Floats) -> Triple:
    return float(numbers[0]), float(numbers[1]), float(numbers[2])
