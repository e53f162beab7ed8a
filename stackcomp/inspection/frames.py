"""Missing, repeated and frozen frames, and frames out of order.

==========  =====================================================================================================
missing     no file for a frame between the first and the last that is wanted
repeated    one or two frames equal to the one before, while those around them move; a codec's noise or new grain
            on a repeated frame hides it unless motion around it is steady and larger
frozen      many such frames in a row
pattern     repeated frames at a period, as when 24 frames a second are shown in 30: one finding
order       two frames that changed places, where motion around them is steady
held, still frames that stand still where motion dies away, or in all of the sequence: notes
==========  =====================================================================================================

What cannot be told apart: a picture of which nothing but grain moves, and a frozen picture with new grain.
Neither is reported. Frames of a single value (black, an empty pass) are not compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from stackcomp.data.frames import format_frames
from stackcomp.inspection.check import Stream, StreamCheck
from stackcomp.inspection.finding import Finding, Level
from stackcomp.inspection.limits import Count, Limits, Share
from stackcomp.inspection.motion import Pattern, Run, Series, pattern_of, still_runs, swapped
from stackcomp.inspection.seen import Seen
from stackcomp.inspection.small import Array, small_of, tiles

__all__ = ["CHECK", "FramesLimits", "FramesStream"]

_RENDER_AGAIN = "render or copy these frames again"
_CURE = "render the frame again, or leave it where the repeat is meant"
_CURE_ORDER = "look at how the frames were numbered; exchange the two files"
_CURE_PATTERN = "remove the repeats, and set the frame rate of the material; leave it where animation is on twos"
#: Scene-linear values above this count as this much.
_BRIGHTEST = 16.0


class FramesLimits(Limits):
    """Limits of the check of frames."""

    frozen: Annotated[
        Count,
        Field(
            description="Repeated frames in a row from which on they are called frozen. Common practice, no "
            "source."
        ),
    ] = 3
    tight: Annotated[
        Share,
        Field(
            description="A frame that differs from the one before by less than this share of what its two "
            "neighbours do repeats it, though not bit by bit. Hand-held motion comes to rest for one frame now "
            "and then: in 25,600 made frames, once below 0.02."
        ),
    ] = 0.01
    steady: Annotated[
        Share,
        Field(
            description="The same where motion around is steady, so that grain or noise of a codec may remain of "
            "the difference. Chosen on made pans with grain."
        ),
    ] = 0.28
    even: Annotated[
        Share,
        Field(
            description="The same where motion around changes by less than 15 % from frame to frame, as in a pan "
            "from a tripod. Chosen on made pans with grain."
        ),
    ] = 0.55
    abrupt: Annotated[
        Share,
        Field(
            description="Equal frames are reported where the picture moves right beside them by at least this "
            "share of what it does around; where motion dies away before, they are a note. Common practice, no "
            "source."
        ),
    ] = 0.35


@dataclass(frozen=True, eq=False)
class _Looked:
    hash: int
    #: Square roots of the small picture's light; None for ids, and where all values are one.
    roots: Array | None
    flat: bool


@dataclass(frozen=True, eq=False)
class _Row:
    frame: int
    equal: bool
    flat: bool
    one: Any
    two: Any


class FramesStream(Stream):
    """Compares each frame with the two before it; what follows from that is said at the end."""

    def __init__(self, limits: FramesLimits) -> None:
        self._limits = limits
        self._last: list[_Looked] = []
        self._segments: list[list[_Row]] = []
        self._seen: list[int] = []
        self._missing: list[int] = []

    def look(self, picture: Seen) -> _Looked:
        """The small picture, and a hash of all pixels."""
        small = small_of(picture)
        if small.light is None:
            return _Looked(small.hash, None, False)
        flat = bool(small.light.size) and float(small.light.min()) == float(small.light.max())
        return _Looked(small.hash, np.sqrt(np.clip(small.light, 0, _BRIGHTEST)), flat)

    def see(self, frame: int, path: str, looked: _Looked) -> Iterator[Finding]:
        """Compare with the last two."""
        follows = bool(self._segments) and bool(self._last) and self._step_fits(frame)
        if not follows:
            self._segments.append([])
            self._last = []
        one, two = (self._difference(looked, k) for k in (1, 2))
        equal = bool(self._last) and self._last[-1].hash == looked.hash
        self._segments[-1].append(_Row(frame, equal, looked.flat, one, two))
        self._last = [*self._last[-1:], looked]
        self._seen.append(frame)
        yield from ()

    def _step_fits(self, frame: int) -> bool:
        """Whether a frame comes right after the last one; every second frame of a sequence counts as that."""
        return not self._missing or self._missing[-1] < self._seen[-1] or self._regular(frame)

    def _regular(self, frame: int) -> bool:
        if len(self._seen) < 2:
            return True
        return frame - self._seen[-1] == self._seen[-1] - self._seen[-2]

    def _difference(self, looked: _Looked, back: int) -> Any:
        if len(self._last) < back:
            return None
        before = self._last[-back].roots
        if before is None or looked.roots is None or before.shape != looked.roots.shape:
            return None
        return np.sqrt(tiles(np.square(looked.roots - before)))

    def miss(self, frame: int, path: str, reason: str) -> Iterator[Finding]:
        """Remember a frame without a file."""
        if not reason:
            self._missing.append(frame)
        else:
            self._last = []
        yield from ()

    def end(self) -> Iterator[Finding]:
        """Say what was found."""
        yield from self._gaps()
        rows = [row for segment in self._segments for row in segment]
        shown = [row for row in rows if not row.flat]
        if len(shown) > 1 and len(shown) == len(rows) and all(row.equal for row in rows[1:]):
            yield _finding(
                rows[0].frame,
                "still",
                f"{'both' if len(rows) == 2 else f'all {len(rows)}'} frames are equal",
                "nothing where it is a still",
                "note",
            )
            return
        for segment in self._segments:
            yield from self._of_segment(segment)

    def _gaps(self) -> Iterator[Finding]:
        if not self._missing:
            return
        seen, missing = self._seen, self._missing
        steps = {b - a for a, b in pairwise(seen)}
        if len(seen) > 2 and len(steps) == 1 and steps != {1} and seen[0] < missing[0] and missing[-1] < seen[-1]:
            step = steps.pop()
            yield _finding(
                missing[0],
                "step",
                f"there is a file for one frame in {step} only, {seen[0]}-{seen[-1]}",
                "nothing where frames were left out on purpose; else render the others",
                "doubt",
                len(missing),
            )
            return
        for frame in missing:
            yield _finding(
                frame,
                "missing",
                f"there is no file for {_count(len(missing))}",
                _RENDER_AGAIN,
                "fault",
                len(missing),
            )

    def _of_segment(self, rows: Sequence[_Row]) -> Iterator[Finding]:
        for part in _comparable(rows):
            yield from self._of_part(part)

    def _of_part(self, rows: Sequence[_Row]) -> Iterator[Finding]:
        limits = self._limits
        count = max(len(row.one) for row in rows if row.one is not None) if len(rows) > 1 else 0
        if not count:
            return
        empty = np.zeros(count)
        series = Series(
            np.array([empty if row.one is None else row.one for row in rows]),
            np.array([empty if row.two is None else row.two for row in rows]),
            np.array([row.equal and k > 0 for k, row in enumerate(rows)]),
        )
        frames = [row.frame for row in rows]
        runs = still_runs(series, tight=limits.tight, steady=limits.steady, even=limits.even, abrupt=limits.abrupt)
        pattern = pattern_of(runs, len(rows))
        for run in runs:
            if pattern is None or not pattern.explains(run):
                yield from self._of_run(run, frames)
        if pattern is not None:
            yield self._of_pattern(pattern, frames, runs)
        else:
            for index in swapped(series):
                yield _finding(
                    frames[index],
                    "order",
                    f"motion goes back: {frames[index - 1]} and {frames[index]} seem to have changed places",
                    _CURE_ORDER,
                    "doubt",
                )

    def _of_pattern(self, pattern: Pattern, frames: Sequence[int], runs: Sequence[Run]) -> Finding:
        first, last = frames[pattern.first], frames[pattern.last]
        some = ", ".join(str(frames[run.first]) for run in runs[:4])
        repeat = "repeats" if pattern.repeats == 1 else "repeat"
        message = (
            f"{pattern.repeats} of every {pattern.period} frames {repeat} the one before it, "
            f"{first}-{last} ({some} …)"
        )
        return _finding(first, "pattern", message, _CURE_PATTERN, "doubt", pattern.period, "frames")

    def _of_run(self, run: Run, frames: Sequence[int]) -> Iterator[Finding]:
        numbers = frames[run.first : run.last + 1]
        shown = format_frames(numbers)
        how = "equal to" if run.equal else f"nearly equal to ({100 * run.share:.2g} % of the usual difference)"
        before = frames[run.first - 1]
        level: Level = "doubt" if run.abrupt else "note"
        if not run.abrupt:
            sort, what = "held", f"the picture stands still: {shown} are equal to frame {before}"
        elif len(run) >= self._limits.frozen:
            sort, what = "frozen", f"{len(run)} frames in a row are {how} frame {before}"
        else:
            sort, what = "repeated", f"it is {how} frame {before}"
        for frame in numbers:
            yield _finding(frame, sort, what, _CURE, level, len(run), "frames")


def _comparable(rows: Sequence[_Row]) -> Iterator[list[_Row]]:
    """Stretches of rows that are not of a single value and have small pictures of one size."""
    part: list[_Row] = []
    for row in rows:
        fits = not row.flat and (not part or (row.one is not None and part[-1].flat is False))
        if not fits and part:
            yield part
            part = []
        if not row.flat:
            part.append(row)
    if part:
        yield part


def _count(number: int) -> str:
    return "1 frame" if number == 1 else f"{number} frames"


def _finding(
    frame: int, sort: str, message: str, cure: str, level: Level, value: float | None = None, unit: str = ""
) -> Finding:
    return Finding(
        check="frames", sort=sort, frame=frame, value=value, unit=unit, message=message, cure=cure, level=level
    )


CHECK = StreamCheck(
    name="frames",
    limits=FramesLimits,
    start=lambda limits, rate: FramesStream(limits),
    summary="Missing, repeated and frozen frames, repeats at a period, and frames out of order.",
    cure=_CURE,
    source="common practice, no source; limits measured on made sequences",
)
