"""luma_matte: a matte of how bright a picture is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.keying import between, crossed_limits, limit_numbers, refuse_limits, seen, seen_numbers
from stackcomp.nodes.pixel import PixelFunction, log2, pixel


@pixel
def _luma(r, g, b, a, divide, bare, wr, wg, wb, stops, low, lp, lw, high, hp, hw):  # type: ignore[no-untyped-def]
    (r, g, b, there) = seen(r, g, b, a, divide, bare)
    luminance = wr * r + wg * g + wb * b
    x = log2(luminance / 0.18) if stops == 1 else luminance
    (m,) = between(x, low, lp, lw, high, hp, hw)
    return m if there != 0 else 0


class LumaMatte(PixelNode):
    """Covers what is between two brightnesses, with a smooth step of some width at each.

    Brightness is luminance, Y of CIE 1931, by the primaries of the colour space that the picture is in and under
    the white of ACES; ``unit`` says whether it is counted in scene-linear light or in stops above an 18 % grey.
    The middle of a step lies at its limit; without softness what is at the limit is covered. A limit that is left
    out is open: "low" alone gives the highlights, "high" alone the shadows.

    Premultiplied colour is divided by alpha first, so that an edge counts as bright as what it is the edge of, and
    the matte says nothing of coverage. Light under alpha 0 counts as it is, and where nothing is, the matte is 0.
    """

    source_of_maths: ClassVar[str] = (
        "luminance: Y of CIE 1931 by the colour config's matrix to ACES2065-1 (SMPTE ST 2065-1); steps: "
        "cubic Hermite polynomial"
    )
    function: ClassVar[PixelFunction] = _luma
    page_examples: ClassVar[PageExamples] = (
        {"about": "The highlights of the brass.", "image": "lantern", "low": 0.35, "low_softness": 0.3},
        {
            "about": "What is darker than two stops below grey.",
            "image": "plate",
            "unit": "stops",
            "high": -2,
            "high_softness": 1,
        },
    )

    kind: Literal["luma_matte"] = "luma_matte"
    image: Annotated[str, Port(doc="picture whose brightness counts", linear=True)]
    low: Annotated[
        float | None, Number("brightness from which on the matte covers; with softness the middle of the step")
    ] = None
    high: Annotated[
        float | None, Number("brightness up to which the matte covers; with softness the middle of the step")
    ] = None
    low_softness: Annotated[float, Number("width of the step at low, in the unit of low", low=0)] = 0.0
    high_softness: Annotated[float, Number("width of the step at high, in the unit of high", low=0)] = 0.0
    unit: Annotated[
        Literal["light", "stops"],
        Field(description="Whether limits are scene-linear light, or stops above an 18 % grey."),
    ] = "light"

    @model_validator(mode="after")
    def _has_limits(self) -> Self:
        refuse_limits(self.low, self.high)
        return self

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from crossed_limits(self.low, self.high, context)
        try:
            self._weights(types, context)
        except RequestError as error:
            yield from error.problems

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    @staticmethod
    def _weights(types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        from stackcomp.files.colorimetry import luminance_weights

        name = colour_of(types, "image").encoding.name
        return [float(weight) for weight in luminance_weights(name, context.colour_config)]

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return [
            *seen_numbers(colour_of(types, "image")),
            *self._weights(types, context),
            float(self.unit == "stops"),
            *limit_numbers(self.low, self.low_softness, self.high, self.high_softness),
        ]
