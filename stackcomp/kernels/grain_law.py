"""Variance of grain by level, as sums that need no division where light is premultiplied.

A function of straight lines is ``base + Σ rise · max(level − knot, 0)``. Times alpha, at a level of light divided
by alpha, it is ``base · alpha + Σ rise · max(light − knot · alpha, 0)``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.grain_field import GrainLaw

__all__ = ["law_of", "lines_of", "variance_at"]

#: Base, knots and rises of one channel.
Lines = tuple[float, list[float], list[float]]


def lines_of(table: Sequence[tuple[float, float]]) -> Lines:
    """The variance that goes in straight lines through a table of levels and standard deviations.

    Below the first level it stays as it is there; above the last it rises as it does from the first to the last,
    or stays where it falls.
    """
    levels, variances = [level for level, _ in table], [deviation**2 for _, deviation in table]
    rises, before = [], 0.0
    for k in range(len(levels) - 1):
        slope = (variances[k + 1] - variances[k]) / (levels[k + 1] - levels[k])
        rises.append(slope - before)
        before = slope
    overall = (variances[-1] - variances[0]) / (levels[-1] - levels[0]) if len(levels) > 1 else 0.0
    rises.append(max(overall, 0.0) - before)
    return variances[0], levels, rises


def law_of(
    floor: Sequence[float],
    slope: Sequence[float],
    black: Sequence[float],
    levels: Mapping[str, Sequence[tuple[float, float]]],
    factors: Sequence[float],
) -> GrainLaw:
    """The law of R, G and B.

    Args:
        floor: standard deviation at black.
        slope: by how much the variance grows with light.
        black: level of the plate where no light is.
        levels: tables in place of floor and slope, by channel.
        factors: what the standard deviation of each channel is multiplied by.
    """
    rows: list[Lines] = []
    for k, name in enumerate("RGB"):
        linear: Lines = (floor[k] ** 2, [black[k]], [slope[k]])
        rows.append(lines_of(levels[name]) if name in levels else linear)
    count = max(len(knots) for _, knots, _ in rows)
    knots, rises = np.zeros((3, count)), np.zeros((3, count))
    for k, (_, some_knots, some_rises) in enumerate(rows):
        knots[k, : len(some_knots)], rises[k, : len(some_rises)] = some_knots, some_rises
    squares = np.square(np.asarray(factors, np.float64))
    base = np.array([row[0] for row in rows]) * squares
    most = np.finfo(np.float32).max
    limited = [
        np.clip(values, -most, most).astype(np.float32) for values in (base, knots, rises * squares[:, None])
    ]
    return GrainLaw(*limited)


def variance_at(lines: Lines, level: Array) -> Array:
    """The variance at some levels, float64."""
    base, knots, rises = lines
    total = np.full(np.shape(level), base)
    for knot, rise in zip(knots, rises, strict=True):
        total += rise * np.maximum(level - knot, 0)
    variance: Array = np.maximum(total, 0)
    return variance
