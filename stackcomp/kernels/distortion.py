"""Lens distortion: where a straight picture's points lie in the picture that a lens makes, and back.

Coordinates are normalised: ``x = (u - cx) / fx``, ``y = (v - cy) / fy``, with y down. A point at ``(x, y)`` of the
picture of a pinhole comes to lie at

    x' = x R + 2 p1 x y + p2 (r² + 2 x²) + s1 r² + s2 r⁴
    y' = y R + p1 (r² + 2 y²) + 2 p2 x y + s3 r² + s4 r⁴

with r² = x² + y² and R = (1 + k1 r² + k2 r⁴ + k3 r⁶) / (1 + k4 r² + k5 r⁴ + k6 r⁶). With k1 to k3, p1 and p2 alone
it is the model of Brown and Conrady; with all of them it is OpenCV's rational model with a thin prism.

**Folds.** Where r R no longer grows with r, the formula maps two radii onto one: no lens does that, it is the end
of what was measured. `Distortion.limit` is that radius. Nothing is mapped beyond it.

Sources: Brown, Decentering Distortion of Lenses, 1966; Brown, Close-Range Camera Calibration, 1971; Conrady,
Decentred Lens-Systems, 1919; OpenCV's documentation, "Camera Calibration and 3D Reconstruction" (the order and
signs of the coefficients, the rational model, the thin prism).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from stackcomp.kernels.compiled import Array

__all__ = ["Distortion", "Mapped"]

#: A direction farther from the axis than this, in units of the focal length, is taken to be behind the lens.
_FARTHEST = 1e3
#: An inverse has been found where it maps back to within this, in units of the focal length.
_FOUND = 1e-11
#: Steps become as many times smaller as they are small: the one after this is below rounding.
_CLOSE = 1e-7
#: How much farther than to the end of the radial part a point may be moved.
_BEYOND = 1.1
_MOST_STEPS = 40
#: Up to this radius the first guesses lie evenly, beyond it in proportion to the radius.
_NEAR = 4.0


class Mapped(NamedTuple):
    """Where points are mapped to, and the derivatives of that; NaN where nothing is mapped.

    ``xy`` is how x changes along y.
    """

    x: Array
    y: Array
    xx: Array
    yx: Array
    xy: Array
    yy: Array


@dataclass(frozen=True)
class Distortion:
    """The coefficients of one lens."""

    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k4: float = 0.0
    k5: float = 0.0
    k6: float = 0.0
    s1: float = 0.0
    s2: float = 0.0
    s3: float = 0.0
    s4: float = 0.0

    @property
    def changes_nothing(self) -> bool:
        """Whether every coefficient is 0."""
        return not any(vars(self).get(name) for name in self.__dataclass_fields__)

    @cached_property
    def limit(self) -> float:
        """The radius, in units of the focal length, at which the formula folds back; infinity where it never does.

        It is that of the radial part, which is all of it but for small terms.
        """
        over = np.polynomial.Polynomial([1, self.k1, self.k2, self.k3])
        under = np.polynomial.Polynomial([1, self.k4, self.k5, self.k6])
        square = np.polynomial.Polynomial([0, 1])
        # The derivative of r · over(r²) / under(r²), times under².
        slope = (over + 2 * square * over.deriv()) * under - 2 * square * over * under.deriv()
        ends = [_first_change(slope), _first_change(under)]
        return float(np.sqrt(min(ends)))

    def distort(self, x: Array, y: Array) -> Mapped:
        """Points of the straight picture → of the distorted one.

        Args:
            x: float64, of any shape.
            y: likewise.
        """
        mapped = self._formula(x, y)
        inside = (x * x + y * y < self.limit**2) & (mapped.xx * mapped.yy - mapped.xy * mapped.yx > 0)
        return mapped if inside.all() else Mapped(*(np.where(inside, part, np.nan) for part in mapped))

    def straighten(self, x: Array, y: Array) -> Mapped:
        """Points of the distorted picture → of the straight one, by Newton's method to 1e-11.

        Args:
            x: float64, of any shape.
            y: likewise.
        """
        mapped = self._newton(x, y, *self._quick_guess(x, y))
        missing = ~np.isfinite(mapped.x)
        if missing.any() and np.isfinite(self.limit):
            # No term but the radial one leads farther than this.
            end = float(self.radial(np.array(self._top))[0])
            missing &= np.hypot(x, y) < (_BEYOND * end if end > 0 else np.inf)
        if missing.any():
            # Beside a fold Newton's method needs a good start.
            left = np.asarray(x)[missing], np.asarray(y)[missing]
            for whole, part in zip(mapped, self._newton(*left, *self._safe_guess(*left)), strict=True):
                whole[missing] = part
        return mapped

    def _newton(self, x: Array, y: Array, at_x: Array, at_y: Array) -> Mapped:
        """The inverse from a first guess; NaN where it leads nowhere."""
        # Of a point that has none, no step leads anywhere; numbers may become very large on the way.
        with np.errstate(all="ignore"):
            moves: Array = np.ones(np.shape(at_x), bool)
            for _ in range(_MOST_STEPS):
                there = self._formula(at_x, at_y)
                off_x, off_y = x - there.x, y - there.y
                area = there.xx * there.yy - there.xy * there.yx
                step_x = (there.yy * off_x - there.xy * off_y) / area
                step_y = (there.xx * off_y - there.yx * off_x) / area
                at_x, at_y = np.where(moves, at_x + step_x, at_x), np.where(moves, at_y + step_y, at_y)
                step = np.maximum(abs(step_x), abs(step_y))
                # What has left for good does not hold up the others.
                moves &= (step > _CLOSE) & (step < _FARTHEST)
                if not moves.any():
                    break
            there = self._formula(at_x, at_y)
            area = there.xx * there.yy - there.xy * there.yx
            found = (np.hypot(x - there.x, y - there.y) < _FOUND * (1 + np.hypot(x, y))) & (area > 0)
            found &= at_x * at_x + at_y * at_y < min(self.limit, _FARTHEST) ** 2
            parts = (at_x, at_y, there.yy / area, -there.yx / area, -there.xy / area, there.xx / area)
        return Mapped(*parts) if found.all() else Mapped(*(np.where(found, part, np.nan) for part in parts))

    def radial(self, radius: Array) -> tuple[Array, Array]:
        """The radial part alone: where a radius comes to lie, and how fast that grows.

        Infinity or NaN where the lower line of the formula is 0.
        """
        square = radius * radius
        over, d_over = _cubic(square, self.k1, self.k2, self.k3)
        under, d_under = _cubic(square, self.k4, self.k5, self.k6)
        with np.errstate(all="ignore"):
            share = over / under
            return radius * share, share + 2 * square * (d_over - share * d_under) / under

    def _formula(self, x: Array, y: Array) -> Mapped:
        square = x * x + y * y
        over, d_over = _cubic(square, self.k1, self.k2, self.k3)
        if self.k4 or self.k5 or self.k6:
            under, d_under = _cubic(square, self.k4, self.k5, self.k6)
            share = over / under
            # Twice the derivative along r², since r² grows by 2 x along x.
            growth = 2 * (d_over - share * d_under) / under
        else:
            share, growth = over, 2 * d_over
        p1, p2 = self.p1, self.p2
        at_x = x * share + 2 * p1 * x * y + p2 * (square + 2 * x * x)
        at_y = y * share + p1 * (square + 2 * y * y) + 2 * p2 * x * y
        both = x * y * growth
        xx = share + x * x * growth + 2 * p1 * y + 6 * p2 * x
        xy = both + 2 * p1 * x + 2 * p2 * y
        yy = share + y * y * growth + 6 * p1 * y + 2 * p2 * x
        yx = xy.copy()
        if self.s1 or self.s2 or self.s3 or self.s4:
            at_x, at_y = (
                at_x + square * (self.s1 + self.s2 * square),
                at_y + square * (self.s3 + self.s4 * square),
            )
            grows_x, grows_y = 2 * self.s1 + 4 * self.s2 * square, 2 * self.s3 + 4 * self.s4 * square
            xx, xy, yx, yy = xx + x * grows_x, xy + y * grows_x, yx + x * grows_y, yy + y * grows_y
        return Mapped(at_x, at_y, xx, yx, xy, yy)

    @property
    def _top(self) -> float:
        """The largest radius of the straight picture."""
        return min(self.limit * (1 - 1e-12), _FARTHEST)

    @cached_property
    def _table(self) -> tuple[Array, Array]:
        """Radii in the distorted picture, rising, and by which share those of the straight one are smaller."""
        near = min(self._top, _NEAR)
        radii = np.linspace(0, near, 1025)
        if self._top > near:
            radii = np.concatenate([radii, np.geomspace(near, self._top, 513)[1:]])
        far = self.radial(radii)[0]
        # Beside a place where the formula divides by 0, rounding may lead to the other side of it.
        rises = np.isfinite(far) & (np.maximum.accumulate(np.where(np.isfinite(far), far, 0)) <= far)
        radii, far = radii[rises], far[rises]
        return far, np.divide(radii, far, out=np.ones_like(radii), where=radii > 0)

    # What a point is mapped to must not depend on which other points are asked for, or tiles would differ.

    def _quick_guess(self, x: Array, y: Array) -> tuple[Array, Array]:
        """The inverse of the radial part, from a table."""
        share = np.interp(np.hypot(x, y), *self._table)
        return x * share, y * share

    def _safe_guess(self, x: Array, y: Array) -> tuple[Array, Array]:
        """The inverse of the radial part: Newton's method between two radii that enclose it, else their middle."""
        far = np.hypot(x, y)
        low, high = np.zeros_like(far), np.full_like(far, self._top)
        radius = np.minimum(far, 0.5 * self._top)
        settled = np.zeros(far.shape, bool)
        for _ in range(_MOST_STEPS):
            value, slope = self.radial(radius)
            beyond = value > far
            low, high = np.where(beyond, low, radius), np.where(beyond, radius, high)
            with np.errstate(all="ignore"):
                new = radius - (value - far) / slope
            new = np.where((new > low) & (new < high), new, 0.5 * (low + high))
            new = np.where(settled, radius, new)
            settled |= abs(new - radius) <= 1e-9 * (1 + radius)
            radius = new
            if settled.all():
                break
        share = np.divide(radius, far, out=np.ones_like(far), where=far > 0)
        return x * share, y * share


def _cubic(square: Array, a: float, b: float, c: float) -> tuple[Array, Array]:
    """1 + a s + b s² + c s³, and its derivative."""
    return 1 + square * (a + square * (b + square * c)), a + square * (2 * b + square * (3 * c))


def _first_change(polynomial: np.polynomial.Polynomial) -> float:
    """The smallest positive root at which a polynomial that begins at 1 becomes negative; infinity without one."""
    # Terms that are nothing up to the largest radius would only bring in roots beyond it, and overflow.
    sizes = abs(polynomial.coef) * _FARTHEST ** (2.0 * np.arange(len(polynomial.coef)))
    degree = int(np.nonzero(sizes > 1e-9)[0].max(initial=0))
    if degree < 1:
        return np.inf
    roots = [complex(root) for root in np.asarray(polynomial.cutdeg(degree).roots())]
    real = sorted(
        root.real for root in roots if 0 < root.real < _FARTHEST**2 and abs(root.imag) < 1e-7 * abs(root)
    )
    for root in real:
        # A root that it only touches is none.
        if polynomial(root * (1 + 1e-5)) < 0:
            return root
    return np.inf
