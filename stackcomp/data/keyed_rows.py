"""Rows of numbers at frames, and how to pass between them: `Keyed` for many numbers at once."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["KeyedRows"]

Rows = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class KeyedRows:
    """Rows of as many numbers each, constant before the first frame and after the last.

    ``smooth`` is the monotone cubic of Fritsch and Carlson (SIAM J. Numer. Anal. 17, 1980), number by number, as
    in `stackcomp.data.numbers.Keyed`.

    Attributes:
        frames: rising.
        rows: ``(frames, numbers)`` float64.
        between: how to pass from one row to the next.
    """

    frames: tuple[float, ...]
    rows: Rows
    between: Literal["smooth", "linear"] = "smooth"

    @property
    def still(self) -> bool:
        """Whether all rows are the same."""
        return bool((self.rows == self.rows[0]).all())

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, KeyedRows):
            return NotImplemented
        return (self.frames, self.between) == (other.frames, other.between) and np.array_equal(
            self.rows, other.rows
        )

    def __hash__(self) -> int:
        return hash((self.frames, self.between, self.rows.tobytes()))

    def reaching(self, first: float, last: float) -> KeyedRows:
        """The keys that the times from ``first`` to ``last`` depend on, and no others."""
        # The slope at a key depends on the next key at each side.
        low = max(0, bisect.bisect_right(self.frames, first) - 2)
        high = min(len(self.frames), bisect.bisect_left(self.frames, last) + 2)
        if first >= self.frames[-1]:
            low = len(self.frames) - 1
        if last <= self.frames[0]:
            high = 1
        return KeyedRows(self.frames[low:high], self.rows[low:high], self.between)

    def at(self, times: Sequence[float]) -> Rows:
        """The numbers at some times, ``(times, numbers)``."""
        return np.stack([self._at(time) for time in times])

    def _at(self, time: float) -> Rows:
        after = bisect.bisect_right(self.frames, time)
        if after == 0 or after == len(self.frames):
            row: Any = self.rows[max(0, after - 1)]
            return np.asarray(row)
        k = after - 1
        length = self.frames[after] - self.frames[k]
        t = (time - self.frames[k]) / length
        a, b = self.rows[k], self.rows[after]
        if self.between == "linear":
            return np.asarray(a + (b - a) * t)
        # Cubic Hermite basis.
        h00, h10 = (1 + 2 * t) * (1 - t) ** 2, t * (1 - t) ** 2
        h01, h11 = t * t * (3 - 2 * t), t * t * (t - 1)
        return np.asarray(h00 * a + h10 * length * self._slope(k) + h01 * b + h11 * length * self._slope(after))

    def _secant(self, k: int) -> Rows:
        return np.asarray((self.rows[k + 1] - self.rows[k]) / (self.frames[k + 1] - self.frames[k]))

    def _length(self, k: int) -> float:
        return self.frames[k + 1] - self.frames[k]

    def _slope(self, k: int) -> Rows:
        """Slope at a key: weighted harmonic mean of its neighbours' secants, three-point at the ends."""
        last = len(self.frames) - 1
        if last == 1:
            return self._secant(0)
        if k == 0:
            return _end(self._length(0), self._length(1), self._secant(0), self._secant(1))
        if k == last:
            return _end(self._length(k - 1), self._length(k - 2), self._secant(k - 1), self._secant(k - 2))
        before, behind = self._secant(k - 1), self._secant(k)
        w0, w1 = 2 * self._length(k) + self._length(k - 1), self._length(k) + 2 * self._length(k - 1)
        same = before * behind > 0
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return np.where(same, (w0 + w1) / (w0 / before + w1 / behind), 0.0)


def _end(h0: float, h1: float, d0: Rows, d1: Rows) -> Rows:
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    steep = (d0 * d1 <= 0) & (np.abs(slope) > 3 * np.abs(d0))
    return np.where(slope * d0 <= 0, 0.0, np.where(steep, 3 * d0, slope))
