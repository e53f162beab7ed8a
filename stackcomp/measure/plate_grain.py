"""The noise of a plate whole: its variance by level, its correlation between channels and between neighbours.

The plate is taken apart into squares of 16 × 16 pixels. Of several frames of a camera that stands still, the
differences of neighbouring frames are measured, less the mean of each square; nothing but noise and change is in
them. Of a moving camera, or of one frame, each square is measured less its own quadratic surface. What is coarser
than a square is lost then, and fine texture counts as noise.

Detail and change only add. So of squares of about one level those with little variance are believed: a lower
quantile, divided by that of the chi-squared distribution that squares of noise alone have; and the shape of the
noise is measured in squares that have no more than it. What is taken away with a mean or a surface is known for
any autocorrelation, and is given back (`Residual`).

Source: as `stackcomp.measure.grain`; the autocorrelation is the mean of products, corrected for what was taken
away; the degrees of freedom of sums of squares that depend on each other are those of Satterthwaite, An
Approximate Distribution of Estimates of Variance Components, 1946. The choice of squares is ours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import value_text
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError
from stackcomp.files.grain_file import GrainFile
from stackcomp.measure.given import AreaLike, Triple, TripleLike, area_in, rgb
from stackcomp.measure.grain import fit_line
from stackcomp.measure.grain_residual import REACH, SIDE, Residual, products
from stackcomp.measure.grain_squares import FEWEST, GrainError, pixels_of, whole_squares
from stackcomp.measure.picture import Measured, opened

__all__ = ["PlateGrain", "measure_grain"]

Floats = npt.NDArray[np.float64]

#: Levels and squares that are measured at the most.
_LEVELS, _MOST = 16, 4000
#: Quantile of the squares of a level that is believed, of differences of frames.
_QUANTILE = 0.25
#: Weight of squares above the line that is laid below those of single frames, and by how many standard deviations
#: such a line lies below the middle of normal numbers (computed from the definition of expectiles, for 0.1²).
_ABOVE, _EXPECTILE = 0.1, 1.72
#: Standard deviations of a square's variance from which on it has more than noise.
_MORE = 3.0
#: How many squares may have a little more than noise, for each that has about as much.
_BESIDE = 0.4
#: By how much more frames differ where there is detail before the camera counts as moving.
_MOVES = 1.6
#: Relative residual from which on levels do not follow a line.
_AGREE = 0.04
#: Quotient of brightest and darkest level from which on floor and slope are told from each other.
_RANGE = 4.0
#: Share of a level up to which what is left is rounding.
_ROUNDING = 1e-6
#: Standard deviation in steps of the file, up to which rounding adds more than some per cent to the variance.
_STEPS = 1.5
#: Correlation of channels from which on it is detail, and no sensor's noise.
_TEXTURE = 0.975


@dataclass(frozen=True)
class PlateGrain:
    """The noise of a plate.

    Attributes:
        floor: standard deviation where no light is, R G B, scene-linear.
        slope: by how much the variance grows with each unit of light, R G B.
        black: the camera's black, R G B.
        levels: standard deviation at the levels that were measured, by channel.
        follows: whether a channel's variance follows floor and slope, R G B.
        residual: relative root mean square of the measured deviations against the line, R G B.
        correlation: of R, G and B in one pixel.
        autocorrelation: of neighbours, by channel: lower halves, see `stackcomp.files.grain_file`.
        squares: of 16 × 16 pixels that were measured.
        still: whether differences of frames were measured.
        doubts: sentences about what may be wrong.
    """

    floor: Triple
    slope: Triple
    black: Triple
    levels: Mapping[str, tuple[tuple[float, float], ...]]
    follows: tuple[bool, bool, bool]
    residual: Triple
    correlation: tuple[Triple, Triple, Triple]
    autocorrelation: Mapping[str, tuple[tuple[float, ...], ...]]
    squares: int
    still: bool
    doubts: tuple[str, ...] = field(default=())

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "grain_floor": list(self.floor),
            "grain_slope": list(self.slope),
            "levels": [[self.levels[name][0][0], self.levels[name][-1][0]] for name in "RGB"],
            "residual_per_channel": list(self.residual),
            "squares": self.squares,
            "deviations": {name: [list(pair) for pair in table] for name, table in self.levels.items()},
            "follows_a_line": list(self.follows),
            "correlation": [list(row) for row in self.correlation],
            "autocorrelation": {name: [list(row) for row in rows] for name, rows in self.autocorrelation.items()},
            "still": self.still,
            "doubts": list(self.doubts),
        }

    def file(self, space: str, about: str = "") -> GrainFile:
        """As a grain file, with a table of levels for channels that do not follow a line.

        Args:
            space: scene-linear space in which the plate was measured.
            about: a note for people.
        """
        tables = {name: self.levels[name] for name, fits in zip("RGB", self.follows, strict=True) if not fits}
        return GrainFile(
            version=1,
            about=about,
            space=space,
            black=self.black,
            floor=_short(self.floor),
            slope=_short(self.slope),
            levels=tables or None,
            correlation=self.correlation,
            autocorrelation=dict(self.autocorrelation),
        )


def measure_grain(
    plates: Sequence[Measured],
    area: AreaLike | None = None,
    *,
    moving: bool = False,
    plate_black: TripleLike = (0.0, 0.0, 0.0),
) -> PlateGrain:
    """Measure the noise of a plate.

    Args:
        plates: frames, from `open_measured`, in order.
        area: where, in pixels; the whole picture when None. Even surfaces of many levels are best.
        moving: whether the camera, or all that it sees, moves, so that frames are measured one by one.
        plate_black: the camera's black, R G B, scene-linear.

    Returns:
        Variance by level, correlations, and doubts.

    Raises:
        GrainError: too few squares, no noise, no even surfaces, or frames that are not of one size.
        AreaError: the area leaves the picture.
        ArgumentError: an argument of the wrong kind.
    """
    if isinstance(plates, str | Mapping) or not isinstance(plates, Sequence) or not plates:
        raise ArgumentError("plates", f"{value_text(plates)} are no frames", "give a list of one or more frames")
    frames = [opened(plate, "plates") for plate in plates]
    _refuse_sizes(frames)
    black = rgb(plate_black, "plate_black")
    where = area_in(area, frames[0].light, "area")
    if area is not None:
        where.refuse_outside(frames[0].light)
    window = where.bounds
    for frame in frames:
        window &= frame.light.window
    named = "picture" if area is None else "area"
    corners = whole_squares(frames, where.mask(window), window, SIDE, named)
    doubts: list[str] = []
    still = len(frames) > 1 and not moving
    if still:
        measured = _Squares.of_pairs(frames, window, corners, black)
        more = measured.more_where_detail_is(_Squares.of_frames(frames[:-1], window, corners, black))
        if more > _MOVES:
            still = False
            doubts.append(
                f"where the picture has detail, frames differ by {more:.3g} times the variance that they differ "
                "by elsewhere, so the camera moves, and each frame is measured by itself"
            )
    if not still:
        measured = _Squares.of_frames(frames, window, corners, black)
        doubts.append(
            "measured in single frames: fine texture counts as noise, and noise that is coarser than some pixels "
            "counts too little; several frames of a camera that stands still tell them apart"
        )
    doubts += _codes(frames, window, corners)
    return measured._noisy().result(doubts, named)


def _refuse_sizes(frames: Sequence[Measured]) -> None:
    for frame in frames[1:]:
        one, two = frames[0].light.display, frame.light.display
        if one != two:
            raise GrainError(
                f"the plate has a frame of {one}, and another picture one of {two}",
                "name other frames of the same camera, at the same size",
            )


def _codes(frames: Sequence[Measured], window: Window, corners: npt.NDArray[np.intp]) -> list[str]:
    """Doubts about channels whose noise is no larger than the steps in which the file stores numbers."""
    doubts = []
    some = corners[:: max(1, len(corners) // 400)]
    stored, residual = frames[0].stored.over(window), Residual(2)
    for name in "RGB":
        blocks = pixels_of(stored[name], some, SIDE)
        steps = np.diff(np.sort(blocks, axis=1), axis=1)
        largest = np.abs(blocks).max(axis=1)
        steps[steps <= _ROUNDING * largest[:, None]] = np.nan
        noise = np.sqrt(residual.variance(residual.left(blocks)))
        told = ~np.isnan(steps).all(axis=1) & (noise > _ROUNDING * largest)
        if not told.any():
            continue
        quotient = float(np.median(noise[told] / np.nanmedian(steps[told], axis=1)))
        if quotient < _STEPS:
            doubts.append(
                f"{name}: the noise is {quotient:.2g} times the step between two numbers of the file, and "
                "rounding is measured with it; measure the plate as it came from the camera"
            )
    return doubts


@dataclass(frozen=True, eq=False)
class _Squares:
    """Residuals of squares.

    Attributes:
        level: means, less the camera's black, ``(3, squares)``.
        rest: pixels less the mean or surface, ``(3, squares, 256)``.
        residual: what was taken away.
        black: of the camera.
        still: whether they are differences of frames.
    """

    level: Floats
    rest: Floats
    residual: Residual
    black: Triple
    still: bool

    @classmethod
    def of_pairs(
        cls, frames: Sequence[Measured], window: Window, corners: npt.NDArray[np.intp], black: Triple
    ) -> _Squares:
        """Of the differences of frames that follow each other."""
        pairs = list(pairwise(frames))
        some = _some(corners, len(pairs))
        residual = Residual(0)
        levels, rests = [], []
        for first, second in pairs:
            ours, theirs = first.light.over(window), second.light.over(window)
            halves = [(pixels_of(ours[name], some, SIDE), pixels_of(theirs[name], some, SIDE)) for name in "RGB"]
            for name, (a, b) in zip("RGB", halves, strict=True):
                if np.array_equal(a, b):
                    raise GrainError(
                        f"two pictures are the same in {name}, to the bit, so that no grain is left between them",
                        "name other frames of the same view, each once",
                    )
            levels.append([(a.mean(axis=1) + b.mean(axis=1)) / 2 for a, b in halves])
            rests.append([residual.left((a - b) / np.sqrt(2)) for a, b in halves])
        return cls._made(levels, rests, residual, black, still=True)

    @classmethod
    def of_frames(
        cls, frames: Sequence[Measured], window: Window, corners: npt.NDArray[np.intp], black: Triple
    ) -> _Squares:
        """Of each frame by itself."""
        some = _some(corners, len(frames))
        residual = Residual(2)
        levels, rests = [], []
        for frame in frames:
            light = frame.light.over(window)
            blocks = [pixels_of(light[name], some, SIDE) for name in "RGB"]
            levels.append([block.mean(axis=1) for block in blocks])
            rests.append([residual.left(block) for block in blocks])
        return cls._made(levels, rests, residual, black, still=False)

    @classmethod
    def _made(
        cls, levels: list[Any], rests: list[Any], residual: Residual, black: Triple, *, still: bool
    ) -> _Squares:
        level = np.concatenate([np.stack(some) for some in levels], axis=1) - np.array(black)[:, None]
        rest = np.concatenate([np.stack(some) for some in rests], axis=1)
        return cls(level, rest, residual, black, still)

    def _noisy(self) -> _Squares:
        """Those with any noise: borders and painted masks have none."""
        level = np.abs(self.level + np.array(self.black)[:, None])
        noisy_each = np.abs(self.rest).max(axis=2) > _ROUNDING * level
        clean = [name for name, some in zip("RGB", noisy_each, strict=True) if np.count_nonzero(some) < FEWEST]
        if clean:
            raise GrainError(
                f"{', '.join(clean)}: there is no grain in the {level.shape[1]} squares that were measured",
                "measure a plate as it came from the camera, before noise was removed",
            )
        noisy = noisy_each.all(axis=0)
        return self if noisy.all() else replace(self, level=self.level[:, noisy], rest=self.rest[:, noisy])

    def more_where_detail_is(self, alone: _Squares) -> float:
        """How much more frames differ in squares with detail than in others of their level; 1 for a still camera.

        Args:
            alone: the same squares in single frames.
        """
        detail = alone.residual.variance(alone.rest[1])
        variance = self.residual.variance(self.rest[1])
        if detail.size != variance.size or detail.size < FEWEST:
            return 1.0
        ones = np.ones_like(variance)
        expected = _between(
            self.level[1], *_by_level(self.level[1], variance, ones, self.residual.freedom(None), _QUANTILE)
        )
        most = np.argsort(detail, kind="stable")[-max(FEWEST // 2, detail.size * 3 // 10) :]
        return float(np.median(variance[most] / expected[most]))

    def result(self, doubts: list[str], named: str) -> PlateGrain:
        """Variance, correlation and autocorrelation of all channels."""
        if self.level.shape[1] < FEWEST:
            raise GrainError(
                f"only {self.level.shape[1]} squares of {SIDE} × {SIDE} pixels have any noise",
                "measure a plate as it came from the camera, before noise was removed",
            )
        found = [self._channel(k) for k in range(3)]
        channels = [one for one in found if one is not None]
        if len(channels) < 3 or (not self.still and np.mean([one.beside for one in channels]) > _BESIDE):
            raise GrainError(
                f"the {named} has no even surfaces: its squares of {SIDE} × {SIDE} pixels differ by more than "
                "noise does",
                "name an area of even surfaces with --plate-area, or give more frames of a camera that "
                "stands still",
            )
        pure = np.logical_and.reduce([one.pure for one in channels])
        if np.count_nonzero(pure) < FEWEST // 2:
            pure = channels[1].pure
        scaled = [one.scaled for one in channels]
        table = np.array([[float((a[pure] * b[pure]).mean()) for b in scaled] for a in scaled])
        size = np.sqrt(np.diag(table))
        correlation = np.clip(table / np.outer(size, size), -1, 1)
        np.fill_diagonal(correlation, 1.0)
        rows = np.round(correlation, 4).tolist()
        if float(np.min(correlation)) > _TEXTURE:
            doubts.append(
                "R, G and B differ by nearly the same, as in detail or in a picture without colour; a sensor's "
                "noise is more of each channel's own"
            )
        for name, one in zip("RGB", channels, strict=True):
            doubts += one.doubts(name, still=self.still)
        return PlateGrain(
            _triple([one.floor for one in channels]),
            _triple([one.slope for one in channels]),
            self.black,
            {name: one.table(self.black[k]) for k, (name, one) in enumerate(zip("RGB", channels, strict=True))},
            (channels[0].follows, channels[1].follows, channels[2].follows),
            _triple([one.unlike for one in channels]),
            (_triple(rows[0]), _triple(rows[1]), _triple(rows[2])),
            {name: one.half for name, one in zip("RGB", channels, strict=True)},
            self.level.shape[1],
            self.still,
            tuple(doubts),
        )

    def _channel(self, k: int) -> _Channel | None:
        """One channel; None where no quantile of its squares scatters as noise does."""
        level, rest = self.level[k], self.rest[k]
        variance = self.residual.variance(rest)
        covariance: Floats | None = None
        expected = np.ones_like(level) if self.still else _lowest(level, variance, self.residual.freedom(None))
        # Variances tell which squares are noise; these give the autocorrelation, and that what was taken away.
        for _ in range(3):
            freedom = self.residual.freedom(covariance)
            if self.still:
                found = _by_level(level, variance, expected, freedom, _QUANTILE)
            else:
                pure = variance < expected * (1 + _MORE * np.sqrt(2 / freedom))
                if np.count_nonzero(pure) < FEWEST:
                    return None
                found = _by_level(level[pure], variance[pure], expected[pure], freedom, 0.5)
            expected = _between(level, *found)
            pure = variance < expected * (1 + _MORE * np.sqrt(2 / freedom))
            scaled = rest / np.sqrt(expected)[:, None]
            covariance = self.residual.restored(products(scaled[pure]), int(np.count_nonzero(pure)))
        assert covariance is not None
        levels, variances = found[0], found[1] / self.residual.left_share(covariance)
        floor, slope, unlike = fit_line(levels, variances)
        scatter = _scatter(int(np.count_nonzero(pure)) // len(levels), _QUANTILE, freedom)
        return _Channel(
            levels,
            variances,
            floor,
            slope,
            unlike,
            scatter,
            covariance,
            pure,
            scaled,
            variance / expected - 1,
            freedom,
        )


def _some(corners: npt.NDArray[np.intp], times: int) -> npt.NDArray[np.intp]:
    """Squares spread evenly, so that there are not too many in all."""
    most = max(FEWEST, _MOST // times)
    if len(corners) <= most:
        return corners
    return corners[(np.arange(most) * (len(corners) / most)).astype(np.intp)]


def _lowest(level: Floats, variance: Floats, freedom: float) -> Floats:
    """The variance of noise at the level of each square, where most squares have texture as well.

    The smallest variances of a level are those of noise, or more; so a line is laid below the squares, as an
    expectile: what lies above it counts little.
    """
    from scipy.optimize import least_squares

    light, logarithm = np.maximum(level, 0), np.log(np.maximum(variance, 1e-30))
    typical, span = float(np.exp(np.quantile(logarithm, 0.1))), float(light.max()) or 1.0

    def modelled(shares: Floats) -> Floats:
        return np.asarray(typical * np.maximum(shares[0] + shares[1] * light / span, 1e-6))

    def wrong(shares: Floats) -> Floats:
        above = logarithm - np.log(modelled(shares))
        return np.asarray(np.where(above < 0, above, _ABOVE * above))

    found = least_squares(wrong, (0.5, 0.5), bounds=((0, 0), (np.inf, np.inf)), loss="soft_l1", f_scale=0.1)
    return modelled(found.x) * float(np.exp(_EXPECTILE * np.sqrt(2 / freedom)))


def _parts(level: Floats) -> list[npt.NDArray[np.intp]]:
    """Squares by level, in rising order; as many of each."""
    order = np.argsort(level, kind="stable")
    return list(np.array_split(order, max(1, min(_LEVELS, level.size // FEWEST))))


def _by_level(
    level: Floats, variance: Floats, expected: Floats, freedom: float, quantile: float
) -> tuple[Floats, Floats]:
    """Levels in rising order, each with the variance of its noise.

    Within a level it grows: so quotients to what is expected of each square are compared.
    """
    from scipy.stats import chi2

    share = float(chi2.ppf(quantile, freedom)) / freedom
    parts = _parts(level)
    means = np.array([level[part].mean() for part in parts])
    usual = [expected[part].mean() * np.quantile(variance[part] / expected[part], quantile) for part in parts]
    return means, np.array(usual) / share


def _between(level: Floats, levels: Floats, variances: Floats) -> Floats:
    """Variances at the levels of squares; in straight lines, also beyond the first and the last."""
    if levels.size < 2:
        return np.full_like(level, variances[0])
    at = np.clip(np.searchsorted(levels, level), 1, levels.size - 1)
    low, high = levels[at - 1], levels[at]
    share = (level - low) / np.maximum(high - low, 1e-30)
    found = variances[at - 1] + np.clip(share, -1, 2) * (variances[at] - variances[at - 1])
    return np.asarray(np.maximum(found, 0.25 * np.minimum(variances[at - 1], variances[at])), np.float64)


def _scatter(count: int, quantile: float, freedom: float) -> float:
    """By what share a deviation scatters that is known by a quantile of so many squares."""
    from scipy.stats import chi2

    at = float(chi2.ppf(quantile, freedom))
    return float(np.sqrt(quantile * (1 - quantile) / count) / (float(chi2.pdf(at, freedom)) * at) / 2)


@dataclass(frozen=True, eq=False)
class _Channel:
    """The noise of one channel.

    ``scaled`` are residuals with a variance of about 1, ``pure`` those of noise alone, and ``more`` by what share
    of it their squares exceed the variance of noise.
    """

    levels: Floats
    variances: Floats
    floor: float
    slope: float
    unlike: float
    scatter: float
    covariance: Floats
    pure: npt.NDArray[np.bool_]
    scaled: Floats
    more: Floats
    freedom: float

    @property
    def beside(self) -> float:
        """How many squares have a little more than noise, for each that has about as much as noise.

        Squares of noise alone are many that are alike; where there are none of them, the line lies below squares
        of which more and more have texture.
        """
        odds = self.more * np.sqrt(self.freedom / 2)
        more = int(np.count_nonzero((odds >= _MORE) & (odds < 1.5 * _MORE)))
        alike = int(np.count_nonzero((odds >= 0) & (odds < 0.5 * _MORE)))
        return more / max(1, alike)

    @property
    def follows(self) -> bool:
        return bool(self.unlike <= np.hypot(_AGREE, 1.5 * self.scatter))

    @property
    def half(self) -> tuple[tuple[float, ...], ...]:
        """Lower half of the autocorrelation, as far as it reaches."""
        reach = next((r for r in range(REACH, 0, -1) if _ring(self.covariance, r).any()), 0)
        middle = self.covariance.shape[1] // 2
        part = self.covariance[: reach + 1, middle - reach : middle + reach + 1] / self.covariance[0, middle]
        return tuple(tuple(row) for row in np.clip(np.round(part, 4), -1, 1).tolist())

    def table(self, black: float) -> tuple[tuple[float, float], ...]:
        """Levels of the plate with their standard deviations."""
        deviations = np.sqrt(self.variances)
        rows: list[tuple[float, float]] = []
        for level, deviation in zip(self.levels + black, deviations, strict=True):
            pair = (float(f"{level:.6g}"), float(f"{deviation:.6g}"))
            if not rows or pair[0] > rows[-1][0]:
                rows.append(pair)
        return tuple(rows)

    def doubts(self, name: str, *, still: bool) -> list[str]:
        found = []
        low, high = float(self.levels[0]), float(self.levels[-1])
        if high < _RANGE * max(low, 0):
            found.append(
                f"{name}: all levels lie between {low:.3g} and {high:.3g}, so that how the noise grows with "
                "light is not well known; measure an area with dark and bright parts"
            )
        if not self.follows:
            found.append(
                f"{name}: the levels differ by {self.unlike:.0%} from floor and slope, as the noise of film or of "
                "log footage that was worked on does, or texture; a grain file gets a table of levels"
            )
        share = float(np.mean(self.pure))
        if share < 0.5:
            what = "changes" if still else "texture"
            found.append(f"{name}: {1 - share:.0%} of the squares have {what} and were left out")
        if _ring(self.covariance, REACH).any():
            found.append(f"{name}: the noise reaches {REACH} pixels and more; what is coarser is not measured")
        return found


def _ring(covariance: Floats, radius: int) -> Floats:
    """Values at one distance, counted in the larger of steps down and across."""
    middle = covariance.shape[1] // 2
    part = covariance[: radius + 1, middle - radius : middle + radius + 1]
    ring: Floats = np.concatenate([part[radius], part[:radius, 0], part[:radius, -1]])
    return ring


def _short(numbers: Triple) -> Triple:
    """Numbers to six digits, which is more than is known."""
    return _triple([float(f"{number:.6g}") for number in numbers])


def _triple(numbers: Sequence[float]) -> Triple:
    return numbers[0], numbers[1], numbers[2]
