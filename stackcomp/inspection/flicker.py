"""Flicker of level: frames that are brighter or darker than those before and after them.

Two frames are laid over each other so that a camera's movement is undone. Tile by tile, the mean difference of
the logarithms of light says how the level changed, in stops; that of the picture changed by the median of the
tiles, so that what moves, or is lit anew, in less than half of them changes nothing. Summed up, that is the level
of each frame.

A frame flickers where its level lies on one side of the median of the three frames before it and of the median of
the three after it: by the smaller of the two differences. After a cut, a lamp switched on or a change of aperture
the level stays, so it is that of the frames after; in a fade it lies between. In an even fade, where a flickering
frame may lie between too, it is compared with the lines through those before and after. What rises and falls
slower than in about 5 frames is a light of the scene: it is left out by looking whether the level jumps from one
frame to the next.

Lightning and flash bulbs look like flicker, and are reported. A part of the picture that flickers alone is not,
nor are the first and the last frame, whose level could have stayed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated

import numpy as np
from pydantic import Field

from stackcomp.inspection.check import Stream, StreamCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.limits import Length, Limits, Share
from stackcomp.inspection.seen import Seen
from stackcomp.inspection.shift import overlap, shift_between
from stackcomp.inspection.small import Array, small_of, tiles

__all__ = ["CHECK", "FlickerLimits", "FlickerStream"]

_CURE = (
    "look for a light, a seed or an exposure that changes from frame to frame; render these frames again, or "
    "level them by a keyed exposure"
)
#: Frames before and after whose median is the level that is expected.
_SIDE = 3
#: Light that counts as none: 6.5 stops under an 18 % card. Without it, grain in black would be stops.
_FLOOR = 0.002
#: Slopes before and after may differ by this share of the difference in level.
_ALIKE = 0.25
#: Pixels darker than half a stop above none are left out, in both frames.
_DARK = np.log2(_FLOOR) + 0.5
#: The share of a tile that has to be lit.
_LEAST_LIT = 0.1
#: Fewest tiles that tell something about a picture.
_FEWEST = 4


class FlickerLimits(Limits):
    """Limits of the check of flicker."""

    stops: Annotated[
        Length,
        Field(
            description="Stops by which a frame differs from those before and after. 0.03 is 2 % of light, about "
            "what an eye notices in a flickering area. Common practice, no source."
        ),
    ] = 0.03
    spreads: Annotated[
        Length,
        Field(
            description="The same in standard errors of the level, which is uncertain where much moves. Chosen "
            "on made sequences."
        ),
    ] = 3.0
    jump: Annotated[
        Share,
        Field(
            description="The share of the larger difference that comes from one frame to the next, as a mean "
            "of both sides. A light that rises and falls evenly has 0.27 in 12 frames, 0.33 in 6, and 0.38 in 5; "
            "two bright frames in a row have 0.5."
        ),
    ] = 0.35


@dataclass(frozen=True, eq=False)
class _Level:
    frame: int
    #: Sum of changes of level so far, stops.
    level: float
    #: Standard error of the last change, stops.
    error: float


class FlickerStream(Stream):
    """Keeps one small picture, and the level of as many frames as are compared."""

    def __init__(self, limits: FlickerLimits) -> None:
        self._limits = limits
        self._last: Array | None = None
        self._levels: list[_Level] = []

    def look(self, picture: Seen) -> Array | None:
        """The small picture in stops; None where it is not colour."""
        small = small_of(picture)
        if not small.colour or small.light is None or not small.light.size:
            return None
        with np.errstate(over="ignore"):
            light = np.clip(small.light, 0, np.float32(1e30))
        return np.asarray(np.log2(light + np.float32(_FLOOR)), np.float32)

    def see(self, frame: int, path: str, looked: Array | None) -> Iterator[Finding]:
        """Add the level of a frame, and judge the frame three before it."""
        before = self._last
        self._last = looked
        if looked is None:
            return
        change, error = (0.0, 0.0) if before is None or before.shape != looked.shape else _change(before, looked)
        last = self._levels[-1].level if self._levels else 0.0
        self._levels.append(_Level(frame, last + change, error))
        if len(self._levels) > 2 * _SIDE + 1:
            del self._levels[0]
        if len(self._levels) > _SIDE:
            yield from self._judged(len(self._levels) - 1 - _SIDE)

    def end(self) -> Iterator[Finding]:
        """Judge the last frames."""
        for index in range(max(1, len(self._levels) - _SIDE), len(self._levels) - 1):
            yield from self._judged(index)

    def _judged(self, index: int) -> Iterator[Finding]:
        levels, limits = self._levels, self._limits
        here = levels[index]
        before, after = levels[max(0, index - _SIDE) : index], levels[index + 1 : index + 1 + _SIDE]
        if not before or not after:
            return
        value, farther = max(
            _apart(here.level, before, after),
            _apart_in_ramp(here.level, before, after),
            key=lambda found: abs(found[0]),
        )
        if not value:
            return
        jump = (abs(here.level - before[-1].level) + abs(here.level - after[0].level)) / 2
        error = float(np.median([other.error for other in (*before, here, *after)]))
        if abs(value) < max(limits.stops, limits.spreads * error) or jump < limits.jump * abs(farther):
            return
        side = "brighter" if value > 0 else "darker"
        yield Finding(
            check="flicker",
            frame=here.frame,
            value=value,
            limit=limits.stops if value > 0 else -limits.stops,
            unit="stops",
            message=f"it is {abs(value):.2g} stops {side} than the frames before and after it",
            cure=_CURE,
            level="doubt",
        )


def _apart(level: float, before: Sequence[_Level], after: Sequence[_Level]) -> tuple[float, float]:
    """How far a level lies outside the medians of those before and after: from the nearer and from the farther.

    Both are 0 where it lies between.
    """
    return _outside(*(level - float(np.median([other.level for other in side])) for side in (before, after)))


def _apart_in_ramp(level: float, before: Sequence[_Level], after: Sequence[_Level]) -> tuple[float, float]:
    """The same of lines that go on through those before and after; 0 where the two lines are not much alike."""
    expected, slopes = [], []
    for side, step in ((before[::-1], 1), (after, -1)):
        levels = [other.level for other in side]
        changes = [step * (a - b) for a, b in pairwise(levels)]
        if not changes:
            return 0.0, 0.0
        slope = min(changes, key=abs) if min(changes) * max(changes) > 0 else 0.0
        slopes.append(slope)
        expected.append(float(np.median([other + step * (k + 1) * slope for k, other in enumerate(levels)])))
    value, farther = _outside(level - expected[0], level - expected[1])
    return (value, farther) if abs(slopes[0] - slopes[1]) <= _ALIKE * abs(value) else (0.0, 0.0)


def _outside(first: float, second: float) -> tuple[float, float]:
    if first * second <= 0:
        return 0.0, 0.0
    nearer, farther = sorted((first, second), key=abs)
    return nearer, farther


def _change(before: Array, now: Array) -> tuple[float, float]:
    """How the level of the picture changed, in stops, and the standard error of that.

    Neighbouring tiles move together, so that a quarter of them counts.
    """
    best = None
    for shift in {(0, 0), shift_between(before, now)}:
        old, new = overlap(before, now, shift)
        lit = np.minimum(old, new) > np.float32(_DARK)
        shares = tiles(lit.astype(np.float32))
        counted = shares > _LEAST_LIT
        if np.count_nonzero(counted) < min(_FEWEST, counted.size):
            continue
        changes = tiles(np.where(lit, new - old, np.float32(0)))[counted] / shares[counted]
        middle = float(np.median(changes))
        spread = 1.4826 * float(np.median(np.abs(changes - middle)))
        if best is None or spread < best[1]:
            best = middle, spread, changes.size
    if best is None:
        return 0.0, 0.0
    middle, spread, count = best
    return middle, 1.2533 * spread / float(np.sqrt(count / 4))


CHECK = StreamCheck(
    name="flicker",
    limits=FlickerLimits,
    start=lambda limits, rate: FlickerStream(limits),
    summary="Flicker of level: frames that are brighter or darker than those before and after them.",
    cure=_CURE,
    source="common practice, no source; limits measured on made sequences",
)
