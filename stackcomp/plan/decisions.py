"""Conditions of a pixel function that its numbers decide, before any pixel.

``x if exponent == 1 else power(x, exponent)`` compares a number with a constant. The outcome is the same for all
pixels, so a loop is made for the outcome, without what it leaves out. A number that moves without changing an
outcome needs no other loop.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from stackcomp.nodes.pixel import PixelFunction

__all__ = ["LARGEST_UNCLAMPED", "Decision", "decisions_of", "outcomes", "small_exponent"]

LARGEST_UNCLAMPED = float(np.float32(1.6))
"""Exponent up to which a power of any positive float32 needs no limit on the way. Most gradings are below."""

_OPERATORS: dict[str, Callable[[np.float32, np.float32], bool]] = {
    name: getattr(operator, name) for name in ("lt", "le", "gt", "ge", "eq", "ne")
}


class Decision(NamedTuple):
    """A condition: which argument of the function, an operator of `stackcomp.nodes.pixel.Algebra`, a float32."""

    number: int
    op: str
    constant: float


def small_exponent(number: int) -> Decision:
    """Whether powers by this exponent need no limits; see `stackcomp.execute.loops.vector_maths.power`."""
    return Decision(number, "le", LARGEST_UNCLAMPED)


@lru_cache(maxsize=1024)
def decisions_of(function: PixelFunction, lanes: int) -> tuple[Decision, ...]:
    """All such conditions of a function, in the order in which they are met.

    Args:
        function: a pixel function.
        lanes: how many of its arguments are lanes; the others are numbers.
    """
    found = _Collector()
    arguments = [k if k >= lanes else None for k in range(len(function.arguments))]
    function.evaluate([_Symbol(number=number) for number in arguments], found)
    return tuple(found.tests)


def outcomes(tests: Sequence[Decision], values: Sequence[float], lanes: int) -> tuple[bool, ...]:
    """Outcomes of conditions.

    Args:
        tests: from `decisions_of`.
        values: the function's numbers, which follow its lanes.
        lanes: how many lanes there are.
    """
    with np.errstate(over="ignore"):
        return tuple(
            bool(_OPERATORS[test.op](np.float32(values[test.number - lanes]), np.float32(test.constant)))
            for test in tests
        )


class _Symbol(NamedTuple):
    number: int | None = None
    constant: float | None = None


class _Collector:
    """The algebra that computes nothing and notes conditions."""

    def __init__(self) -> None:
        self.tests: dict[Decision, None] = {}

    def constant(self, value: float) -> _Symbol:
        with np.errstate(over="ignore", under="ignore"):
            return _Symbol(constant=float(np.float32(value)))

    def compare(self, op: str, a: _Symbol, b: _Symbol) -> _Symbol:
        if a.number is not None and b.constant is not None:
            self.tests[Decision(a.number, op, b.constant)] = None
        return _Symbol()

    def choose(self, test: _Symbol, yes: Callable[[], _Symbol], no: Callable[[], _Symbol]) -> _Symbol:
        yes()
        no()
        return _Symbol()

    def arithmetic(self, op: str, a: _Symbol, b: _Symbol) -> _Symbol:
        return _Symbol()

    def negative(self, a: _Symbol) -> _Symbol:
        return _Symbol()

    def both(self, a: _Symbol, b: _Symbol) -> _Symbol:
        return _Symbol()

    def either(self, a: _Symbol, b: _Symbol) -> _Symbol:
        return _Symbol()

    def opposite(self, a: _Symbol) -> _Symbol:
        return _Symbol()

    def call(self, name: str, arguments: list[_Symbol]) -> _Symbol:
        if name == "power" and arguments[1].number is not None:
            self.tests[small_exponent(arguments[1].number)] = None
        return _Symbol()
