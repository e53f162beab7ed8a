"""unpremultiply: premultiplied colour divided by its alpha."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _unpremultiply(r, g, b, a):  # type: ignore[no-untyped-def]
    by = a if a != 0 else 1
    return r / by, g / by, b / by, a


class Unpremultiply(PixelNode):
    """Divides colour by alpha; where alpha is 0, light stays as it is."""

    source_of_maths: ClassVar[str] = "Porter and Duff, Compositing Digital Images, 1984"
    function: ClassVar[PixelFunction] = _unpremultiply
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Every pixel that is covered at all has its full colour; the glass shows it.",
            "image": "lantern",
        },
    )

    kind: Literal["unpremultiply"] = "unpremultiply"
    image: Annotated[str, Port(doc="premultiplied colour", alpha=("premultiplied",))]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return replace(colour_of(types, "image"), alpha="straight", bare_light=True)
