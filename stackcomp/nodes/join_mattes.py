"""join_mattes: union, intersection and difference of mattes."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.pixel import Algebra, PixelFunction, V, pixel

#: Mattes of one node at the most: each is a plane that one loop reads.
_MOST = 64


@pixel
def _union_crossing(a, b):  # type: ignore[no-untyped-def]
    return a + b - a * b


@pixel
def _union_shared(a, b):  # type: ignore[no-untyped-def]
    # Not `max` and `min`, which keep what is no number in one of both alone.
    return a if a > b else (b if b >= a else a + b)


@pixel
def _intersection_crossing(a, b):  # type: ignore[no-untyped-def]
    return a * b


@pixel
def _intersection_shared(a, b):  # type: ignore[no-untyped-def]
    return a if a < b else (b if b <= a else a + b)


@pixel
def _difference_crossing(a, b):  # type: ignore[no-untyped-def]
    return a * (1 - b)


@pixel
def _difference_shared(a, b):  # type: ignore[no-untyped-def]
    return 0 if a <= b else a - b


_FUNCTIONS = {
    ("union", "crossing"): _union_crossing,
    ("union", "shared"): _union_shared,
    ("intersection", "crossing"): _intersection_crossing,
    ("intersection", "shared"): _intersection_shared,
    ("difference", "crossing"): _difference_crossing,
    ("difference", "shared"): _difference_shared,
}


class _Joined(PixelFunction):
    """A function of two for any number of mattes.

    Args:
        joins: the second to the last of them, where a difference takes away their union; else all.
        takes_away: of the first and what was joined; None where all are joined alike.
        count: how many mattes.
    """

    def __init__(self, joins: PixelFunction, takes_away: PixelFunction | None, count: int) -> None:
        self.name, self.joins, self.takes_away = f"joined_{count}", joins, takes_away
        self.called = {}
        self.arguments = tuple(f"m{k}" for k in range(count))
        last = "" if takes_away is None else takes_away.source
        self.source = f"{count} joined\n{joins.arguments}: {joins.source}\n{last}"

    @property
    def lanes_out(self) -> int:
        """How many values it returns."""
        return 1

    def __call__(self, *values: float) -> tuple[float, ...]:
        """One pixel in plain Python."""
        return (self._folded(values, lambda function, a, b: function(a, b)[0]),)

    def evaluate(self, values: Sequence[V], algebra: Algebra[V]) -> list[V]:
        """The results in any algebra."""
        return [self._folded(values, lambda function, a, b: function.evaluate([a, b], algebra)[0])]

    def _folded(self, values: Sequence[V], call: Callable[[PixelFunction, V, V], V]) -> V:
        def join(a: V, b: V) -> V:
            return call(self.joins, a, b)

        if self.takes_away is None:
            return functools.reduce(join, values)
        first, *others = values
        return call(self.takes_away, first, functools.reduce(join, others)) if others else first


@functools.lru_cache(maxsize=128)
def _joined(mode: str, edges: str, count: int) -> PixelFunction:
    if count == 2:
        return _FUNCTIONS[mode, edges]
    if mode == "difference":
        return _Joined(_FUNCTIONS["union", edges], _FUNCTIONS[mode, edges], count)
    return _Joined(_FUNCTIONS[mode, edges], None, count)


class JoinMattes(PixelNode):
    """Set algebra on any number of mattes: ``first``, ``second``, then those of the list ``mattes``.

    A difference is the first of them without the union of all others.

    Partly covered pixels do not say where in the pixel the coverage lies. ``crossing`` edges are
    independent of each other, so coverages multiply like probabilities. ``shared`` edges are one and the same
    edge, so the larger coverage contains the smaller.
    """

    source_of_maths: ClassVar[str] = (
        "crossing: Porter and Duff, Compositing Digital Images, 1984; shared: Zadeh, Fuzzy Sets, 1965"
    )
    #: One that is left out is no lane at all.
    open_lanes: ClassVar[Mapping[str, tuple[float, ...]]] = {"first": (), "second": ()}
    page_examples: ClassVar[PageExamples] = (
        {"about": "Where either is.", "first": "lantern_matte", "second": "cord", "mode": "union"},
        {"about": "Where both are.", "first": "lantern_matte", "second": "cord", "mode": "intersection"},
        {
            "about": "The lantern without the cord.",
            "first": "lantern_matte",
            "second": "cord",
            "mode": "difference",
        },
    )

    kind: Literal["join_mattes"] = "join_mattes"
    first: Annotated[str | None, Port((Matte,), doc="first matte")] = None
    second: Annotated[str | None, Port((Matte,), doc="second matte; one of those taken away in a difference")] = (
        None
    )
    mattes: Annotated[
        tuple[str, ...], Port((Matte,), doc="further mattes, or all of them, in their order", many=True)
    ] = ()
    mode: Annotated[Literal["union", "intersection", "difference"], Field(description="How they are joined.")] = (
        "union"
    )
    edges: Annotated[
        Literal["crossing", "shared"],
        Field(description="Whether their edges are unrelated, or the same edge."),
    ] = "crossing"

    @model_validator(mode="after")
    def _has_mattes(self) -> Self:
        count = self._count
        if count < 1:
            raise BadValueError("has no matte", 'give "first" and "second", or a list of nodes under "mattes"')
        if count > _MOST:
            raise BadValueError(f"joins {count} mattes, more than {_MOST}", "join some of them first")
        return self

    @property
    def _count(self) -> int:
        return (self.first is not None) + (self.second is not None) + len(self.mattes)

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _joined(self.mode, self.edges, self._count)

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        first, *others = domains.values()
        match self.mode:
            case "union":
                return functools.reduce(Window.__or__, others, first)
            case "intersection":
                return functools.reduce(Window.__and__, others, first)
            case _:
                return first
