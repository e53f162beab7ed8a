"""join_mattes: union, intersection and difference of two mattes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _union_crossing(a, b):  # type: ignore[no-untyped-def]
    return a + b - a * b


@pixel
def _union_shared(a, b):  # type: ignore[no-untyped-def]
    return max(a, b)


@pixel
def _intersection_crossing(a, b):  # type: ignore[no-untyped-def]
    return a * b


@pixel
def _intersection_shared(a, b):  # type: ignore[no-untyped-def]
    return min(a, b)


@pixel
def _difference_crossing(a, b):  # type: ignore[no-untyped-def]
    return a * (1 - b)


@pixel
def _difference_shared(a, b):  # type: ignore[no-untyped-def]
    return max(a - b, 0)


_FUNCTIONS = {
    ("union", "crossing"): _union_crossing,
    ("union", "shared"): _union_shared,
    ("intersection", "crossing"): _intersection_crossing,
    ("intersection", "shared"): _intersection_shared,
    ("difference", "crossing"): _difference_crossing,
    ("difference", "shared"): _difference_shared,
}


class JoinMattes(PixelNode):
    """Set algebra on two mattes.

    Partly covered pixels do not say where in the pixel the coverage lies. ``crossing`` edges are
    independent of each other, so coverages multiply like probabilities. ``shared`` edges are one and the same
    edge, so the larger coverage contains the smaller.
    """

    source_of_maths: ClassVar[str] = (
        "crossing: Porter and Duff, Compositing Digital Images, 1984; shared: Zadeh, Fuzzy Sets, 1965"
    )
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
    first: Annotated[str, Port((Matte,), doc="first matte")]
    second: Annotated[str, Port((Matte,), doc="second matte; the one taken away in a difference")]
    mode: Annotated[Literal["union", "intersection", "difference"], Field(description="How they are joined.")] = (
        "union"
    )
    edges: Annotated[
        Literal["crossing", "shared"],
        Field(description="Whether their edges are unrelated, or the same edge."),
    ] = "crossing"

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _FUNCTIONS[self.mode, self.edges]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        match self.mode:
            case "union":
                return domains["first"] | domains["second"]
            case "intersection":
                return domains["first"] & domains["second"]
            case _:
                return domains["first"]
