"""Times of a cut as frame numbers: exact rates, ranges, changes of speed, and how media is numbered."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

from stackcomp.data.frame_rate import parse_frame_rate
from stackcomp.errors import BadValueError

__all__ = ["Numbering", "Span", "Warp", "rate_of", "seconds_of"]

# A time that is this near to the beginning of a frame, in frames, is meant to be it: some programs write times as
# decimal seconds. Common practice, no source.
_NEAR = Fraction(1, 1000)
_LONGEST_TIME = 10**12


@lru_cache(maxsize=1000)
def rate_of(number: float) -> Fraction:
    """A rate of times, exact: 24000/1001 for 23.976. Not only frame rates: times may count milliseconds."""
    try:
        return parse_frame_rate(number)
    except BadValueError:
        if math.isfinite(number) and number > 0:
            return Fraction(number)
        raise BadValueError(f"has a rate of {number}") from None


def seconds_of(time: Any) -> Fraction:
    """A RationalTime in seconds."""
    if not math.isfinite(time.value):
        raise BadValueError(f"has a time of {time.value}")
    seconds = Fraction(time.value) / rate_of(time.rate)
    if abs(seconds) > _LONGEST_TIME:
        raise BadValueError(f"has a time of {time.value:g} at {time.rate:g} a second, which is out of range")
    return seconds


@dataclass(frozen=True)
class Span:
    """Seconds, half-open."""

    start: Fraction
    end: Fraction

    @classmethod
    def of(cls, time_range: Any) -> Span:
        """From a TimeRange. Raises BadValueError where it makes no sense."""
        start, duration = seconds_of(time_range.start_time), seconds_of(time_range.duration)
        if duration < 0:
            raise BadValueError(f"has a negative duration: {time_range.duration.value:g}")
        return cls(start, start + duration)

    def meet(self, other: Span | None) -> Span:
        """What both have in common; empty where that is nothing."""
        if other is None:
            return self
        start = max(self.start, other.start)
        return Span(start, max(start, min(self.end, other.end)))

    @property
    def empty(self) -> bool:
        """Whether no time is in it."""
        return self.end <= self.start


@dataclass(frozen=True)
class Warp:
    """From times of a composition to those of an item in it.

    Attributes:
        place: the item in the composition.
        source: where the item's range begins, in its own time.
        speed: of the item.
        frame: seconds that one frame takes, which a frozen item shows.
    """

    place: Span
    source: Fraction
    speed: Fraction
    frame: Fraction

    def inner(self, span: Span) -> Span:
        """A span in the time of the item."""
        if self.speed == 0:
            return Span(self.source, self.source + self.frame)
        if self.speed < 0:
            begin, end = self.place.end - span.end, self.place.end - span.start
        else:
            begin, end = span.start - self.place.start, span.end - self.place.start
        pace = abs(self.speed)
        return Span(self.source + begin * pace, self.source + end * pace)

    def outer(self, time: Fraction) -> Fraction:
        """A time of the item in that of the composition."""
        if self.speed == 0:
            return self.place.start
        offset = (time - self.source) / self.speed
        return (self.place.start if self.speed > 0 else self.place.end) + offset


@dataclass(frozen=True)
class Numbering:
    """From times of media to numbers of its frames.

    Attributes:
        rate: frames in a second.
        zero: the time at which frame ``start`` begins.
        start: its number.
        step: from the number of one image to that of the next; each is shown for so many frames.
    """

    rate: Fraction
    zero: Fraction = Fraction(0)
    start: int = 0
    step: int = 1

    def position(self, time: Fraction) -> Fraction:
        """Frames since frame ``start``."""
        exact = (time - self.zero) * self.rate
        whole = round(exact)
        return Fraction(whole) if abs(exact - whole) <= _NEAR else exact

    def beginning(self, time: Fraction) -> Fraction:
        """When the frame that is shown at a time begins."""
        return self.zero + math.floor(self.position(time)) / self.rate

    def frames(self, span: Span) -> tuple[int, int]:
        """First and last of all images that are shown in a span, whole and in part."""
        begin = math.floor(self.position(span.start) / self.step)
        end = max(begin, math.ceil(self.position(span.end) / self.step) - 1)
        return self.start + begin * self.step, self.start + end * self.step
