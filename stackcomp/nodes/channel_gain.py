"""channel_gain: a factor for each channel, as a neutral patch gives it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import ColourNode, Context, PageExamples, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _gains(r, g, b, gr, gg, gb):  # type: ignore[no-untyped-def]
    return r * gr, g * gg, b * gb


class ChannelGain(ColourNode):
    """Multiplies R, G and B each by its own factor, in scene-linear light."""

    source_of_maths: ClassVar[str] = "white balance by a neutral patch: common practice, no source"
    function: ClassVar[PixelFunction] = _gains
    page_examples: ClassVar[PageExamples] = (
        {"about": "Less red, more blue: the balance of cooler light.", "image": "comp", "gain": [0.8, 1, 1.39]},
    )

    kind: Literal["channel_gain"] = "channel_gain"
    image: Annotated[str, Port(doc="picture to change", linear=True)]
    gain: Annotated[tuple[float, float, float], Number("factor of R, G and B", low=0, high=1e6, size=3)] = (
        1.0,
        1.0,
        1.0,
    )

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        return self.gain
