"""Finding a point in another picture, and being sure of it."""

from __future__ import annotations

import math

import numpy as np

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.pattern_match import Found, match, pattern_of
from stackcomp.kernels.spline import Spline
from stackcomp.track.coarse import searched
from stackcomp.track.likeness import Likeness, likeness
from stackcomp.track.point import Options, Place, Point
from stackcomp.track.sight import Sight

__all__ = ["Accepted", "distinct", "found_by_search", "found_near"]

#: Where a point is, how its pattern lies there, and both as they are reported.
Accepted = tuple[tuple[float, float], Array, Place]

#: A share of the pattern that may be covered or outside.
_MOST_COVERED = 0.35
#: Pixels by which noise may move a point in one picture before it is lost there.
_MOST_UNCERTAIN = 0.2
#: Contrast against that of the first picture, smallest and largest.
_GAIN = (0.3, 3.0)
#: How much the shape may change from where it was last seen: 0.1 is a tenth in size, or a turn by 6°. Where a part
#: is covered, the rest is easily pulled out of shape to make up for it. Each frame of a gap allows a quarter more.
_MOST_CHANGED, _MOST_CHANGED_COVERED, _IN_A_GAP = 0.2, 0.06, 0.25
#: What a pattern that was searched for may lack of the first one: this share of what the next like it lacks, in
#: the first picture …
_CLEARLY = 0.15
#: … or this share, where it is no more than so many times what it lacked when it was last seen.
_PERHAPS, _AS_BEFORE = 0.5, 3.0


def found_by_search(point: Point, after: Sight, centre: tuple[float, float], options: Options) -> Accepted | None:
    """A point found again by its own pattern; the longer it was lost, the wider the search."""
    reach = round(options.search * min(2.0, 1 + point.gap / 8))
    template = point.pattern.values
    if not np.allclose(point.linear, np.eye(2), atol=0.02):
        turned = pattern_of(point.first_spline, point.start, options.pattern, np.linalg.inv(point.linear))
        template = turned.values if turned.inside.all() else template
    place = searched(after, template, centre, reach)
    found = None if place is None else found_near(point, after, place, options)
    return found if found is not None and distinct(point, found, options) else None


def distinct(point: Point, found: Accepted, options: Options) -> bool:
    """Whether what was found cannot be another place that looks like the point.

    What is as good as other places of the first picture proves nothing.
    """
    unlike, other = 1 - found[2].correlation, 1 - point.mistakable(options)
    return unlike <= max(_CLEARLY * other, min(_AS_BEFORE * point.unlike, _PERHAPS * other))


def found_near(point: Point, after: Sight, guess: tuple[float, float], options: Options) -> Accepted | None:
    """The first pattern near a place; None where it is not there."""
    if not after.holds(guess):
        return None
    spline = after.spline(guess, options.pattern * 1.2)
    if spline is None:
        return None
    noise = math.hypot(point.first.noise, after.noise)
    grain = math.hypot(point.first.grain, after.grain)
    moved = match(point.pattern, spline, guess, point.linear, noise=grain, move_only=True)
    if moved is None:
        return None
    found = match(point.pattern, spline, moved.centre, point.linear, noise=grain)
    if found is None:
        return None
    like = likeness(point.pattern, found, noise)
    if 0 < like.covered <= _MOST_COVERED and not like.centre_covered:
        # Once more without what is covered.
        found = match(point.pattern, spline, found.centre, found.linear, noise=grain, used=like.seen)
        if found is None:
            return None
        like = likeness(point.pattern, found, noise)
    if not (_holds(like, found, options) and _keeps_shape(point, like, found) and after.holds(found.centre)):
        return None
    back = _way_back(point, spline, found, like, grain, options)
    if back is None:
        return None
    return found.centre, found.linear, Place(*found.centre, back, like.correlation)


def _holds(like: Likeness, found: Found, options: Options) -> bool:
    return (
        found.settled
        and found.uncertain <= _MOST_UNCERTAIN
        and _GAIN[0] < found.gain < _GAIN[1]
        and not like.centre_covered
        and like.covered <= _MOST_COVERED
        and like.correlation >= options.correlation
    )


def _keeps_shape(point: Point, like: Likeness, found: Found) -> bool:
    """Whether the pattern lies as it did when it was last seen, or nearly so."""
    changed = float(np.linalg.norm(np.linalg.solve(point.linear, found.linear) - np.eye(2), 2))
    most = _MOST_CHANGED_COVERED if like.covered else _MOST_CHANGED
    return changed <= most * min(2.0, 1 + _IN_A_GAP * point.gap)


def _way_back(
    point: Point, spline: Spline, found: Found, like: Likeness, grain: float, options: Options
) -> float | None:
    """How far from the given point what was found is found in the first frame; None where it is too far."""
    there = pattern_of(spline, found.centre, options.pattern, found.linear)
    begin = (point.start[0] + 0.3, point.start[1] - 0.3)
    back = match(there, point.first_spline, begin, np.eye(2), noise=grain, used=like.seen)
    if back is None:
        return None
    off = math.hypot(back.centre[0] - point.start[0], back.centre[1] - point.start[1])
    return off if off <= options.disagreement else None
