"""Which frames of a sequence stand still between frames that move, and which are out of order.

Works on numbers alone: how far each frame differs from the one before it and from the one before that, tile by
tile. Nothing is said of frames whose neighbours do not tell what to expect.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

__all__ = ["Pattern", "Run", "Series", "pattern_of", "still_runs", "swapped"]

Numbers = npt.NDArray[np.float64]

#: Frames on either side that say how much the picture moves.
_AROUND = 6
#: Motion is steady where differences of so many frames on either side change by less than this factor from one to
#: the next; by less than the other factor where the frame in question differs by less than a share of what its
#: neighbours do.
_STEADY, _STEADY_RATIO = 4, 1.35
_DEEP, _STEADY_DEEP = 0.03, 2.5
#: The factor of motion that is even.
_EVEN = 1.15
#: The share of tiles that moves most, which is looked at.
_MOVING = 1 / 8
#: Longest period of repeated frames that is looked for; 24 frames in 30 have 5, in 60 they have 5 too.
_LONGEST_PERIOD = 12


@dataclass(frozen=True, eq=False)
class Series:
    """Consecutive frames.

    Attributes:
        one: ``(frames, tiles)``: difference of each frame from the one before; row 0 is not used.
        two: the same from the one before that; rows 0 and 1 are not used.
        equal: whether each frame is bit by bit that before.
    """

    one: Numbers
    two: Numbers
    equal: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.equal)


@dataclass(frozen=True)
class Run:
    """Frames that repeat the one before.

    Attributes:
        first: index of the first of them.
        last: index of the last of them.
        equal: whether they are so bit by bit.
        abrupt: whether the picture moves as usual right before or right after.
        share: how far they differ from the one before, as a share of the differences around.
    """

    first: int
    last: int
    equal: bool
    abrupt: bool
    share: float

    def __len__(self) -> int:
        return self.last - self.first + 1


@dataclass(frozen=True)
class Pattern:
    """Repeated frames that come back at a period.

    Attributes:
        period: frames from one to the same one later.
        repeats: how many of them repeat the one before.
        first: index of the first of all of them.
        last: index of the last.
        longest: the most of them in a row.
    """

    period: int
    repeats: int
    first: int
    last: int
    longest: int

    def explains(self, run: Run) -> bool:
        """Whether a run belongs to it."""
        return self.first <= run.first and run.last <= self.last and len(run) <= self.longest


def _most(tiles: Numbers) -> Numbers:
    """The difference of each frame in the tiles where it is largest, so that a small thing that moves counts."""
    count = max(1, round(_MOVING * tiles.shape[1]))
    return np.asarray(np.sqrt(np.mean(np.square(np.sort(tiles, axis=1)[:, -count:]), axis=1)), np.float64)


def _around(series: Series, index: int) -> npt.NDArray[np.int64]:
    """Frames around one that are not bit by bit the one before."""
    low, high = max(1, index - _AROUND), min(len(series), index + _AROUND + 1)
    around = np.arange(low, high)
    return around[~series.equal[around]]


def still_runs(series: Series, *, tight: float, steady: float, even: float, abrupt: float) -> list[Run]:
    """Find frames that repeat the one before while their neighbours move.

    A frame that is equal bit by bit is one. One that is not (a codec's noise, new grain) is one where it differs
    from the frame before by less than ``tight`` times what its neighbours do; or, in motion that is steady around
    it, by less than ``steady`` times the smallest; in motion that is even, ``even`` times.

    Args:
        series: consecutive frames.
        tight: share of the smaller difference right before and right after.
        steady: share of the smallest difference around, where motion is steady.
        even: share of the smallest difference around, where motion is even.
        abrupt: share of the usual difference from which on the neighbour of a run moves as usual.
    """
    moving = _most(series.one)
    runs = [_equal_run(series, moving, first, last, abrupt) for first, last in _stretches(series.equal)]
    found = [run for run in runs if run is not None]
    index = 1
    while index < len(series):
        run = None if series.equal[index] else _near(series, moving, index, tight, steady, even)
        if run is not None:
            found.append(run)
            index = run.last
        index += 1
    return sorted(found, key=lambda run: run.first)


def _stretches(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each stretch of flags."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _equal_run(series: Series, moving: Numbers, first: int, last: int, abrupt: float) -> Run | None:
    usual = [float(np.median(moving[around])) for at in (first, last) if (around := _around(series, at)).size]
    beside = [float(moving[at]) for at in (first - 1, last + 1) if 1 <= at < len(series)]
    if not beside or not usual:
        return None
    return Run(first, last, True, max(beside) >= abrupt * max(usual), 0.0)


def _near(series: Series, moving: Numbers, index: int, tight: float, steady: float, even: float) -> Run | None:
    """A run that starts at a frame and is not equal bit by bit."""
    around = _around(series, index)
    if index < 2 or around.size < 3:
        return None
    before = moving[index - 1]
    if series.equal[index - 1] or before <= 0 or moving[index] > even * before:
        return None
    for length in (1, 2, 3, 4, 5, 6):
        after = index + length
        if after >= len(series) or series.equal[after]:
            return None
        inside = float(moving[index:after].max())
        if inside > even * before:
            return None
        least = min(before, float(moving[after]))
        if least <= tight * before:
            continue
        if inside <= tight * least:
            return Run(index, after - 1, False, True, inside / least)
        # The step after a repeat is longer where the material went on meanwhile.
        earlier = moving[around[around < index]][-_STEADY:]
        later = moving[around[around > after]][:_STEADY]
        if not min(earlier.size, later.size):
            continue
        low = float(min(earlier.min(), later.min()))
        change = _STEADY_DEEP if inside <= _DEEP * least else _STEADY_RATIO if inside <= steady * low else _EVEN
        if inside <= even * low and _is_steady(earlier, later, change):
            return Run(index, after - 1, False, True, inside / low)
    return None


def _is_steady(earlier: Numbers, later: Numbers, change: float) -> bool:
    """Whether differences before and after a run change by less than a factor from frame to frame."""
    if min(len(earlier), len(later)) < 2 or len(earlier) + len(later) < _STEADY + 2:
        return False
    pairs = [
        *pairwise(earlier),
        *pairwise(later),
        (earlier[-1], later[0]),
    ]
    return all(min(pair) > 0 and max(pair) <= change * min(pair) for pair in pairs)


def pattern_of(runs: Sequence[Run], frames: int) -> Pattern | None:
    """The period of repeated frames, if they come back at one: three times at least, and nearly always.

    Args:
        runs: from `still_runs`.
        frames: how many frames there are.
    """
    flags = np.zeros(frames, bool)
    for run in runs:
        flags[run.first : run.last + 1] = True
    at = np.flatnonzero(flags)
    if at.size < 3:
        return None
    first, last = int(at[0]), int(at[-1])
    span = flags[first : last + 1]
    for period in range(2, _LONGEST_PERIOD + 1):
        if len(span) < 2 * period + 1:
            break
        phases = np.arange(len(span)) % period
        shares = np.array([span[phases == phase].mean() for phase in range(period)])
        cycle = shares >= 0.5
        if 0 < cycle.sum() < period and np.mean(cycle[phases] == span) >= 0.9:
            longest = max(b - a + 1 for a, b in _stretches(np.tile(cycle, 2)))
            return Pattern(period, int(cycle.sum()), first, last, longest)
    return None


def swapped(series: Series) -> list[int]:
    """Find frames that changed places with the one before.

    Where motion is steady, a frame differs more from the one two before it than from the one before. Around two
    frames that changed places it is the reverse, twice.

    Returns:
        Indices of the later of the two.
    """
    found: list[int] = []
    moving, two = _most(series.one), _most(series.two)
    for index in range(2, len(series) - 1):
        if series.equal[index - 1 : index + 2].any():
            continue
        around = _around(series, index)
        away = around[(around >= 2) & (np.abs(around - index) > 2)]
        if away.size < 3:
            continue
        ratios = two[away] / np.maximum(moving[away], 1e-12)
        usual_step = float(np.median(moving[away]))
        if ratios.min() < 1.15 or np.median(ratios) < 1.35 or moving[away].max() > 4 * moving[away].min():
            continue
        if min(moving[index - 1], moving[index + 1]) < max(0.9 * usual_step, 1.2 * moving[index]):
            continue
        # before → later → earlier → after: both leaps are two steps long, and what they leap over is one.
        here = two[index] / max(moving[index - 1], 1e-12)
        there = two[index + 1] / max(moving[index + 1], 1e-12)
        if max(here, there) <= 0.8:
            found.append(index)
    return found
