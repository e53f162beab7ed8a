"""Numbers about a plane: statistics and histograms of its true values.

A histogram of light has eight bins a stop over all of float32, in both signs: the twelve highest bits of a value
are its bin, so that every edge is a float itself, and counting is exact. Other planes have 128 equal bins between
their least and their greatest finite value, as `numpy.histogram` counts them in float64.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["even_histogram", "id_counts", "light_edges", "light_histogram", "statistics"]

Numbers = npt.NDArray[Any]
_BINS = 128
_SHIFT = 20  # of 32 bits, 12 stay: sign, exponent, and three of the fraction
_MOST_IDS = 64


def statistics(plane: Numbers) -> dict[str, Any]:
    """Least, greatest, mean, median and standard deviation of the finite values, and counts of others.

    All are None where no value is finite. ``negative`` and ``above_one`` count finite values.
    """
    finite = np.isfinite(plane)
    values = plane.ravel() if finite.all() else plane[finite]
    counted = {
        "count": int(plane.size),
        "nan": int(np.count_nonzero(np.isnan(plane))) if values.size < plane.size else 0,
        "infinite": int(np.count_nonzero(np.isinf(plane))) if values.size < plane.size else 0,
        "negative": int(np.count_nonzero(values < 0)),
        "above_one": int(np.count_nonzero(values > 1)),
    }
    if not values.size:
        return {"min": None, "max": None, "mean": None, "median": None, "deviation": None, **counted}
    mean = float(values.mean(dtype=np.float64))
    # In float64: squares of large values overflow float32, and means of small differences lose their digits.
    deviation = float(np.sqrt(np.square(values - mean, dtype=np.float64).mean()))
    middle = values.size // 2
    median = float(np.partition(values, middle)[middle])
    return {
        "min": float(values.min()),
        "max": float(values.max()),
        "mean": mean,
        "median": median,
        "deviation": deviation,
        **counted,
    }


@dataclass(frozen=True)
class _Run:
    """Counts of neighbouring bins, from the first that is not empty to the last."""

    first: int
    counts: list[int]


def _run(counts: Numbers) -> _Run:
    filled = np.flatnonzero(counts)
    if not filled.size:
        return _Run(0, [])
    return _Run(int(filled[0]), [int(count) for count in counts[filled[0] : filled[-1] + 1]])


def light_histogram(plane: Numbers) -> dict[str, Any]:
    """Counts of a plane of light, eight bins a stop.

    Returns:
        ``kind`` is ``stops``. ``positive`` and ``negative`` are runs of bins: bin b holds values from the float
        with the bits ``b << 20`` on, up to the next one (of negative values, their size counts). ``zero`` counts
        values that are 0.
    """
    bits = np.ascontiguousarray(plane, np.float32).view(np.uint32).ravel()
    counts = np.bincount(bits >> np.uint32(_SHIFT), minlength=4096)
    zero = int(np.count_nonzero(plane == 0))
    # Bins of 0 also hold the smallest numbers that there are; the last bins are infinite or not numbers.
    above, below = counts[:2040].copy(), counts[2048:4088].copy()
    plus = int(np.count_nonzero(bits == 0))
    above[0] -= plus
    below[0] -= zero - plus
    runs = {name: _run(part) for name, part in (("positive", above), ("negative", below))}
    return {"kind": "stops", "zero": zero, **{name: [run.first, run.counts] for name, run in runs.items()}}


def light_edges(first: int, count: int) -> npt.NDArray[np.float32]:
    """The ``count + 1`` edges of bins of `light_histogram`, from bin ``first`` on."""
    return (np.arange(first, first + count + 1, dtype=np.uint32) << np.uint32(_SHIFT)).view(np.float32)


def even_histogram(plane: Numbers) -> dict[str, Any]:
    """Counts of the finite values in 128 bins of equal width.

    Returns:
        ``kind`` is ``even``; ``low`` and ``high`` are the outer edges.
    """
    finite = np.isfinite(plane)
    values = plane.ravel() if finite.all() else plane[finite]
    if not values.size:
        return {"kind": "even", "low": 0.0, "high": 1.0, "counts": []}
    low, high = float(values.min()), float(values.max())
    if low == high:
        # Around a single value: one wide in all, or as much as gives 128 different edges in float64.
        half = max(0.5, abs(low) * 2.0**-20)
        low, high = low - half, high + half
    # In float64: 128 edges between neighbouring floats are not told apart in float32, and its range overflows.
    counts, edges = np.histogram(values.astype(np.float64), _BINS, (low, high))
    return {"kind": "even", "low": float(edges[0]), "high": float(edges[-1]), "counts": counts.tolist()}


def id_counts(ids: Numbers, cover: Numbers | None) -> list[list[float]]:
    """The ids that cover most: id, number of pixels, and sum of coverage; 0 is no id."""
    bits = ids if ids.dtype == np.uint32 else np.ascontiguousarray(ids).view(np.uint32)
    weights = np.ones(bits.shape, np.float32) if cover is None else cover
    found, where, pixels = np.unique(bits.ravel(), return_inverse=True, return_counts=True)
    sums = np.bincount(where, np.nan_to_num(weights.ravel(), posinf=0, neginf=0), len(found))
    rows = [
        [int(bit), int(count), float(total)]
        for bit, count, total in zip(found, pixels, sums, strict=True)
        if bit != 0
    ]
    return sorted(rows, key=lambda row: -row[2])[:_MOST_IDS]
