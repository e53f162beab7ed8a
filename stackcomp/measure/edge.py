"""The width of one edge in a picture, from 10 to 90 % of its step, in pixels.

The pixels of an area are put in order by their distance from the edge. An edge that lies aslant meets the grid at
all parts of a pixel, so that its profile is known much finer than the grid, and every pixel along it counts.

1. Where the gradient is steepest the edge is, across its mean direction.
2. A model is fitted to all pixels: two sides, and between them an error function along an arc or a straight line.
   Pixels far off (specks) are left out. Where there is room, each side is then a plane of light that was fitted to
   the pixels clear of the edge, so that neither slopes of light nor the rims of sharpening count as its step.
3. What the model leaves is averaged over pixels of about one distance, and added to it. Where this profile first
   passes 10 and 90 % on its way from the middle to either side, the width is read.

A pixel's own area is part of the width, as it is part of what one sees.

Source: the slanted edge is that of ISO 12233, Photography: Electronic still picture imaging: Resolution and
spatial frequency responses. In place of its bins of a quarter pixel and its straight line stand a fit and an arc,
so that short and noisy edges can be measured.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.errors import Problem, RequestError
from stackcomp.kernels.softening import WIDTH_OF_SIGMA

__all__ = ["Edge", "EdgeError", "measure_edge"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
#: As in `Edge.line`, and as in `_Fit`.
_Line = tuple[float, float, float, float]
_Sides = tuple[Floats, Floats]

#: Standard deviation of the smoothing before the gradient is looked at.
_SMOOTHED = 1.5
#: Share of the steepest gradient that still belongs to the edge.
_STEEP = 0.35
#: Fewest pixels along an edge, and in all.
_SHORTEST, _FEWEST = 8, 60
#: Pixels that are fitted at the most.
_MOST = 60_000
#: Distance of the pixels of an edge from it, in standard deviations of its softness, and in pixels on top.
_AROUND, _MORE = 6.0, 3.0
#: The same for the last rounds, in which the sides are known by themselves: pixels from clear of the edge on,
#: so many
#: standard deviations and pixels away, up to so many pixels more; at least so many; and by what their slope is
#: held.
_NEAR, _CLEAR, _CLEAR_MORE, _BESIDE, _FEW, _HELD = 4.0, 3.0, 1.5, 8.0, 24, 0.25
#: So many last rounds at the most, until the softness changes by no more than this share.
_ROUNDS, _SETTLED = 3, 2e-3
#: Pixels to which slopes refer, so that they are numbers of about the size of a step.
_SIZE = 16.0
#: Residuals beyond so many usual ones are specks.
_SPECK = 6.0
_NORMAL = 1.4826022185056018
#: Share of the width that its standard error may be; and widths that the area must reach beside the edge.
_LOST, _ROOM = 0.25, 0.8
#: Bins of the profile for each pixel.
_FINE = 16


class EdgeError(RequestError):
    """An edge that cannot be measured.

    Args:
        what: what is wrong, with the value seen; or the problems themselves.
        way_out: what to do.
    """

    def __init__(self, what: str | Problem | Iterable[Problem], way_out: str = "") -> None:
        super().__init__(Problem("edge-unclear", what, way_out) if isinstance(what, str) else what)


@dataclass(frozen=True)
class Edge:
    """An edge that was measured.

    Attributes:
        width: from 10 to 90 % of the step, in pixels.
        standard_error: of the width, from what the profile does not explain.
        step: from the darker to the brighter side.
        noise: standard deviation of single pixels about the profile, in parts of the step.
        length: of the edge within the area, in pixels.
        bend: how far its middle lies beside the line between its ends, in pixels.
        angle: between the edge and the nearest row or column of pixels, in degrees.
        gap: largest distance, in pixels, between neighbours in the order by distance from the edge.
        room: how far the area reaches beside the edge, on its narrower side, in widths.
        overshoot: how far the profile goes beyond both sides, in parts of the step.
        misfit: how far it lies off an error function, in parts of the step; the largest.
        pixels: that were fitted last.
        left_out: pixels among these that were specks.
        line: direction across, distance from the middle of the plane, curvature, and logarithm of the softness.
    """

    width: float
    standard_error: float
    step: float
    noise: float
    length: float
    bend: float
    angle: float
    gap: float
    room: float
    overshoot: float
    misfit: float
    pixels: int
    left_out: int
    line: _Line


def measure_edge(plane: npt.ArrayLike, good: Mask, *, near: Edge | None = None) -> Edge:
    """Measure the edge of a plane.

    Args:
        plane: ``(height, width)``.
        good: which of its pixels count; others may hold anything.
        near: the same edge as found in another channel, to start from.

    Raises:
        EdgeError: no edge, or too few pixels along it.
    """
    values = np.where(good, np.asarray(plane, np.float64), 0.0)
    y, x = np.nonzero(good)
    if x.size < _FEWEST:
        raise EdgeError(
            f"it holds {x.size} finite pixel{'' if x.size == 1 else 's'}, which is too few",
            f"{_FEWEST} are needed; name a larger area",
        )
    # From the middle of the plane, whatever part of it counts.
    points = np.stack([x - (good.shape[1] - 1) / 2, y - (good.shape[0] - 1) / 2]).astype(np.float64)
    lights = values[y, x]
    scale = float(np.ptp(lights))
    if not scale > 0:
        raise EdgeError("all pixels are of one value", "name an area that an edge crosses")
    lights = lights / scale
    start = _started(values / scale, good) if near is None else near.line
    fit = _Fit(points, lights, start)
    fit.refine()
    # Only what lies about the edge; and a second time without specks.
    fit.keep(np.abs(fit.distance) < _AROUND * fit.softness + _MORE)
    fit.refine()
    left_out = fit.drop_specks()
    fit.refine()
    for _ in range(_ROUNDS):
        before = fit.softness
        whole = _Fit(points, lights, fit.line)
        sides = _sides(whole)
        if sides is None:
            break
        whole = _Fit(points, lights, fit.line, sides)
        whole.keep(np.abs(whole.distance) < _NEAR * whole.softness + _MORE)
        left_out = whole.drop_specks()
        whole.refine()
        fit = whole
        if abs(fit.softness - before) < _SETTLED * before:
            break
    room = _Fit(points, lights, fit.line).distance
    return _read(fit, scale, left_out, (float(-room.min()), float(room.max())))


def _sides(fit: _Fit) -> _Sides | None:
    """Light of the darker and the brighter side, each as a plane; None where there is no room for one."""
    found = []
    for sign in (-1, 1):
        apart = sign * fit.distance
        beside = (apart > _CLEAR * fit.softness + _CLEAR_MORE) & (apart < _AROUND * fit.softness + _BESIDE)
        if beside.sum() < _FEW:
            return None
        columns = np.stack([np.ones(beside.sum()), fit.distance[beside], fit.along[beside]], axis=1)
        lights = fit.lights[beside]
        # A slope over few pixels is hardly known: it is held back, the more the fewer there are.
        held = np.diag([0, _HELD, 0]) * len(lights)
        kept = np.ones(len(lights), bool)
        for _ in range(3):
            own, seen = columns[kept], lights[kept]
            plane = np.linalg.lstsq(own.T @ own + held, own.T @ seen, rcond=None)[0]
            rest = np.abs(lights - columns @ plane)
            kept = rest <= 4 * _NORMAL * np.median(rest) + 1e-12
        found.append(plane)
    return found[0], found[1]


def _started(values: Floats, good: Mask) -> _Line:
    """Direction across the edge, its distance from the middle, its bend, and the logarithm of its softness."""
    from scipy import ndimage

    # A mean of good pixels alone, so that others and the rim make no edge.
    cover = ndimage.gaussian_filter(good.astype(np.float64), _SMOOTHED, mode="constant")
    smooth = ndimage.gaussian_filter(values, _SMOOTHED, mode="constant") / np.maximum(cover, 1e-12)
    down, across = np.gradient(smooth) if min(values.shape) > 1 else (np.zeros_like(values),) * 2
    inner = good & (cover > 0.45)
    power = np.where(inner, down**2 + across**2, 0)
    most = float(power.max(initial=0))
    if not most > 0:
        raise EdgeError("no edge is found", "name an area that an edge crosses")
    # A running mean along nothing in particular would blur corners; the steepest places alone say where it is.
    y, x = np.nonzero(power > _STEEP**2 * most)
    weight, gx, gy = power[y, x], across[y, x], down[y, x]
    turn = 0.5 * np.arctan2((2 * gx * gy).sum(), (gx**2 - gy**2).sum())
    normal = np.array([np.cos(turn), np.sin(turn)])
    if (gx * normal[0] + gy * normal[1]).sum() < 0:
        normal, turn = -normal, turn + np.pi
    place = (x - (good.shape[1] - 1) / 2) * normal[0] + (y - (good.shape[0] - 1) / 2) * normal[1]
    order = np.argsort(place)
    middle = place[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)]
    return float(turn), float(middle), 0.0, 0.0


class _Fit:
    """A soft step along a line that may bend, fitted to pixels.

    Attributes:
        line: direction across, distance from the centre, curvature, logarithm of the softness.
        distance: of each pixel from the edge; positive on the brighter side.
        along: its place along the edge.
        half: half of the step, one for all or for each pixel.
        sides: light of both sides as planes (at the edge, slope across, slope along), where they are known.
    """

    def __init__(self, points: Floats, lights: Floats, line: _Line, sides: _Sides | None = None) -> None:
        self.points, self.lights, self.sides = points, lights, sides
        self.parameters = np.array(line)
        self._place()

    def _place(self) -> None:
        from scipy.special import ndtr

        turn, place, bend, soft = self.parameters
        x, y = self.points
        across = x * np.cos(turn) + y * np.sin(turn) - place
        self.along = y * np.cos(turn) - x * np.sin(turn)
        # The distance from a circle of this curvature, in a form that holds for a straight line too.
        squares = across**2 + self.along**2
        root = np.sqrt((1 + bend * across) ** 2 + (bend * self.along) ** 2)
        self.distance = (2 * across + bend * squares) / (1 + root)
        self.softness = float(np.exp(soft))
        step = 2 * ndtr(self.distance / self.softness) - 1
        columns = np.stack([np.ones_like(step), self.distance, self.along, step])
        if self.sides is None:
            # By the normal equations, which are many times faster; four columns of about one size allow it.
            columns[1:3] /= _SIZE
            linear = np.linalg.lstsq(columns @ columns.T, columns @ self.lights, rcond=None)[0]
            self.half: float | Floats = float(linear[3])
            self.residual = self.lights - linear @ columns
        else:
            low, high = (plane @ columns[:3] for plane in self.sides)
            self.half = (high - low) / 2
            self.residual = self.lights - (low + high) / 2 - self.half * step

    @property
    def line(self) -> _Line:
        """As `Edge.line`."""
        turn, place, bend, soft = (float(number) for number in self.parameters)
        return turn, place, bend, soft

    def keep(self, chosen: Mask) -> None:
        """Go on with some of the pixels."""
        if chosen.sum() >= _FEWEST:
            self.points, self.lights = self.points[:, chosen], self.lights[chosen]
            self._place()

    def drop_specks(self) -> int:
        """Leave out pixels far off; how many there were."""
        usual = _NORMAL * float(np.median(np.abs(self.residual)))
        # Beyond what the form of the edge itself may differ by.
        far = np.abs(self.residual) > max(_SPECK * usual, 0.15 * abs(float(np.mean(self.half))))
        if far.any():
            self.keep(~far)
        return int(far.sum())

    def refine(self) -> None:
        """Fit all numbers, so that squares are least."""
        from scipy.optimize import least_squares

        every = max(1, self.lights.size // _MOST)
        part = _Fit(self.points[:, ::every], self.lights[::every], self.line, self.sides)
        extent = float(np.abs(self.points).max()) + 1

        def wrong(parameters: Floats) -> Floats:
            part.parameters = parameters
            part._place()
            residual: Floats = part.residual
            return residual

        start = self.parameters
        low = np.array([start[0] - 0.5, start[1] - extent, -1 / extent, np.log(0.05)])
        high = np.array([start[0] + 0.5, start[1] + extent, 1 / extent, np.log(4 * extent)])
        inside = 1e-6 * (high - low)
        found = least_squares(
            wrong,
            np.clip(start, low + inside, high - inside),
            bounds=(low, high),
            x_scale=[1 / extent, 0.5, 1 / extent**2, 0.3],
            max_nfev=60,
            xtol=1e-6,
            ftol=1e-7,
        )
        self.parameters = found.x
        self.jacobian = found.jac
        self._place()


def _read(fit: _Fit, scale: float, left_out: int, beside: tuple[float, float]) -> Edge:
    """The profile, and what is read from it; ``beside`` is how far the area reaches on both sides."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.special import ndtr

    half = float(np.mean(fit.half))
    if half < 0:
        # A fit that turned its sides around: no step lies here.
        raise EdgeError("no edge is found", "name an area that one edge crosses from side to side")
    soft = fit.softness
    near = np.abs(fit.distance) < max(soft, 0.5)
    length = float(np.ptp(fit.along[near])) + 1 if near.any() else 0.0
    if length < _SHORTEST:
        raise EdgeError(
            f"the edge is {length:.0f} pixels long within the area",
            f"{_SHORTEST} are needed, and 30 are good; name an area along a longer edge",
        )
    # The noisier, the wider the mean.
    noise = _NORMAL * float(np.median(np.abs(fit.residual))) / (2 * half)
    reach = soft * min(0.2 + 6 * noise, 1.0)
    low, high = float(fit.distance.min()), float(fit.distance.max())
    ends = max(6 * soft + 1, 3.0)
    start = max(low, -ends)
    size = max(2, int((min(high, ends) - start) * _FINE))
    place = ((fit.distance - start) * _FINE).astype(np.intp)
    inside = (fit.distance >= start) & (place < size)
    at = start + (np.arange(size) + 0.5) / _FINE
    count = np.bincount(place[inside], minlength=size).astype(np.float64)
    total = np.bincount(place[inside], weights=fit.residual[inside], minlength=size)
    spread = max(reach, 0.12) * _FINE
    rest = gaussian_filter1d(total, spread, mode="constant") / np.maximum(
        gaussian_filter1d(count, spread, mode="constant"), 1e-9
    )
    form = rest / (2 * half)
    single = fit.residual[inside] - np.interp(fit.distance[inside], at, rest)
    noise = _NORMAL * float(np.median(np.abs(single))) / (2 * half)
    profile = ndtr(at / soft) + form
    width = _crossing(at, profile, 0.9) + _crossing(-at[::-1], 1 - profile[::-1], 0.9)
    inner = np.abs(at) < 3 * soft
    freedom = max(1, fit.lights.size - 8)
    unexplained = float(np.sqrt((fit.residual**2).sum() / freedom))
    error = _error_of_softness(fit, unexplained)
    # The profile is read with what the fit leaves, and so with its noise.
    error = float(np.hypot(WIDTH_OF_SIGMA * soft * error, noise * width / np.sqrt(max(length * width / 4, 1))))
    if not error < _LOST * width:
        raise EdgeError(
            f"the edge is lost in noise: its width is {width:.2g} ± {error:.2g} pixels",
            "name an area along a longer edge, or one with a larger step",
        )
    if min(beside) < _ROOM * width:
        raise EdgeError(
            f"the area reaches {min(beside):.1f} pixels beside an edge that is {width:.1f} pixels wide",
            "name a wider area, with both sides of the edge, and little else",
        )
    steps = np.sort(fit.distance[np.abs(fit.distance) < max(width, 1)])
    gap = float(np.diff(steps).max(initial=0)) if steps.size > 1 else np.inf
    turned = np.degrees(fit.line[0]) % 90
    return Edge(
        width=width,
        standard_error=error,
        step=2 * half * scale,
        noise=noise,
        length=length,
        bend=abs(fit.line[2]) * length**2 / 8,
        angle=float(min(turned, 90 - turned)),
        gap=gap,
        room=min(beside) / width,
        overshoot=float(max(profile[at > 0].max(initial=0) - 1, -profile[at < 0].min(initial=1), 0)),
        misfit=float(np.abs(form[inner]).max(initial=0)),
        pixels=fit.lights.size + left_out,
        left_out=left_out,
        line=fit.line,
    )


def _error_of_softness(fit: _Fit, unexplained: float) -> float:
    """Relative standard error of the softness, to first order, where the noise of pixels is independent."""
    normal = fit.jacobian.T @ fit.jacobian
    try:
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return float("inf")
    few = fit.lights.size / max(1, fit.jacobian.shape[0])
    return unexplained * float(np.sqrt(max(covariance[3, 3], 0) / few))


def _crossing(at: Floats, profile: Floats, part: float) -> float:
    """Where the profile first passes a part of its step on the way from the middle to its brighter side."""
    first = int(np.searchsorted(at, 0.0))
    beyond = np.nonzero(profile[first:] >= part)[0]
    if not beyond.size:
        raise EdgeError(
            "the area ends within the edge", "name a wider area, with both sides of the edge, and little else"
        )
    k = first + int(beyond[0])
    if k == 0:
        return float(at[0])
    before, behind = profile[k - 1], profile[k]
    share = (part - before) / (behind - before) if behind != before else 1.0
    return float(at[k - 1] + share * (at[k] - at[k - 1]))
