"""depth_matte: a matte of what lies between two distances."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Depth, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import Problem
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.keying import between, crossed_limits, limit_numbers, refuse_limits
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _depth(z, nothing, near, np, nw, far, fp, fw):  # type: ignore[no-untyped-def]
    (m,) = between(z, near, np, nw, far, fp, fw)
    # False for NaN as well; 3e38 is the largest power of ten in float32, and infinity is beyond.
    return m if z > 0 and z < 3e38 else nothing


class DepthMatte(PixelNode):
    """Covers what lies between two distances, with a smooth step of some width at each.

    Distances are metres, of the sort that the depth is: along the optical axis for most renderers. The middle of a
    step lies at its limit; without softness what is at the limit is covered. A limit that is left out is open.
    Depth that is 0, below 0 or not finite is nothing; the matte is ``nothing`` there, outside of the depth's data
    window too.

    Depth at an edge is that of one of both sides, so the matte has no partial coverage there. Where coverage is
    known, multiply by it with join_mattes.
    """

    source_of_maths: ClassVar[str] = "cubic Hermite polynomial; common practice, no source"
    function: ClassVar[PixelFunction] = _depth
    page_examples: ClassVar[PageExamples] = (
        {"about": "The lantern and what is as far away.", "depth": "depth", "near": 1, "far": 1.6},
        {"about": "Haze that sets in with distance.", "depth": "depth", "near": 2, "near_softness": 2},
    )

    kind: Literal["depth_matte"] = "depth_matte"
    depth: Annotated[str, Port((Depth,), doc="distance of each pixel")]
    near: Annotated[
        float | None,
        Number("distance from which on the matte covers; with softness the middle of the step", unit="m", low=0),
    ] = None
    far: Annotated[
        float | None,
        Number("distance up to which the matte covers; with softness the middle of the step", unit="m", low=0),
    ] = None
    near_softness: Annotated[float, Number("width of the step at near", unit="m", low=0)] = 0.0
    far_softness: Annotated[float, Number("width of the step at far", unit="m", low=0)] = 0.0
    nothing: Annotated[Literal[0, 1], Field(description="What the matte is where nothing is.")] = 0

    @model_validator(mode="after")
    def _has_limits(self) -> Self:
        refuse_limits(self.near, self.far, ("near", "far"))
        return self

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from crossed_limits(self.near, self.far, context, ("near", "far"))

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["depth"]

    @property
    def fills_frame(self) -> bool:  # type: ignore[override]
        """Whether nothing counts: it reaches as far as the frame."""
        return self.nothing == 1

    def keeps_nothing(self, types: Mapping[str, PortType], context: Context) -> bool:
        return self.nothing == 0

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        limits = limit_numbers(self.near, self.near_softness, self.far, self.far_softness)
        return [float(self.nothing), *limits]
