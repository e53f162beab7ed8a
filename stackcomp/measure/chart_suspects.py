"""Single patches that do not fit: the worst ones, an outlier, neighbours that look swapped.

A mean over 24 patches hides one that is wrong: dirt, shine, a shadow, a chart that was painted or assembled by
hand. So the worst patches are always named, and two mistakes are looked for:

- **swapped neighbours**: two patches, side by side or one above the other, are exchanged in the source, and the
  matrix is fitted again. They look swapped where this lowers the sum of squared differences by far more than two
  patches of this chart usually have, and where both then fit;
- **an outlier**: a patch is left out, the matrix is fitted to the others, and its difference is compared with
  theirs.

The usual difference is the median over the other patches, and at least the noise of the patches. Differences are
CIEDE2000. Common practice in robust statistics, no source; the limits were set by planting both mistakes in charts
with and without noise, gradients of light and colours that no matrix can map.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.measure.chart_data import COLUMNS, NAMES, ROWS
from stackcomp.measure.chart_fit import solve_matrix
from stackcomp.measure.chart_patches import LEAST_PATCHES

__all__ = ["Suspects", "find_suspects", "place_of", "worst_patches"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Difference = Callable[[Array, Array], Array]

_WORST = 3
# A swap lowers the sum by so many times the usual squared difference, and leaves this share of the pair's own.
_SWAP_GAIN, _SWAP_LEFT = 40.0, 0.2
_MOST_SWAPS = 3
# An outlier has so many times the usual difference, and at least a visible one.
_STANDS_OUT, _SEEN = 8.0, 3.0
# Mean / median of the sum of squares of three normal deviates.
_MEAN_OVER_MEDIAN = 1.268


@dataclass(frozen=True)
class Suspects:
    """Single patches that look wrong.

    Attributes:
        swapped: pairs of indices (0 to 23) of neighbours that look swapped, the surest first.
        after_swap: mean ΔE 2000 of the fit after all these pairs are exchanged; NaN without such pairs.
        stands_out: index of a patch that does not fit the others; None where all fit, or where a swap explains it.
        alone: its ΔE 2000 from a matrix that was fitted without it; NaN without such a patch.
    """

    swapped: tuple[tuple[int, int], ...] = ()
    after_swap: float = float("nan")
    stands_out: int | None = None
    alone: float = float("nan")


def place_of(place: int) -> dict[str, Any]:
    """Name of a patch, its number (1 to 24, row by row), row (1 to 4) and column (1 to 6)."""
    row, column = divmod(place, COLUMNS)
    return {"patch": NAMES[place], "number": place + 1, "row": row + 1, "column": column + 1}


def worst_patches(differences: Array) -> list[dict[str, Any]]:
    """The three patches that fit worst, as JSON data, the worst first.

    Args:
        differences: ΔE 2000 after the fit, ``(24,)``; NaN for patches that are not used.
    """
    order = np.argsort(-np.nan_to_num(differences, nan=-1.0), kind="stable")[:_WORST]
    return [
        {**place_of(int(k)), "delta_e_2000": float(differences[k])} for k in order if np.isfinite(differences[k])
    ]


def find_suspects(source: Array, target: Array, used: Mask, errors: Array, difference: Difference) -> Suspects:
    """Look for swapped neighbours, and for one patch that stands out.

    Args:
        source: scene-linear R G B of 24 patches, which the matrix multiplies, ``(24, 3)``.
        target: scene-linear R G B of the target, ``(24, 3)``.
        used: a mask of the patches that count, ``(24,)``.
        errors: relative standard errors of the two together, ``(24, 3)``; NaN counts as 0.
        difference: ΔE 2000 between mapped and target patches, both ``(24, 3)``, as ``(24,)``.

    Raises:
        RequestError: see `stackcomp.measure.chart_fit.solve_matrix`.
    """
    noise = _noise(target, errors, difference)
    swapped: list[tuple[int, int]] = []
    order = np.arange(len(NAMES))
    now = _squares(source, target, used, difference)
    while len(swapped) < _MOST_SWAPS:
        best = _surest_swap(source[order], target, used, noise, difference, now)
        if best is None:
            break
        pair, now = best
        order[list(pair)] = order[list(pair)[::-1]]
        swapped.append(pair)
    if swapped:
        return Suspects(tuple(swapped), float(np.sqrt(now[used]).mean()))
    place, alone = _odd_one(source, target, used, noise, difference)
    return Suspects(stands_out=place, alone=alone)


def _squares(
    source: Array, target: Array, used: Mask, difference: Difference, fitted: Mask | None = None
) -> Array:
    """Squared differences after a fit to these patches, or to all used ones."""
    matrix, _ = solve_matrix(source, target, used if fitted is None else fitted)
    return difference(source @ matrix.T, target) ** 2


def _noise(target: Array, errors: Array, difference: Difference) -> Array:
    """Squared differences from noise alone, ``(24,)``."""
    steps = np.nan_to_num(errors) * np.abs(target)
    total = np.zeros(len(target))
    for channel in range(3):
        moved = target.copy()
        moved[:, channel] += steps[:, channel]
        total += np.nan_to_num(difference(moved, target)) ** 2
    return total


def _usual(squares: Array, noise: Array, among: Mask) -> float:
    """A robust mean of the squared differences of patches, of which a few may be wrong, plus their noise."""
    return float(_MEAN_OVER_MEDIAN * np.median(squares[among]) + noise[among].mean() + 1e-6)


def _neighbours(used: Mask) -> Iterator[tuple[int, int]]:
    for place in range(ROWS * COLUMNS):
        row, column = divmod(place, COLUMNS)
        if column + 1 < COLUMNS and used[place] and used[place + 1]:
            yield place, place + 1
        if row + 1 < ROWS and used[place] and used[place + COLUMNS]:
            yield place, place + COLUMNS


def _surest_swap(
    source: Array, target: Array, used: Mask, noise: Array, difference: Difference, now: Array
) -> tuple[tuple[int, int], Array] | None:
    """The pair whose swap lowers the sum most, with the squares after it; None where none is sure."""
    best: tuple[float, tuple[int, int], Array] | None = None
    for pair in _neighbours(used):
        two = list(pair)
        changed = source.copy()
        changed[two] = source[two[::-1]]
        after = _squares(changed, target, used, difference)
        others = used.copy()
        others[two] = False
        usual = _usual(after, noise, others) + float(noise[two].mean())
        gain = float((now[used].sum() - after[used].sum()) / usual)
        both_fit = after[two].sum() < _SWAP_LEFT * now[two].sum()
        if gain > _SWAP_GAIN and both_fit and (best is None or gain > best[0]):
            best = gain, pair, after
    return None if best is None else (best[1], best[2])


def _odd_one(
    source: Array, target: Array, used: Mask, noise: Array, difference: Difference
) -> tuple[int | None, float]:
    if np.count_nonzero(used) <= LEAST_PATCHES:
        return None, float("nan")
    # A patch with much leverage (a bright or saturated one) is farther from a fit without it.
    rows = source[used]
    pull = np.einsum("ij,jk,ik->i", source, np.linalg.inv(rows.T @ rows), source)
    best: tuple[float, int, float] | None = None
    for place in np.flatnonzero(used):
        others = used.copy()
        others[place] = False
        squares = _squares(source, target, others, difference)
        alone = float(np.sqrt(squares[place]))
        times = alone * np.sqrt(max(1 - pull[place], 0)) / np.sqrt(_usual(squares, noise, others) + noise[place])
        if times > _STANDS_OUT and alone > _SEEN and (best is None or times > best[0]):
            best = times, int(place), alone
    return (None, float("nan")) if best is None else (best[1], best[2])
