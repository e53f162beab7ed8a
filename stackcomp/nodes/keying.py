"""What kinds share that make a matte from a picture: what is there in a pixel, soft limits and their checks."""

from __future__ import annotations

import math
from collections.abc import Iterator

from stackcomp.data.numbers import Keyed
from stackcomp.data.port_types import Colour
from stackcomp.errors import BadValueError, Problem
from stackcomp.nodes.base import Context
from stackcomp.nodes.over_frames import frames_that_differ, value_at
from stackcomp.nodes.pixel import pixel

__all__ = [
    "between",
    "crossed_limits",
    "limit_numbers",
    "refuse_limits",
    "rising",
    "seen",
    "seen_numbers",
    "steepness",
]

#: One over the least width of a ramp: a width of 0 is a step.
_STEEPEST = 1e20


@pixel
def seen(r, g, b, a, divide, bare):  # type: ignore[no-untyped-def]
    """The colour of what is in a pixel, and 0 where nothing is.

    Premultiplied colour is divided by alpha. Light without coverage is taken as it is.
    """
    by = (a if a != 0 else 1) if divide == 1 else 1
    lit = abs(r) + abs(g) + abs(b)
    there = 1 if a != 0 else (lit if bare == 1 else 0)
    return r / by, g / by, b / by, there


def seen_numbers(type: Colour) -> tuple[float, float]:
    """The numbers of `seen`: whether alpha divides, and whether light without coverage counts."""
    divides = type.alpha == "premultiplied"
    return float(divides), float(divides or type.bare_light)


@pixel
def rising(x, start, per):  # type: ignore[no-untyped-def]
    """0 up to ``start``, then a smooth step to 1, ``1 / per`` wide."""
    t = min(max((x - start) * per, 0), 1)
    return t * t * (3 - 2 * t)


@pixel
def between(x, low, low_per, low_whole, high, high_per, high_whole):  # type: ignore[no-untyped-def]
    """1 between two limits, with a smooth step at each; 1 from ``low_whole`` to ``high_whole`` in any case."""
    (up,) = rising(x, low, low_per)
    (down,) = rising(x, high, high_per)
    up = 1 if x >= low_whole else up
    down = 0 if x <= high_whole else down
    return up * (1 - down)


def limit_numbers(low: float | None, low_softness: float, high: float | None, high_softness: float) -> list[float]:
    """The numbers of `between`: each step has its middle at its limit; one that is left out is open.

    A step without width is beyond its limit, so that a value at the limit itself is covered.
    """
    numbers: list[float] = []
    for limit, softness, side in ((low, low_softness, 1), (high, high_softness, -1)):
        if limit is None:
            numbers += [0.0, 1.0, -side * math.inf]
        else:
            numbers += [limit - softness / 2, steepness(softness), limit + side * softness / 2]
    return numbers


def steepness(width: float) -> float:
    """One over the width of a ramp, for `rising`."""
    return 1 / width if width > 1 / _STEEPEST else _STEEPEST


def refuse_limits(low: object, high: object, names: tuple[str, str] = ("low", "high")) -> None:
    """Refuse limits of which none is given, or that are crossed and not keyed.

    Raises:
        BadValueError: with the way out.
    """
    if low is None and high is None:
        raise BadValueError(
            f'has neither "{names[0]}" nor "{names[1]}", so its matte would be everything',
            "give one of them, or both",
        )
    if isinstance(low, int | float) and isinstance(high, int | float) and low > high:
        raise BadValueError(_crossed(low, high, names), f'give a "{names[1]}" that is not below "{names[0]}"')


def crossed_limits(
    low: object, high: object, context: Context, names: tuple[str, str] = ("low", "high")
) -> Iterator[Problem]:
    """A finding about keyed limits, with the first frame at which they are crossed."""
    if not (isinstance(low, Keyed) or isinstance(high, Keyed)) or low is None or high is None:
        return
    for frame in frames_that_differ(context, low, high):
        at_low, at_high = value_at(low, frame), value_at(high, frame)
        assert isinstance(at_low, int | float)
        assert isinstance(at_high, int | float)
        if at_low > at_high and not math.isclose(at_low, at_high):
            yield Problem(
                "limits-crossed",
                f"frame {frame}: it {_crossed(at_low, at_high, names)}",
                f'give keys at which "{names[1]}" is not below "{names[0]}"',
                field=names[1],
            )
            return


def _crossed(low: float, high: float, names: tuple[str, str]) -> str:
    return f'has a "{names[0]}" of {low:g} above its "{names[1]}" of {high:g}, so nothing lies between'
