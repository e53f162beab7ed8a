"""The light of an even patch: one number for each channel, robust to grain, with its standard error.

The mean has the least error under grain, but one speck of dust or one stray path of a renderer spoils it. So
values more than 6 standard deviations from the median are left out. The standard deviation is estimated from the
median distance to the median, times 1.4826, as for a normal distribution. Of grain itself, 2 values in 10⁹ are
left out. Common practice in robust statistics; the factor is 1 / Φ⁻¹(3/4).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.errors import Problem, RequestError
from stackcomp.measure.given import AreaLike, Triple, TripleLike, area_in, rgb
from stackcomp.measure.picture import Measured, opened
from stackcomp.measure.statistics import clipped_inside

__all__ = ["Level", "PatchError", "Triple", "level"]

_OUTSIDE = 6.0
_NORMAL = 1.4826022185056018
_SPOILED = 0.01  # share of an area that may be clipped or not finite before it is refused
_CHANNELS = ("red", "green", "blue")


class PatchError(RequestError):
    """An area whose light cannot be used as that of a patch.

    Args:
        rule: ``"clipped"``, ``"non-finite"`` or ``"no-light"``; or the problems themselves.
        message: what is wrong, with the value seen.
        way_out: what to do.
    """

    def __init__(self, rule: str | Problem | Iterable[Problem], message: str = "", way_out: str = "") -> None:
        super().__init__(Problem(rule, message, way_out) if isinstance(rule, str) else rule)


@dataclass(frozen=True)
class Level:
    """Light of a patch, R G B.

    Attributes:
        mean: scene-linear, after the black was subtracted.
        median: likewise.
        standard_error: of the mean, if pixels are independent.
        pixels: number of pixels in the area.
        left_out: pixels that are not in the mean: clipped, not finite, or outliers in any channel.
    """

    mean: Triple
    median: Triple
    standard_error: Triple
    pixels: int
    left_out: int

    @property
    def uneven(self) -> float:
        """Median / mean - 1, of the channel where it is farthest from 0. Dirt or a shadow makes it large."""
        return max((median / mean - 1 for mean, median in zip(self.mean, self.median, strict=True)), key=abs)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "mean": list(self.mean),
            "median": list(self.median),
            "standard_error": list(self.standard_error),
            "pixels": self.pixels,
            "left_out": self.left_out,
        }


def level(
    measured: Measured, area: AreaLike | None, what: str = "the area", *, black: TripleLike = (0.0, 0.0, 0.0)
) -> Level:
    """Measure an even patch.

    Args:
        measured: a picture from `open_measured`.
        area: inside the patch; the whole picture when None.
        what: words for messages, such as ``"the plate's area"``.
        black: R, G, B, scene-linear, subtracted from every pixel; one number stands for all three.

    Returns:
        Mean, median and standard error of R, G and B, scene-linear.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
        PatchError: more than 1 % of it is clipped or not finite; or the mean of a channel is not above 0 by three
            standard errors, so that no factor can be computed from it.
        ArgumentError: an argument of the wrong kind.
    """
    measured = opened(measured, "measured")
    area, offset = area_in(area, measured.light, what), rgb(black, "black")
    values = area.pixels(measured.light).astype(np.float64)
    place = f"{what} {area.text}"
    wild = ~np.isfinite(values)
    _refuse(wild, place, "non-finite", "not finite", "choose an area without them, or repair the file")
    hit = clipped_inside(measured, area)
    _refuse(hit, place, "clipped", "clipped", "choose a part of the chart that is not, or a darker exposure")
    spoiled = (wild | hit).any(axis=1)
    good = values[~spoiled] - np.array(offset)
    if not len(good):
        raise PatchError("clipped", f"{place} holds no usable pixel", "choose a larger area")
    median = np.median(good, axis=0)
    distance = np.abs(good - median)
    usual = _NORMAL * np.median(distance, axis=0)
    # Where more than half of the values are equal, the scale of the grain is not known.
    far = ((distance > _OUTSIDE * usual) & (usual > 0)).any(axis=1)
    kept = good[~far]
    mean, error = kept.mean(axis=0), kept.std(axis=0) / np.sqrt(len(kept))
    for channel, value, doubt in zip(_CHANNELS, mean, error, strict=True):
        if not value > 3 * doubt:
            raise PatchError(
                "no-light",
                f"{place} has no light in {channel}: {value:.3g} ± {doubt:.2g}",
                "choose the chart's grey, and check the black that is subtracted",
            )
    return Level(_triple(mean), _triple(median), _triple(error), len(values), len(values) - len(kept))


def _refuse(bad: npt.NDArray[np.bool_], place: str, rule: str, word: str, way_out: str) -> None:
    counts = bad.sum(axis=0)
    if bad.any(axis=1).mean() > _SPOILED:
        where = ", ".join(f"{count} in {name}" for name, count in zip(_CHANNELS, counts, strict=True) if count)
        raise PatchError(rule, f"{place}: of {len(bad)} pixels, {where} are {word}", way_out)


def _triple(values: npt.NDArray[np.float64]) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])
