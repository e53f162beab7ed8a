"""difference_matte: a matte of where a plate differs from a clean plate, by more than its grain."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.keying import crossed_limits, rising, steepness
from stackcomp.nodes.over_frames import frames_that_differ, value_at
from stackcomp.nodes.pixel import PixelFunction, pixel, root


@pixel
def _sigmas(x, clean, floor, slope, black, pictures):  # type: ignore[no-untyped-def]
    """The difference in standard deviations of the grain."""
    variance = pictures * (floor * floor + slope * max(clean - black, 0))
    # The least positive number instead of 0: without grain every difference counts.
    return abs(x - clean) / root(max(variance, 1e-36))


@pixel
def _difference(r, g, b, a, kr, kg, kb, ka, fr, fg, fb, sr, sg, sb, br, bg, bb, pictures, low, per):  # type: ignore[no-untyped-def]
    (x,) = _sigmas(r, kr, fr, sr, br, pictures)
    (y,) = _sigmas(g, kg, fg, sg, bg, pictures)
    (z,) = _sigmas(b, kb, fb, sb, bb, pictures)
    (m,) = rising(max(x, y, z), low, per)
    # `max` may drop what is no number; a sum keeps it.
    m = m if x + y + z >= 0 else x + y + z
    return m if a * ka != 0 else 0


class DifferenceMatte(PixelNode):
    """Covers where a plate differs from the clean plate, counted in standard deviations of the plate's own grain.

    A sensor's grain grows with light: its variance is ``grain_floor² + grain_slope · (level − black)``, in each
    channel. So one limit holds in dark and in light. `stackcomp match grain --plate PLATE` measures both numbers
    and keeps them as variables. The level is that of the clean plate; its grain counts too unless ``clean_grain``
    says that it has none, as a painted or averaged one. What counts is the channel that differs most.

    Of pixels that did not change, some differ by chance: with grain that is normally distributed a channel exceeds
    3 standard deviations in 0.27 % of them, one of three in 0.81 %; 4 in 0.019 %. The smooth step goes from
    ``low`` to ``high``.

    Plate and clean plate have to have the same exposure and lie on each other: grade and place the clean plate
    first. Where either has no pixels, nothing is known, and the matte is 0. Where a channel of either is not a
    number, the matte is none.
    """

    source_of_maths: ClassVar[str] = (
        "noise of a sensor: Foi, Trimeche, Katkovnik and Egiazarian, Practical Poissonian-Gaussian Noise Modeling "
        "and Fitting for Single-Image Raw-Data, 2008; step: cubic Hermite polynomial"
    )
    function: ClassVar[PixelFunction] = _difference
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Where the stand-in covers the set, in units of a grain that was measured.",
            "image": "plate_with_rig",
            "clean": "plate",
            "grain_floor": 0.004,
            "grain_slope": 0.0004,
        },
    )

    kind: Literal["difference_matte"] = "difference_matte"
    image: Annotated[str, Port(doc="plate", alpha=("none",), linear=True)]
    clean: Annotated[str, Port(doc="the same view without what is to be covered", alpha=("none",), linear=True)]
    grain_floor: Annotated[
        tuple[float, float, float],
        Number("standard deviation of the grain in black, of R G B, scene-linear", low=0, size=3),
    ]
    grain_slope: Annotated[
        tuple[float, float, float],
        Number("by how much the variance of the grain grows with each unit of light, of R G B", low=0, size=3),
    ] = (0.0, 0.0, 0.0)
    black: Annotated[
        tuple[float, float, float], Number("level of the plate where no light is, of R G B", size=3)
    ] = (0.0, 0.0, 0.0)
    clean_grain: Annotated[
        bool, Field(description="Whether the clean plate has grain of its own, as much as the plate.")
    ] = True
    low: Annotated[float, Number("standard deviations up to which a difference is grain", low=0)] = 3.0
    high: Annotated[float, Number("standard deviations from which on it is covered fully", low=0)] = 6.0

    @model_validator(mode="after")
    def _can_be_told_from_grain(self) -> Self:
        if not isinstance(self.low, Keyed) and not isinstance(self.high, Keyed) and self.low > self.high:
            raise BadValueError(
                f'has a "low" of {self.low:g} above its "high" of {self.high:g}',
                'give a "high" that is not below "low"',
            )
        if not isinstance(self.grain_floor, Keyed) and not isinstance(self.grain_slope, Keyed):
            self._refuse_no_grain(self.grain_floor, self.grain_slope)
        return self

    @staticmethod
    def _refuse_no_grain(floor: Sequence[float], slope: Sequence[float]) -> None:
        bare = [name for name, a, b in zip("RGB", floor, slope, strict=True) if a == 0 and b == 0]
        if bare:
            raise BadValueError(
                f"has no grain in {', '.join(bare)}, so that any difference would count",
                "measure the grain: stackcomp match grain --plate PLATE --write found.json",
            )

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from crossed_limits(self.low, self.high, context)
        for frame in frames_that_differ(context, self.grain_floor, self.grain_slope):
            floor, slope = value_at(self.grain_floor, frame), value_at(self.grain_slope, frame)
            assert isinstance(floor, tuple)
            assert isinstance(slope, tuple)
            try:
                self._refuse_no_grain(floor, slope)
            except BadValueError as error:
                yield Problem(
                    "grain-none", f"frame {frame}: it {error.message}", error.way_out, field="grain_floor"
                )
                return

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"] & domains["clean"]

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        pictures = 2.0 if self.clean_grain else 1.0
        step = (self.low, steepness(self.high - self.low))
        return [*self.grain_floor, *self.grain_slope, *self.black, pictures, *step]
