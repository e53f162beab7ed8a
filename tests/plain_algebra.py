"""Pixel functions evaluated on plain Python numbers, through the same algebra as compiled code."""

from __future__ import annotations

import operator
from collections.abc import Callable

from stackcomp.nodes.pixel import FUNCTIONS, PixelFunction


class PlainAlgebra:
    """Python's own arithmetic."""

    def constant(self, value):
        return value

    def arithmetic(self, op, a, b):
        names = {"add": operator.add, "sub": operator.sub, "mul": operator.mul, "div": operator.truediv}
        return names[op](a, b)

    def negative(self, a):
        return -a

    def compare(self, op, a, b):
        return getattr(operator, op)(a, b)

    def both(self, a, b):
        return a and b

    def either(self, a, b):
        return a or b

    def opposite(self, a):
        return not a

    def choose(self, test, yes: Callable, no: Callable):
        return yes() if test else no()

    def call(self, name, arguments):
        return FUNCTIONS[name](*arguments)


def evaluated(function: PixelFunction, *values: float) -> tuple[float, ...]:
    """Results of the function's parsed text."""
    return tuple(function.evaluate(values, PlainAlgebra()))
