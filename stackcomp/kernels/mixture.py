"""Light spread over large distances, fast: falloffs as sums of Gaussians, each made on the grid that it allows.

A falloff is fitted by Gaussians whose standard deviations are a fixed ratio apart, with weights that are never
negative and sum to 1: light is neither made nor lost, and none is negative. A wide Gaussian needs few samples of a
coarse grid (`pyramid`), so a radius of 1000 pixels costs no more than one of 10. Grids lie where the frame begins:
a tile is a part of the whole.

The fit weighs errors by the falloff itself, so that the skirt is as right as the core. What a point spreads is off
by less than 1 % of its peak, and less than 0.5 % of its light lands elsewhere (measured: 0.8 and 0.3 % at most;
the first where an exponential has its tip).

Source of the weights: Lawson and Hanson, Solving Least Squares Problems, 1974 (by scipy).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from stackcomp.data.planes import plane_over
from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.convolve import Falloff, falloff_margin, near_profile, profile
from stackcomp.kernels.gaussian import level_of, level_weights
from stackcomp.kernels.pyramid import double, filtered, finer, halve, rougher

__all__ = ["Mixture", "Part", "parts_of"]

# Between the standard deviations of two Gaussians; of the widest, in the reach; of the narrowest, in a falloff's
# radius. Those under the least are a single pixel.
_RATIO, _WIDEST, _NARROWEST, _LEAST = 1.5, 4.4, 40.0, 0.3
# Pixels around the centre at which the fit looks one by one, then how many rings to twice the distance; and from
# which share of the peak on errors count less than in proportion.
_NEAR, _RINGS = 12, 20
_FLOOR = {"exponential": 1e-3, "gaussian": 1e-3, "glare": 1e-8}
# Fewest samples in a standard deviation on a coarse grid, and how many of them a filter takes in.
_COARSE, _FAR, _LEAST_FAR = 1.5, 4.2, 3.9
# Below this a falloff is one pixel.
_NO_RADIUS = 1e-3


@dataclass(frozen=True)
class Part:
    """A Gaussian of a falloff: standard deviation and reach in pixels, and its share of the light."""

    sigma: float
    reach: int
    share: float


@functools.lru_cache(maxsize=64)
def parts_of(radius: float, kind: Falloff) -> tuple[Part, ...]:
    """Return the Gaussians that sum up to a falloff; their shares sum to 1.

    Args:
        radius: half-light radius in pixels, 0 or more; of glare, pixels to a degree in the middle of the view.
        kind: ``"exponential"``, ``"gaussian"`` or ``"glare"``.

    Raises:
        ValueError: a radius below 0 or not finite.
    """
    reach = falloff_margin(radius, kind)
    if radius < _NO_RADIUS:
        return (Part(0, 0, 1),)
    sigmas = _ladder(radius, kind, reach)
    if len(sigmas) == 1:
        return (Part(sigmas[0], reach, 1),)
    x, y = _places(reach)
    wanted = _falloff_at(x, y, radius, kind, reach)
    atoms = np.stack([_gaussian_at(x, sigma) * _gaussian_at(y, sigma) for sigma in sigmas], axis=1)
    weights = 1 / (wanted + _FLOOR[kind] * wanted[0])
    # One more row: all light is there.
    heavy = 30.0
    rows = np.vstack([atoms * weights[:, None], np.full(len(sigmas), heavy)])
    shares, _ = optimize.nnls(rows, np.append(wanted * weights, heavy), maxiter=10_000)
    shares /= shares.sum()
    return tuple(
        Part(sigma, reach, float(share)) for sigma, share in zip(sigmas, shares, strict=True) if share > 1e-7
    )


def _ladder(radius: float, kind: Falloff, reach: int) -> list[float]:
    """Standard deviations from which a fit may choose, the widest first."""
    if kind == "gaussian":
        return [radius / math.sqrt(2 * math.log(2))]
    widest = reach / _WIDEST
    narrowest = 0.0 if kind == "glare" else radius / _NARROWEST
    count = math.ceil(math.log(widest / max(narrowest, _LEAST), _RATIO)) + 1
    sigmas = [widest * _RATIO**-k for k in range(max(1, count))]
    return sigmas if narrowest >= _LEAST else [*(sigma for sigma in sigmas if sigma >= _LEAST), 0.0]


def _places(reach: int) -> tuple[Array, Array]:
    """Pixels, right and down from the centre, at which a fit looks."""
    y, x = np.mgrid[: _NEAR + 1, : _NEAR + 1]
    near = (y <= x) & (x <= reach)
    if reach <= _NEAR:
        return x[near], y[near]
    # Beyond the end, too: nothing should be there.
    end = 1.1 * reach
    far = np.geomspace(_NEAR + 1, end, max(2, round(_RINGS * math.log2(end / (_NEAR + 1)))))
    turns = np.radians([0, 22.5, 45])[:, None]
    xs, ys = (np.round(far * turn).ravel() for turn in (np.cos(turns), np.sin(turns)))
    return np.append(x[near], xs), np.append(y[near], ys)


def _falloff_at(x: Array, y: Array, radius: float, kind: Falloff, reach: int) -> Array:
    """A falloff at pixels, of which the first is the centre; the share of all light that lands in each."""
    distance = np.hypot(x, y)
    end = float(profile(np.asarray(reach + 0.5), radius, kind))
    near = near_profile(_NEAR + 1, radius, kind)
    rings = np.geomspace(1e-3 * min(radius, 1), reach + 0.5, 4000)
    total = 2 * math.pi * np.trapezoid(rings * (profile(rings, radius, kind) - end), rings)
    values = np.maximum(profile(distance, radius, kind) - end, 0)
    close = np.maximum(x, y) <= _NEAR
    values[close] = np.maximum(near[y[close].astype(int), x[close].astype(int)] - end, 0)
    result: Array = values / total
    return result


def _gaussian_at(distance: Array, sigma: float) -> Array:
    """The share of a Gaussian that lands in the pixel at a distance, in one direction."""
    if sigma == 0:
        return np.where(distance == 0, 1.0, 0.0)
    result: Array = special.ndtr((distance + 0.5) / sigma) - special.ndtr((distance - 0.5) / sigma)
    return result


class Mixture:
    """Spreads planes of one window by a sum of Gaussians, to planes of another window.

    Args:
        parts: the Gaussians.
        source: window of the planes; outside of it there is nothing.
        target: window of the results.

    Attributes:
        room: window of the planes that are given, with nothing around the source: see `blank`.
    """

    def __init__(self, parts: Iterable[Part], source: Window, target: Window) -> None:
        self.source, self.target = source, target
        self._filters: dict[int, list[tuple[Array, Array]]] = {}
        for part in parts:
            level, weights = _filter_of(part)
            once = weights.astype(np.float32)
            self._filters.setdefault(level, []).append(((weights * part.share).astype(np.float32), once))
        top = max(self._filters, default=0)
        self._targets = [target]
        sources = [source]
        for _ in range(top):
            self._targets.append(rougher(self._targets[-1]))
            sources.append(_lit(sources[-1]))
        # What is read on each level, and the part of it in which there may be light.
        self._read: list[Window] = [Window(0, 0, 0, 0)] * (top + 1)
        self._lit = list(sources)
        below = Window(0, 0, 0, 0)
        for level in range(top, -1, -1):
            reach = max((len(once) - 1 for _, once in self._filters.get(level, [])), default=None)
            read = below if reach is None else below | self._targets[level].grow(reach)
            self._read[level], self._lit[level] = read, sources[level] & read
            below = Window(0, 0, 0, 0) if self._lit[level].empty else finer(self._lit[level])
        self.room = self._read[0]
        self._nothing = source.empty or target.empty or self._lit[0].empty or not self._filters

    def blank(self) -> tuple[Array, Array, Window]:
        """Return a plane over `room`, with nothing around the source; the rest to be written; and its window."""
        plane = np.empty(self.room.shape, np.float32)
        inner = self._lit[0]
        rows, columns = inner.slices_in(self.room) if not inner.empty else (slice(0, 0), slice(0, 0))
        plane[: rows.start] = 0
        plane[rows.stop :] = 0
        plane[rows, : columns.start] = 0
        plane[rows, columns.stop :] = 0
        return plane, plane[rows, columns], inner

    def spread(self, plane: Array) -> Array:
        """Spread a plane that covers the source.

        Args:
            plane: float32, of the source window's shape, all finite.

        Returns:
            float32, of the target window's shape. A tile equals the whole to within 1e-6 of the brightest value.

        Raises:
            ValueError: a plane of another shape.
        """
        plane = plane_of(plane)
        if plane.shape != self.source.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {self.source.shape}")
        if self._nothing:
            return np.zeros(self.target.shape, np.float32)
        if self.room != self.source:
            plane = plane_over(plane, self.source, self.room)
        return self(plane)

    def __call__(self, plane: Array) -> Array:
        """As `spread`, for a plane over `room`, which is not written to."""
        if plane.shape != self.room.shape:
            raise ValueError(f"a plane is {plane.shape}, but its room is {self.room.shape}")
        if self._nothing:
            return np.zeros(self.target.shape, np.float32)
        planes: list[Array | None] = [plane]
        for level in range(1, len(self._targets)):
            last, lit = planes[-1], self._lit[level]
            assert last is not None
            if level - 1 not in self._filters:
                planes[-1] = None
            if lit.empty:
                break
            half = halve(last, self._read[level - 1], lit)
            planes.append(plane_over(half, lit, self._read[level]))
        del plane
        result: Array | None = None
        for level in range(len(self._targets) - 1, -1, -1):
            target = self._targets[level]
            if result is not None:
                result = double(result, self._targets[level + 1], target)
            if level < len(planes) and (some := planes.pop()) is not None:
                for across, down in self._filters[level]:
                    result = filtered(some, self._read[level], target, across, down, result)
        return np.zeros(self.target.shape, np.float32) if result is None else result


def _lit(window: Window) -> Window:
    """Samples of the next grid to which light of a window goes."""
    if window.empty:
        return window
    return Window((window.x0 - 1) // 2, (window.y0 - 1) // 2, (window.x1 + 3) // 2, (window.y1 + 3) // 2)


def _filter_of(part: Part) -> tuple[int, Array]:
    """The level on which a Gaussian is made, and its weights there; those of both sides sum to 1."""
    if part.sigma == 0:
        return 0, np.ones(1)
    # Light lands on the whole of a pixel.
    sigma = math.sqrt(part.sigma**2 + 1 / 12)
    for level in range(level_of(sigma, _COARSE), 0, -1):
        step = 1 << level
        # The standard deviation of the filter itself, without both ways between grids.
        own = math.sqrt((sigma / step) ** 2 - 2 / 3)
        far = min((part.reach + 3) // step - 4, math.ceil(_FAR * own))
        if far >= _LEAST_FAR * own:
            return level, level_weights(sigma, level, (far + 4) * step - 3)
    weights = _gaussian_at(np.arange(min(part.reach, math.ceil(_FAR * sigma)) + 1.0), part.sigma)
    return 0, weights / (weights[0] + 2 * weights[1:].sum())


def reach_of(parts: Sequence[Part]) -> int:
    """Return how many pixels light goes on each side."""
    return max((part.reach for part in parts), default=0)
