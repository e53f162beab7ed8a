"""Whether what was found is the pattern, or whether something stands in front of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.pattern_match import Found, Pattern

__all__ = ["Likeness", "given_back", "likeness"]

#: The pattern is looked at in this many parts along each side.
_PARTS = 5
#: A part is covered when its error, less the noise, is more than this share of its own variance …
_SHARE_OF_PART = 0.6
#: … and of that of the whole pattern.
_SHARE_OF_WHOLE = 0.08
#: Noise varies: this much more of its variance is still noise.
_NOISE_ROOM = 2.0


@dataclass(frozen=True, eq=False)
class Likeness:
    """How alike a pattern and what was found are.

    Attributes:
        correlation: normalised cross-correlation over the pixels that are seen; what noise takes is given back.
        seen: ``(size, size)``, pixels of parts that are not covered, inside of both pictures.
        covered: share of the parts that the pattern has which are covered, or outside of the other picture.
        centre_covered: whether the middle is among them.
    """

    correlation: float
    seen: npt.NDArray[np.bool_]
    covered: float
    centre_covered: bool


def likeness(pattern: Pattern, found: Found, noise: float) -> Likeness:
    """Compare a pattern with what was found.

    Args:
        pattern: what was looked for.
        found: where it was found.
        noise: standard deviation of the noise of both pictures together, in the pattern's values.
    """
    values, error = pattern.values, found.residual
    inside = pattern.inside & np.isfinite(error)
    error = np.where(inside, error, 0)
    size = values.shape[0]
    edges = np.linspace(0, size, _PARTS + 1).round().astype(int)
    whole = pattern.contrast**2
    quiet = min(noise, 0.5 * pattern.contrast) ** 2
    there = inside.astype(np.float64)
    count = _sums(there, edges)
    whole_parts = _sums(np.ones_like(there), edges)
    few = count < 0.5 * whole_parts
    had = _sums(pattern.inside.astype(np.float64), edges) >= 0.5 * whole_parts
    count = np.maximum(count, 1)
    mean = _sums(values * there, edges) / count
    own = _sums((values - _spread(mean, edges)) ** 2 * there, edges) / count
    wrong = _sums(error**2, edges) / count - _NOISE_ROOM * quiet
    covered = few | (wrong > np.maximum(_SHARE_OF_PART * own, _SHARE_OF_WHOLE * whole))
    seen = inside & ~_spread(covered, edges)
    middle = _PARTS // 2
    return Likeness(
        _correlation(values, values + error, seen, quiet),
        seen,
        float(covered[had].mean()) if had.any() else 1.0,
        bool(covered[middle, middle]),
    )


def _sums(plane: Array, edges: Array) -> Array:
    """Sums over the parts, ``(parts, parts)``."""
    rows = np.add.reduceat(plane, edges[:-1], axis=0)
    sums: Array = np.add.reduceat(rows, edges[:-1], axis=1)
    return sums


def _spread(parts: Array, edges: Array) -> Array:
    """The value of its part at each pixel."""
    sizes = np.diff(edges)
    spread: Array = parts.repeat(sizes, axis=0).repeat(sizes, axis=1)
    return spread


def _correlation(a: Array, b: Array, seen: Array, quiet: float) -> float:
    if np.count_nonzero(seen) < 9:
        return 0.0
    a, b = a[seen] - a[seen].mean(), b[seen] - b[seen].mean()
    # Half of the noise is in either picture; what it adds to their variances says nothing about likeness.
    varied = [float(np.mean(part**2)) for part in (a, b)]
    if min(varied) <= 0:
        return 0.0
    return given_back(float(np.mean(a * b)) / float(np.sqrt(varied[0] * varied[1])), varied, quiet)


def given_back(correlation: float, varied: Sequence[float], quiet: float) -> float:
    """A correlation with what noise takes from it given back.

    Args:
        correlation: of two pictures with noise.
        varied: variance of each, with its noise.
        quiet: variance of the noise of both together; it is taken to be at most half of what varies.
    """
    kept = [max(1 - quiet / 2 / each, 0.5) for each in varied]
    return min(1.0, correlation / float(np.sqrt(kept[0] * kept[1])))
