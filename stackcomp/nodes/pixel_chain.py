"""Pixel functions made of others: one after the other, or one for each channel."""

from __future__ import annotations

from collections.abc import Sequence

from stackcomp.nodes.pixel import Algebra, PixelFunction, V

__all__ = ["Chain", "EachChannel"]


class Chain(PixelFunction):
    """Functions of the same lanes, each with numbers of its own: the results of one are the lanes of the next.

    Args:
        name: its name.
        functions: at least one; each returns as many lanes as it takes.
        lanes: how many.
    """

    def __init__(self, name: str, functions: Sequence[PixelFunction], lanes: int = 3) -> None:
        self.name, self.functions, self.lanes = name, tuple(functions), lanes
        self.called = {}
        numbers = (
            f"{argument}_{k}" for k, function in enumerate(functions) for argument in function.arguments[lanes:]
        )
        self.arguments = (*(f"lane_{k}" for k in range(lanes)), *numbers)
        self.source = "\n".join(f"{function.arguments}: {function.source}" for function in functions)

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return self.lanes

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python."""
        results, numbers = tuple(values[: self.lanes]), values[self.lanes :]
        for function in self.functions:
            count = len(function.arguments) - self.lanes
            results, numbers = function(*results, *numbers[:count]), numbers[count:]
        return results

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra."""
        results, numbers = list(values[: self.lanes]), values[self.lanes :]
        for function in self.functions:
            count = len(function.arguments) - self.lanes
            results, numbers = function.evaluate([*results, *numbers[:count]], algebra), numbers[count:]
        return results


class EachChannel(PixelFunction):
    """A function of one channel for R, G and B, each with numbers of its own; those of R come first.

    Args:
        function: of a value and numbers; returns one value.
    """

    def __init__(self, function: PixelFunction) -> None:
        self.name, self.function = function.name, function
        self.called = {}
        self._count = len(function.arguments) - 1
        numbers = (f"{argument}_{channel}" for channel in "rgb" for argument in function.arguments[1:])
        self.arguments = (*"rgb", *numbers)
        self.source = f"each channel\n{function.arguments}: {function.source}"

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return 3

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python."""
        return tuple(self.function(values[k], *self._numbers(values, k))[0] for k in range(3))

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra."""
        return [self.function.evaluate([values[k], *self._numbers(values, k)], algebra)[0] for k in range(3)]

    def _numbers(self, values: Sequence[V], channel: int) -> Sequence[V]:
        first = 3 + channel * self._count
        return values[first : first + self._count]
