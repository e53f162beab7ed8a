"""The light that an even patch sends: one number a channel, robust to grain, with its standard error.

The mean has the least error under grain, but one speck of dust or one stray path of a renderer spoils it. So
values more than 6 standard deviations from the median are left out, the deviation being taken from the median
distance to the median (times 1.4826, which makes it that of a normal distribution). Grain itself loses 2 values in
10⁹ by that. Common practice in robust statistics; the factor is 1 / Φ⁻¹(3/4).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.errors import Problem, RequestError
from stackcomp.measure.area import Area
from stackcomp.measure.picture import Measured
from stackcomp.measure.statistics import clipped_inside

__all__ = ["Level", "PatchError", "Triple", "level"]

Triple = tuple[float, float, float]

_OUTSIDE = 6.0
_NORMAL = 1.4826022185056018
_SPOILED = 0.01  # share of an area that may be clipped or not finite before it is refused
_CHANNELS = ("red", "green", "blue")


class PatchError(RequestError):
    """An area whose light cannot stand for a patch."""

    def __init__(self, rule: str, message: str, way_out: str) -> None:
        super().__init__(Problem(rule, message, way_out))


@dataclass(frozen=True)
class Level:
    """Light of a patch, R G B.

    Attributes:
        mean: scene-linear, less the black that was taken off.
        median: likewise.
        standard_error: of the mean, taking pixels to be independent.
        pixels: number of pixels in the area.
        left_out: pixels that are not in the mean: clipped, not finite or far away in any channel.
    """

    mean: Triple
    median: Triple
    standard_error: Triple
    pixels: int
    left_out: int

    @property
    def uneven(self) -> float:
        """Median over mean, less 1, in the channel where that is farthest from 0: dirt or a shadow shows here."""
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


def level(measured: Measured, area: Area, what: str, *, black: Triple = (0.0, 0.0, 0.0)) -> Level:
    """Measure a patch.

    Args:
        measured: a picture as light and as stored.
        area: inside the patch.
        what: words for messages, such as ``"the plate's area"``.
        black: taken off every pixel first, scene-linear.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
        PatchError: more than 1 % of it is clipped or not finite; or a channel is not above 0 by three standard
            errors, so that no factor leads from or to it.
    """
    values = area.pixels(measured.light).astype(np.float64)
    said = f"{what} {area.text}"
    wild = ~np.isfinite(values)
    _refuse(wild, said, "non-finite", "not finite", "choose an area without them, or repair the file")
    hit = clipped_inside(measured, area)
    _refuse(hit, said, "clipped", "clipped", "choose a part of the chart that is not, or a darker exposure")
    spoiled = (wild | hit).any(axis=1)
    good = values[~spoiled] - np.array(black)
    if not len(good):
        raise PatchError("clipped", f"{said} holds no usable pixel", "choose a larger area")
    median = np.median(good, axis=0)
    distance = np.abs(good - median)
    usual = _NORMAL * np.median(distance, axis=0)
    # Where more than half of the values are one and the same, nothing says what is usual.
    far = ((distance > _OUTSIDE * usual) & (usual > 0)).any(axis=1)
    kept = good[~far]
    mean, error = kept.mean(axis=0), kept.std(axis=0) / np.sqrt(len(kept))
    for channel, value, doubt in zip(_CHANNELS, mean, error, strict=True):
        if not value > 3 * doubt:
            raise PatchError(
                "no-light",
                f"{said} holds no light in {channel}: {value:.3g} ± {doubt:.2g}",
                "choose the chart's grey, and look whether the black that is taken off is right",
            )
    return Level(_triple(mean), _triple(median), _triple(error), len(values), len(values) - len(kept))


def _refuse(bad: npt.NDArray[np.bool_], said: str, rule: str, word: str, way_out: str) -> None:
    counts = bad.sum(axis=0)
    if bad.any(axis=1).mean() > _SPOILED:
        where = ", ".join(f"{count} in {name}" for name, count in zip(_CHANNELS, counts, strict=True) if count)
        raise PatchError(rule, f"{said}: of {len(bad)} pixels are {word} {where}", way_out)


def _triple(values: npt.NDArray[np.float64]) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])
