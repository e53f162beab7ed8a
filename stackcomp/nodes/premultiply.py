"""premultiply: straight colour multiplied by its alpha."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _premultiply(r, g, b, a):  # type: ignore[no-untyped-def]
    return r * a, g * a, b * a, a


@pixel
def _premultiply_keeping_light(r, g, b, a):  # type: ignore[no-untyped-def]
    by = a if a != 0 else 1
    return r * by, g * by, b * by, a


class Premultiply(PixelNode):
    """Multiplies colour by alpha.

    Under alpha 0 the colour of a file with straight alpha has no meaning, and it is removed. Where straight
    colour was made from premultiplied colour inside the graph, light under alpha 0 is real, and it stays.
    """

    source_of_maths: ClassVar[str] = "Porter and Duff, Compositing Digital Images, 1984"
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Partly covered pixels, as in glass and edges, get their share of the colour.",
            "image": "lantern_straight",
        },
    )

    kind: Literal["premultiply"] = "premultiply"
    image: Annotated[str, Port(doc="straight colour", alpha=("straight",))]

    def pixel_function(self, types: Mapping[str, PortType], context: Context) -> PixelFunction:
        return _premultiply_keeping_light if colour_of(types, "image").bare_light else _premultiply

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return replace(colour_of(types, "image"), alpha="premultiplied", bare_light=False)
