"""Finding a square of one picture again in another one, to a small part of a pixel.

The square may be moved, turned, scaled and sheared, its contrast and brightness may change, and it may become
softer or sharper along any direction, as motion blur makes it. With the pattern ``T(u)``, ``u`` in pixels from its
centre, and the other picture ``P``, it looks for

    P(c + A u) = gain · (T(u) + ½ (Bxx Txx + 2 Bxy Txy + Byy Tyy)) + bias

by least squares. ``B`` is the covariance of the blur, to first order. Without it, scale and place would change to
make up for a blur. Pictures blur in light: where their values ``v`` are a curve of light ``l``, ``Txx`` stands for
``Txx + l''(v)/l'(v) Tx²``, and ``Txy`` and ``Tyy`` likewise; in log values edges move towards the dark. Each step
is linear in all eleven unknowns, and is composed into ``c`` and ``A``; pixels that do not fit count less.

Sources: Lucas and Kanade, An Iterative Image Registration Technique, 1981; Baker and Matthews, Lucas–Kanade 20
Years On, 2004 (inverse composition, gain and bias); Holland and Welsch, Robust Regression Using
Iteratively Reweighted Least-Squares, 1977 (Cauchy weights).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field

import numpy as np

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.spline import Spline
from stackcomp.kernels.weighted_sums import weighted_sums

__all__ = ["Found", "Pattern", "match", "pattern_of"]

_MOST_STEPS = 25
_CLOSE_ENOUGH = 1e-3
_CAUCHY = 2.385
#: Change of the blur's covariance that is expected, in px²; where pixels tell, it may be larger.
_BLUR = 0.1
#: Residuals below this share of the pattern's contrast always count in full: no fit of sampled pictures is better.
_LEAST_SCALE = 0.02


@dataclass(frozen=True, eq=False)
class Pattern:
    """A square of a picture around a point.

    Attributes:
        centre: the point, in pixels of its picture.
        values: ``(size, size)``; 0 where the picture does not reach.
        inside: where the picture reaches.
        design: ``(size², 11)``: what each unknown adds to each pixel.
    """

    centre: tuple[float, float]
    values: Array
    inside: Array
    design: Array = field(repr=False)

    @property
    def half(self) -> int:
        """Pixels from the centre to the last pixel of a side."""
        return int(self.values.shape[0]) // 2

    @property
    def contrast(self) -> float:
        """Standard deviation of the pixels that are inside."""
        return float(np.std(self.values[self.inside])) if self.inside.any() else 0.0


def pattern_of(spline: Spline, centre: tuple[float, float], size: int, linear: Array | None = None) -> Pattern:
    """Return the square of a picture around a point.

    Args:
        spline: the picture there.
        centre: the point, in pixels; between pixels too.
        size: pixels of a side, odd.
        linear: ``(2, 2)``: how the square lies in the picture, where it is not upright.
    """
    u, v = _grid(size)
    a = np.eye(2) if linear is None else linear

    def sampled(du: float, dv: float) -> Array:
        x, y = a @ np.stack([u + du, v + dv])
        return spline.at(centre[0] + x, centre[1] + y)

    values = sampled(0, 0)
    # Differences over one pixel, half to each side; those of second order over one pixel to each side.
    along, down = sampled(0.5, 0) - sampled(-0.5, 0), sampled(0, 0.5) - sampled(0, -0.5)
    bent = sampled(1, 0) + sampled(-1, 0) - 2 * values, sampled(0, 1) + sampled(0, -1) - 2 * values
    twisted = sampled(0.5, 0.5) + sampled(-0.5, -0.5) - sampled(0.5, -0.5) - sampled(-0.5, 0.5)
    if spline.bend is not None:
        bend = np.interp(values, *spline.bend)
        bent = bent[0] + bend * along**2, bent[1] + bend * down**2
        twisted = twisted + bend * along * down
    parts = (values, along, down, bent[0] / 2, twisted, bent[1] / 2)
    inside = np.all(np.isfinite(parts), axis=0)
    values, along, down, *blur = (np.where(inside, part, 0) for part in parts)
    half = size // 2
    one = np.ones_like(values)
    moves = (along, along * u / half, along * v / half, down, down * u / half, down * v / half)
    columns = (*moves, *blur, values, one)
    return Pattern(centre, values.reshape(size, size), inside.reshape(size, size), np.stack(columns, axis=1))


@functools.cache
def _grid(size: int) -> tuple[Array, Array]:
    half = size // 2
    v, u = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    return u.ravel(), v.ravel()


@dataclass(frozen=True, eq=False)
class Found:
    """Where a pattern was found.

    Attributes:
        centre: in pixels of the other picture.
        linear: ``(2, 2)``: how the pattern is turned, scaled and sheared.
        gain: contrast against the pattern's.
        bias: what is added after the gain.
        residual: ``(size, size)``, the other picture brought back, less the pattern; NaN where one does not reach.
        uncertain: standard deviation of the place that the noise makes, in pixels, along its worst direction.
        settled: whether the last step was below 0.001 px.
    """

    centre: tuple[float, float]
    linear: Array
    gain: float
    bias: float
    residual: Array
    uncertain: float
    settled: bool


def match(
    pattern: Pattern,
    spline: Spline,
    centre: tuple[float, float],
    linear: Array,
    *,
    noise: float,
    looseness: float = 0.02,
    move_only: bool = False,
    used: Array | None = None,
) -> Found | None:
    """Find a pattern in another picture, near a first guess.

    Args:
        pattern: what to find.
        spline: the other picture, around the guess.
        centre: first guess of the place, in pixels.
        linear: ``(2, 2)``, first guess of how it is turned, scaled and sheared.
        noise: standard deviation of the noise of both pictures together, before any softening of them: softened
            noise is as strong as before where it looks like a change of shape.
        looseness: how much ``linear`` is expected to change from the guess; where the pixels say nothing of it,
            it stays near the guess.
        move_only: whether ``linear`` stays as it is.
        used: ``(size, size)``, pixels of the pattern to go by; all when None.

    Returns:
        None where it leaves the picture, the pattern has no contrast, or the steps lead nowhere.
    """
    size, half = pattern.values.shape[0], pattern.half
    u, v = _grid(size)
    a, c = linear.astype(np.float64), np.array(centre, dtype=np.float64)
    wanted = pattern.inside.ravel() if used is None else (pattern.inside & used).ravel()
    chosen = [0, 3, *range(6, 11)] if move_only else list(range(11))
    design = pattern.design[:, chosen]
    least = _LEAST_SCALE * pattern.contrast
    gain, bias, settled = 1.0, 0.0, False
    model = pattern.values.ravel()
    spread = (looseness * half) ** 2
    for step_number in range(_MOST_STEPS):
        x, y = c[0] + a[0, 0] * u + a[0, 1] * v, c[1] + a[1, 0] * u + a[1, 1] * v
        there = spline.at(x, y)
        known = wanted & np.isfinite(there)
        if np.count_nonzero(known) < 0.4 * size * size:
            return None
        there = np.where(known, there, 0)
        weights = known.astype(np.float64)
        if step_number:
            error = there - gain * model - bias
            scale = max(1.4826 * float(np.median(np.abs(error[known]))), least)
            weights /= 1 + (error / (_CAUCHY * scale)) ** 2
        square, right = weighted_sums(design, weights, design), weighted_sums(design, weights, there)
        # What is expected of shape and blur, as strong as the noise makes the pixels weak.
        doubt = (max(noise, least) / max(abs(gain), 0.1)) ** 2
        for k in range(-5, -2):
            square[k, k] += doubt / _BLUR**2
        if not move_only:
            strength = doubt / spread
            expected = np.linalg.solve(a, a - linear) * half
            for k, (row, column) in ((1, (0, 0)), (2, (0, 1)), (4, (1, 0)), (5, (1, 1))):
                square[k, k] += strength
                right[k] += strength * gain * expected[row, column]
        try:
            solved = np.linalg.solve(square, right)
        except np.linalg.LinAlgError:
            return None
        gain, bias = float(solved[-2]), float(solved[-1])
        if not (np.isfinite(solved).all() and gain > 0.05):
            return None
        step, blurred = np.split(solved[:-2] / gain, [-3])
        model = pattern.values.ravel() + pattern.design[:, 6:9] @ blurred
        if move_only:
            step = np.array([step[0], 0, 0, step[1], 0, 0])
        longest = float(np.abs(step).max())
        if longest > half:
            return None
        # The pattern with the step equals the other picture as it is: so the step is taken back there.
        turned = np.linalg.inv(np.eye(2) + step[[1, 2, 4, 5]].reshape(2, 2) / half)
        a = a @ turned
        c = c - a @ step[[0, 3]]
        if longest < _CLOSE_ENOUGH:
            settled = True
            break
    if not 0.2 < abs(float(np.linalg.det(a))) < 5:
        return None
    there = spline.at(c[0] + a[0, 0] * u + a[0, 1] * v, c[1] + a[1, 0] * u + a[1, 1] * v)
    residual = (there - bias) / gain - model
    residual[~pattern.inside.ravel()] = np.nan
    # The place is the first and the fourth unknown, or the first and the second where it only moves.
    place = [0, 1] if move_only else [0, 3]
    spread_of_place = a @ np.linalg.inv(square)[np.ix_(place, place)] @ a.T * (noise / gain) ** 2
    uncertain = float(np.sqrt(max(0.0, np.linalg.eigvalsh(spread_of_place)[-1])))
    return Found((float(c[0]), float(c[1])), a, gain, bias, residual.reshape(size, size), uncertain, settled)
