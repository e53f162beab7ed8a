"""A point that is tracked: its pattern, where it was last seen, and what became of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from stackcomp.errors import Problem, RequestError
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.pattern_match import Pattern, match, pattern_of
from stackcomp.kernels.spline import Spline
from stackcomp.kernels.weighted_sums import weighted_sums
from stackcomp.track.coarse import others_like_it
from stackcomp.track.likeness import given_back, likeness
from stackcomp.track.sight import Sight

__all__ = ["Options", "Place", "Point", "Track", "begun"]

#: Pixels by which noise may move a point of the first picture before that is worth a doubt.
_UNCERTAIN = 0.1
#: Squared slopes across an edge against those along it; below this it is an edge and no corner.
_LEAST_CORNER = 5e-3
#: What a likeness may lack to 1 in the first step, in which nothing is known of how it changes.
_UNLIKE_AT_FIRST = 0.02


@dataclass(frozen=True)
class Options:
    """How points are tracked.

    Attributes:
        pattern: pixels of a side of the square around a point, odd.
        search: pixels that a point may move from one frame to the next.
        disagreement: pixels by which the way back may miss the given point.
        correlation: the least likeness of what is found and the first pattern, 1 where they are the same.
    """

    pattern: int = 31
    search: int = 64
    disagreement: float = 0.5
    correlation: float = 0.8


@dataclass(frozen=True)
class Place:
    """Where a point is at a frame.

    Attributes:
        x: in pixels of the frame.
        y: likewise.
        disagreement: in pixels, between there and back.
        correlation: likeness with the first pattern.
    """

    x: float
    y: float
    disagreement: float
    correlation: float


@dataclass(frozen=True)
class Track:
    """A point over all frames; None where it is lost.

    Attributes:
        name: of the point.
        places: by frame.
        doubt: a sentence about a pattern that tells its place badly; may be empty.
    """

    name: str
    places: dict[int, Place | None]
    doubt: str = ""


@dataclass(eq=False)
class Point:
    """A point while it is tracked one way.

    Attributes:
        name: of the point.
        start: where it was given.
        first: the picture in which it was given.
        first_spline: its part around the point.
        pattern: the square around the point.
        doubt: a sentence about the pattern; may be empty.
        centre: where it was last, or may be.
        linear: how the pattern was turned, scaled and sheared when it was last seen.
        way: how far it moved each frame.
        gap: frames for which it has been lost.
        unlike: what the likeness lacked to 1 when it was last seen.
    """

    name: str
    start: tuple[float, float]
    first: Sight
    first_spline: Spline
    pattern: Pattern
    doubt: str
    centre: tuple[float, float] = (0.0, 0.0)
    linear: Array = field(default_factory=lambda: np.eye(2))
    way: tuple[float, float] = (0.0, 0.0)
    gap: int = 0
    unlike: float = 0.0
    _other: float | None = None

    def __post_init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """Go back to the first frame."""
        self.centre, self.linear, self.way = self.start, np.eye(2), (0.0, 0.0)
        self.gap, self.unlike = 0, _UNLIKE_AT_FIRST

    def mistakable(self, options: Options) -> float:
        """How alike the pattern and the next best place around it are, in the first picture."""
        if self._other is None:
            others = others_like_it(self.first, self.pattern.values, self.start, 2 * options.search)
            varied = self.pattern.contrast**2
            noise = min(math.sqrt(2) * self.first.noise, 0.5 * self.pattern.contrast)
            alike = [given_back(like, (varied, varied), noise**2) for like, _ in others]
            self._other = max([0.0, *alike, *(self._likeness_at(place, noise) for _, place in others)])
        return self._other

    def _likeness_at(self, place: tuple[float, float], noise: float) -> float:
        """How alike another place of the first picture is, once the pattern is fitted to it."""
        spline = self.first.spline(place, self.pattern.half * 2)
        grain = math.sqrt(2) * self.first.grain
        found = None
        if spline is not None:
            found = match(self.pattern, spline, place, np.eye(2), noise=grain, move_only=True)
            found = found and match(self.pattern, spline, found.centre, np.eye(2), noise=grain)
        if found is None or math.dist(found.centre, self.start) < self.pattern.half / 3:
            return 0.0
        return likeness(self.pattern, found, noise).correlation


def begun(name: str, at: tuple[float, float], sight: Sight, options: Options) -> Point:
    """A point with its pattern.

    Args:
        name: of the point.
        at: where it is given, in pixels.
        sight: the picture in which it is given.
        options: how it will be tracked.

    Raises:
        RequestError: it lies outside, or its surroundings are all alike.
    """
    where = f'the point "{name}" at {at[0]:g},{at[1]:g}'
    x0, y0, x1, y1 = sight.known
    if not sight.holds(at):
        message = f"{where} lies outside of the picture, which reaches from {x0},{y0} to {x1},{y1}"
        raise RequestError(Problem("track-start", message, "give a point of the picture"))
    spline = sight.spline(at, 2 * options.pattern)
    pattern = None if spline is None else pattern_of(spline, at, options.pattern)
    if spline is None or pattern is None or np.count_nonzero(pattern.inside) < 0.5 * pattern.inside.size:
        message = f"{where} has too little picture around it for a pattern of {options.pattern} pixels"
        raise RequestError(Problem("track-start", message, "give another point, or a smaller --pattern"))
    if not pattern.contrast > 1e-5:
        message = f"{where} has nothing around it by which it could be found: all pixels are alike"
        raise RequestError(Problem("track-start", message, "choose a point with detail, or a larger --pattern"))
    return Point(name, at, sight, spline, pattern, _doubt(where, pattern, sight))


def _doubt(where: str, pattern: Pattern, sight: Sight) -> str:
    """A sentence about a pattern in which noise moves the point too far."""
    slopes = pattern.design[:, [0, 3]]
    # What the noise itself adds to the slopes is no detail.
    floor = len(slopes) * sight.noise**2 * 0.5
    shape = weighted_sums(slopes, None, slopes) - floor * np.eye(2)
    values, vectors = np.linalg.eigh(shape)
    off = math.inf if values[0] <= 0 else math.sqrt(2 * sight.grain**2 / values[0])
    if off < _UNCERTAIN and values[0] > _LEAST_CORNER * values[1]:
        return ""
    angle = math.degrees(math.atan2(vectors[1, 0], vectors[0, 0]))
    lies = "across" if abs(angle) % 180 > 45 and abs(angle) % 180 < 135 else "along"
    side = "up and down" if lies == "across" else "to the left and right"
    return f"{where} lies on an edge or in a flat area: it can hardly be told {side}; choose a corner"
