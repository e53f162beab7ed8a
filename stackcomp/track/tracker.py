"""All points over all frames, both ways from the frame in which they were given.

From one frame to the next a point is found in three steps: where it may be (`coarse`), where its first pattern
lies there (`stackcomp.kernels.pattern_match`), and whether what lies there is that pattern (`likeness`). The first
pattern is used throughout, so that errors do not add up; it may be turned, scaled and sheared, and become
brighter, darker or softer. Then the way back: what was found is looked for in the first frame, and how far from
the given point it is found is the disagreement.

A point that fails is lost at that frame, and is searched for in the following ones by its own pattern. Where it
might be at several places, it stays lost.

What limits it: blur is known to first order. Frames that were softer than the first picture by a standard
deviation of 1 px moved places by 0.07 px (root mean square), of 2 px by 0.25 px, and half of the points were lost
(measured on five photographs of scikit-image, blurred in light and encoded as ACEScct).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from stackcomp.errors import RequestError
from stackcomp.track.coarse import flow
from stackcomp.track.finding import Accepted, distinct, found_by_search, found_near
from stackcomp.track.point import Options, Place, Point, Track, begun
from stackcomp.track.sight import Sight

__all__ = ["track"]

#: How much of its movement a point keeps in each frame in which neither it nor any other is seen.
_KEPT = 0.8


def track(
    sight_at: Callable[[int], Sight],
    frames: Sequence[int],
    first: int,
    points: Mapping[str, tuple[float, float]],
    options: Options | None = None,
    progress: Callable[[int], None] = lambda frame: None,
) -> list[Track]:
    """Track points over frames.

    Args:
        sight_at: gives the picture of a frame; each is asked for once, the first one first.
        frames: frames to track, with the first one among them; some may be left out between them.
        first: the frame in which the points are given.
        points: by name, in pixels of the frame, pixel centres at half pixels.
        options: how.
        progress: called with each frame that is done.

    Returns:
        The tracks in the order of the points.

    Raises:
        RequestError: points that lie outside of the first frame, or where nothing is to be seen.
    """
    options = options or Options()
    sight = sight_at(first)
    states = _all_begun(points, sight, options)
    places: dict[str, dict[int, Place | None]] = {
        state.name: {first: Place(*state.start, 0.0, 1.0)} for state in states
    }
    progress(first)
    later = sorted(frame for frame in frames if frame > first)
    earlier = sorted((frame for frame in frames if frame < first), reverse=True)
    for way in (later, earlier):
        before, last = sight, first
        for state in states:
            state.begin()
        for frame in way:
            after = sight_at(frame)
            found = _step(states, before, after, abs(frame - last), options)
            for state, place in zip(states, found, strict=True):
                places[state.name][frame] = place
            before, last = after, frame
            progress(frame)
    return [Track(state.name, dict(sorted(places[state.name].items())), state.doubt) for state in states]


def _all_begun(points: Mapping[str, tuple[float, float]], sight: Sight, options: Options) -> list[Point]:
    """All points in the first frame, or all that is wrong with them."""
    states, problems = [], []
    for name, at in points.items():
        try:
            states.append(begun(name, at, sight, options))
        except RequestError as error:
            problems += error.problems
    if problems:
        raise RequestError(problems)
    return states


def _step(
    points: Sequence[Point], before: Sight, after: Sight, passed: int, options: Options
) -> list[Place | None]:
    """All points in the next picture, so many frames on."""
    seen = [point for point in points if not point.gap]
    flowed = flow(before, after, [point.centre for point in seen], options.pattern, options.search)
    by_flow = dict(zip((point.name for point in seen), flowed, strict=True))
    ways: list[tuple[float, float]] = []
    places: dict[str, Place | None] = {}
    # Points that are lost go last: how the others moved tells where to search.
    for point in sorted(points, key=lambda point: point.gap > 0):
        shared = _shared(point, ways)
        ahead = _on(point.centre, shared, passed)
        found = None
        if not point.gap:
            own = _on(point.centre, point.way, passed)
            found = _followed(point, after, (own, ahead) if ways else (own,), by_flow[point.name], options)
        if found is None:
            found = found_by_search(point, after, ahead, options)
        if found is None:
            point.gap += 1
            point.centre, point.way = ahead, shared
            places[point.name] = None
            continue
        centre, linear, place = found
        if not point.gap:
            point.way = ((centre[0] - point.centre[0]) / passed, (centre[1] - point.centre[1]) / passed)
            ways.append(point.way)
        point.centre, point.linear, point.gap, point.unlike = centre, linear, 0, 1 - place.correlation
        places[point.name] = place
    return [places[point.name] for point in points]


def _on(centre: tuple[float, float], way: tuple[float, float], passed: int) -> tuple[float, float]:
    """Where a point is after some frames."""
    return centre[0] + way[0] * passed, centre[1] + way[1] * passed


def _followed(
    point: Point,
    after: Sight,
    expected: Sequence[tuple[float, float]],
    flowed: tuple[float, float] | None,
    options: Options,
) -> Accepted | None:
    """A point where it is expected, or else where the flow leads to; none that looks like it on the way there."""
    for guess in expected:
        found = found_near(point, after, guess, options)
        if found is not None and _near(found, expected, options):
            return found
    found = None if flowed is None else found_near(point, after, flowed, options)
    if found is None or _near(found, expected, options) or distinct(point, found, options):
        return found
    return None


def _near(found: Accepted, expected: Sequence[tuple[float, float]], options: Options) -> bool:
    """Whether something was found so near to where it is expected that it is no other place."""
    x, y = found[0]
    return any(math.hypot(x - at[0], y - at[1]) <= options.pattern / 4 for at in expected)


def _shared(point: Point, ways: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """How far a point probably went each frame: as the others did, or a little less than before."""
    if ways:
        x, y = np.median(ways, axis=0)
        return float(x), float(y)
    kept = _KEPT if point.gap else 1.0
    return point.way[0] * kept, point.way[1] * kept
