"""over: a premultiplied source laid over a backdrop."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _over(sr, sg, sb, sa, br, bg, bb, ba):  # type: ignore[no-untyped-def]
    keep = 1 - sa
    return sr + br * keep, sg + bg * keep, sb + bb * keep, sa + ba * keep


class Over(PixelNode):
    """Lays the source over the backdrop: ``source + backdrop · (1 − alpha)``.

    Light without coverage (a glow or flame, alpha 0) adds to the backdrop. A backdrop without alpha counts
    as opaque, and the result then has no alpha either.
    """

    source_of_maths: ClassVar[str] = "Porter and Duff, Compositing Digital Images, 1984"
    function: ClassVar[PixelFunction] = _over
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The lantern stands in front, the wall shows through its glass.",
            "source": "lantern",
            "backdrop": "plate",
        },
        {"about": "Light without coverage is added.", "source": "lamp", "backdrop": "comp"},
    )

    kind: Literal["over"] = "over"
    source: Annotated[str, Port(doc="what goes on top", alpha=("premultiplied",), linear=True)]
    backdrop: Annotated[str, Port(doc="what it goes over", alpha=("premultiplied", "none"), linear=True)]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return colour_of(types, "backdrop")
