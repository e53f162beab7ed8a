"""How a plate's grain grows with light: ``variance = floor² + slope · (level − black)``, in each channel.

The plate is taken apart into squares of 8 × 8 pixels. With a second picture of the same view, the variance of
their difference is that of grain. In one picture alone, what its second differences across and down leave is
counted, which is all of a grain that is independent from pixel to pixel, and little of anything else. Detail and
change only add. So of squares of about one level those with little variance are believed: the lower quartile,
divided by that of the chi-squared distribution that squares of grain alone have.

Source: the model is that of Foi, Trimeche, Katkovnik and Egiazarian, Practical Poissonian-Gaussian Noise Modeling
and Fitting for Single-Image Raw-Data, 2008; second differences: Immerkær, Fast Noise Variance Estimation, 1996;
the choice of squares is ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.measure.given import AreaLike, Triple, TripleLike, area_in, rgb
from stackcomp.measure.grain_squares import FEWEST, GrainError, pixels_of, whole_squares
from stackcomp.measure.picture import Measured, opened

__all__ = ["GrainError", "GrainMatch", "fit_line", "match_grain"]

Floats = npt.NDArray[np.float64]

_SIDE = 8
#: Levels at the most.
_LEVELS = 24
_QUANTILE = 0.25
#: Degrees of freedom of the variance of a square: of 64 independent pixels, and of its 36 second differences,
#: which share pixels; N² over the sum of their squared correlations.
_FREE, _FREE_ALONE = 63.0, 11.390625
#: Relative residual from which on the levels do not agree.
_AGREE = 0.05
#: Quotient of brightest and darkest level from which on floor and slope are told from each other.
_RANGE = 4.0


@dataclass(frozen=True)
class GrainMatch:
    """The grain of a plate.

    Attributes:
        floor: standard deviation where no light is, R G B, scene-linear.
        slope: by how much the variance grows with each unit of light, R G B.
        levels: darkest and brightest level that was measured, R G B.
        residual: relative root mean square of the measured deviations against the fit, R G B.
        squares: of 8 × 8 pixels that were measured.
        doubts: sentences about what may be wrong.
    """

    floor: Triple
    slope: Triple
    levels: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
    residual: Triple
    squares: int
    doubts: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "grain_floor": list(self.floor),
            "grain_slope": list(self.slope),
            "levels": [list(pair) for pair in self.levels],
            "residual_per_channel": list(self.residual),
            "squares": self.squares,
            "doubts": list(self.doubts),
        }


def match_grain(
    plate: Measured,
    area: AreaLike | None = None,
    other: Measured | None = None,
    *,
    plate_black: TripleLike = (0.0, 0.0, 0.0),
) -> GrainMatch:
    """Measure the grain of a plate.

    Args:
        plate: the camera's picture, from `open_measured`.
        area: where, in pixels; the whole picture when None. Even surfaces of many levels are best.
        other: another picture of the same view and exposure with as much grain, such as a neighbouring frame of a
            camera that stands still.
        plate_black: the camera's black, R G B, scene-linear.

    Returns:
        Floor and slope of the grain, and doubts.

    Raises:
        GrainError: too few squares, or no grain.
        AreaError: the area leaves the picture.
        ArgumentError: an argument of the wrong kind.
    """
    plate = opened(plate, "plate")
    black = rgb(plate_black, "plate_black")
    where = area_in(area, plate.light, "area")
    if area is not None:
        where.refuse_outside(plate.light)
    window = where.bounds & plate.light.window
    if other is not None:
        _refuse_another_view(plate, opened(other, "other"))
        window &= other.light.window
    corners = whole_squares(
        [picture for picture in (plate, other) if picture is not None],
        where.mask(window),
        window,
        _SIDE,
        "picture" if area is None else "area",
    )
    doubts: list[str] = []
    fits = []
    for k, channel in enumerate("RGB"):
        first = pixels_of(plate.light.over(window)[channel], corners, _SIDE)
        second = None if other is None else pixels_of(other.light.over(window)[channel], corners, _SIDE)
        if second is not None and np.array_equal(first, second):
            raise GrainError(
                f"both pictures are the same in {channel}, to the bit, so that no grain is left between them",
                "name another frame of the same view, or leave out the other picture",
            )
        level, variance = _measured(first, second)
        levels, variances, scatter = _by_level(level - black[k], variance, _FREE_ALONE if other is None else _FREE)
        if not levels.size:
            raise GrainError(
                f"{channel} has no grain in the {len(corners)} squares that were measured",
                "measure a plate as it came from the camera, before noise was removed",
            )
        fits.append((*fit_line(levels, variances), float(levels[0] + black[k]), float(levels[-1] + black[k])))
        if levels[-1] < _RANGE * max(levels[0], 0):
            doubts.append(
                f"{channel}: all levels lie between {levels[0]:.3g} and {levels[-1]:.3g}, so that how the grain "
                "grows with light is not well known; measure an area with dark and bright parts"
            )
        # What few squares scatter by is no sign of texture.
        if fits[-1][2] > np.hypot(_AGREE, 1.5 * scatter):
            doubts.append(
                f"{channel}: the levels differ by {fits[-1][2]:.0%} from any such grain, so there is texture or "
                "change among it, and the grain is less than this; measure an area of even surfaces"
            )
    if other is None:
        doubts.append(
            "measured in one picture: fine texture counts as grain, and grain that is soft counts too little; "
            "another frame of the same view tells them apart"
        )
    floor, slope, residual, low, high = zip(*fits, strict=True)
    bounds = [(a, b) for a, b in zip(low, high, strict=True)]
    return GrainMatch(
        _triple(floor),
        _triple(slope),
        (bounds[0], bounds[1], bounds[2]),
        _triple(residual),
        len(corners),
        tuple(doubts),
    )


def _triple(numbers: tuple[float, ...]) -> Triple:
    return numbers[0], numbers[1], numbers[2]


def _refuse_another_view(plate: Measured, other: Measured) -> None:
    """Refuse a second picture that cannot be of the same view, since pixels are compared one by one."""
    one, two = plate.light.display, other.light.display
    if one != two:
        raise GrainError(
            f"the plate has a frame of {one}, and the other picture one of {two}",
            "name another frame of the same camera, at the same size",
        )


def _measured(first: Floats, second: Floats | None) -> tuple[Floats, Floats]:
    """Level and variance of each square."""
    if second is not None:
        level, half = (first.mean(axis=1) + second.mean(axis=1)) / 2, (first - second) / np.sqrt(2)
        return level, half.var(axis=1, ddof=1)
    pixels = first.reshape(-1, _SIDE, _SIDE)
    bend = pixels[:, :, :-2] - 2 * pixels[:, :, 1:-1] + pixels[:, :, 2:]
    bend = (bend[:, :-2] - 2 * bend[:, 1:-1] + bend[:, 2:]) / 6
    return first.mean(axis=1), (bend**2).mean(axis=(1, 2))


def _by_level(level: Floats, variance: Floats, freedom: float) -> tuple[Floats, Floats, float]:
    """Levels in rising order, each with the variance of its grain; and by what share the deviations scatter."""
    from scipy.stats import chi2

    # Borders and painted masks have no grain at all.
    level, variance = level[variance > 0], variance[variance > 0]
    if level.size < FEWEST:
        return np.zeros(0), np.zeros(0), 0.0
    quantile = float(chi2.ppf(_QUANTILE, freedom))
    expected = quantile / freedom
    order = np.argsort(level, kind="stable")
    parts = np.array_split(order, max(1, min(_LEVELS, level.size // FEWEST)))
    means = np.array([level[part].mean() for part in parts])
    # Of a quantile of n values, by the density there; half of it for deviations.
    density = float(chi2.pdf(quantile, freedom))
    scatter = np.sqrt(_QUANTILE * (1 - _QUANTILE) / len(parts[0])) / (density * quantile) / 2
    variances = np.array([np.quantile(variance[part], _QUANTILE) / expected for part in parts])
    return means, variances, float(scatter)


def fit_line(levels: Floats, variances: Floats) -> tuple[float, float, float]:
    """Floor, slope and relative residual of the deviations.

    Quotients are fitted, since a variance is known to a share of itself; and few levels with texture move little.
    """
    from scipy.optimize import least_squares

    light = np.maximum(levels, 0)
    typical = float(np.median(variances))
    span = float(light.max()) or 1.0

    def wrong(shares: Floats) -> Floats:
        modelled = typical * (shares[0] + shares[1] * light / span)
        return np.asarray(np.log(variances / np.maximum(modelled, 1e-12 * typical)))

    found = least_squares(
        wrong, (0.5, 0.5), bounds=((0, 0), (np.inf, np.inf)), loss="soft_l1", f_scale=0.1, x_scale=(1, 1)
    )
    base, growth = (float(share) if share > 1e-4 else 0.0 for share in found.x)
    residual = float(np.sqrt(np.mean(wrong(np.array([base, growth])) ** 2)) / 2)
    return float(np.sqrt(base * typical)), growth * typical / span, residual
