"""Pixel functions on vectors: the algebra in which `PixelFunction.evaluate` writes code.

Arithmetic is that of float32 with one rounding an operation, as the text says it. `max` and `min` are Python's:
the first argument, unless the other one is beyond it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from stackcomp.execute.loops import vector_maths
from stackcomp.execute.loops.code import Code, Value
from stackcomp.plan.decisions import Decision, small_exponent

__all__ = ["VectorAlgebra"]

_ARITHMETIC = {"add": "fadd", "sub": "fsub", "mul": "fmul", "div": "fdiv"}
# False with NaN, but for "ne".
_COMPARISONS = {"lt": "olt", "le": "ole", "gt": "ogt", "ge": "oge", "eq": "oeq", "ne": "une"}


class VectorAlgebra:
    """Writes the operations of one pixel function.

    Args:
        code: where to.
        decided: outcomes of those conditions that compare a number of the function with a constant.
    """

    def __init__(self, code: Code, decided: Mapping[Decision, bool]) -> None:
        self.code, self.decided = code, decided

    def constant(self, value: float) -> Value:
        """A float32 in all lanes."""
        return self.code.constant(value)

    def arithmetic(self, op: str, a: Value, b: Value) -> Value:
        """Of two floats; a condition counts as 1 or 0."""
        return self.code.arithmetic(_ARITHMETIC[op], self.as_float(a), self.as_float(b))

    def negative(self, a: Value) -> Value:
        """The other sign."""
        return self.code.negative(self.as_float(a))

    def compare(self, op: str, a: Value, b: Value) -> Value:
        """A condition."""
        if a.number is not None and isinstance(b.constant, float):
            return self.code.decided(self.decided[Decision(a.number, op, b.constant)])
        return self.code.compare(_COMPARISONS[op], self.as_float(a), self.as_float(b))

    def both(self, a: Value, b: Value) -> Value:
        """Whether both hold."""
        return self.code.both(a, b)

    def either(self, a: Value, b: Value) -> Value:
        """Whether one of them holds."""
        return self.code.either(a, b)

    def opposite(self, a: Value) -> Value:
        """Whether it does not hold."""
        return self.code.opposite(a)

    def choose(self, test: Value, yes: Callable[[], Value], no: Callable[[], Value]) -> Value:
        """One of both; of a condition that is decided only that one is written."""
        if test.constant is not None:
            return yes() if test.constant else no()
        return self.code.select(test, self.as_float(yes()), self.as_float(no()))

    def call(self, name: str, arguments: list[Value]) -> Value:
        """A function of `stackcomp.nodes.pixel.FUNCTIONS`."""
        code, values = self.code, [self.as_float(argument) for argument in arguments]
        if name in ("max", "min"):
            result, *others = values
            for other in others:
                beyond = code.compare("ogt" if name == "max" else "olt", other, result)
                result = code.select(beyond, other, result)
            return result
        if name == "abs":
            return code.intrinsic("fabs", *values)
        if name == "power":
            number = values[1].number
            small = number is not None and self.decided.get(small_exponent(number), False)
            return vector_maths.power(code, *values, clamped=not small)
        function: Callable[..., Value] = getattr(vector_maths, name)
        return function(code, *values)

    def as_float(self, a: Value) -> Value:
        """A value as a float; a condition counts as 1 or 0."""
        return a if a.kind == "float" else self.code.select(a, self.code.constant(1), self.code.constant(0))
