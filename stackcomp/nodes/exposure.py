"""exposure: more or less light, in stops."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import ColourNode, Context, PageExamples, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _gain(r, g, b, gain):  # type: ignore[no-untyped-def]
    return r * gain, g * gain, b * gain


class Exposure(ColourNode):
    """Multiplies light by 2 to the power of ``stops``."""

    source_of_maths: ClassVar[str] = "photography: one stop is a factor of two"
    function: ClassVar[PixelFunction] = _gain
    page_examples: ClassVar[PageExamples] = (
        {"about": "One and a half stops more.", "image": "comp", "stops": 1.5},
        {
            "about": "Two stops less, in the lantern alone.",
            "image": "comp",
            "stops": -2,
            "within": "lantern_matte",
        },
    )

    kind: Literal["exposure"] = "exposure"
    image: Annotated[str, Port(doc="picture to change", linear=True)]
    stops: Annotated[float, Number("exposure", unit="stops", low=-60, high=60)] = 0.0

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return (2.0**self.stops,)
