"""Looking at numbers over time: what a kind checks at every frame that will be rendered."""

from __future__ import annotations

from collections.abc import Iterator

from stackcomp.data.numbers import Keyed
from stackcomp.errors import BadValueError, Problem
from stackcomp.kernels.homography import inverse, matrix
from stackcomp.nodes.base import Context

__all__ = ["frames_that_differ", "singular_homography", "value_at"]


def frames_that_differ(context: Context, *numbers: Keyed | object) -> list[int]:
    """The frames to look at; before the first key and behind the last all is constant, so one frame each."""
    keys = [frame for number in numbers if isinstance(number, Keyed) for frame in number.frames]
    frames = context.frames or (context.frame,)
    if not keys:
        return [frames[0]]
    first, last = min(keys), max(keys)
    before = [frame for frame in frames if frame <= first]
    behind = [frame for frame in frames if frame >= last]
    return sorted({*before[:1], *(frame for frame in frames if first < frame < last), *behind[:1]})


def value_at(number: object, frame: int) -> object:
    """A number at a frame, keyed or not."""
    return number.at(frame) if isinstance(number, Keyed) else number


def singular_homography(number: object, context: Context) -> Iterator[Problem]:
    """One finding where a keyed homography cannot be inverted, with the first frame at which it cannot."""
    if not isinstance(number, Keyed):
        return
    for frame in frames_that_differ(context, number):
        nine = number.at(frame)
        assert isinstance(nine, tuple)
        try:
            inverse(matrix(nine))
        except BadValueError as error:
            message = f"frame {frame}: {error.message}"
            yield Problem("homography-singular", message, error.way_out, field="homography")
            return
