"""restore: part of the plate put back on top."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from stackcomp.data.port_types import Matte, PortType
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port, colour_of
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _restore(sr, sg, sb, sa, br, bg, bb, ba, m):  # type: ignore[no-untyped-def]
    m = min(max(m, 0), 1)
    keep = 1 - sa * m
    return sr * m + br * keep, sg * m + bg * keep, sb * m + bb * keep, sa * m + ba * keep


class Restore(PixelNode):
    """Puts the part of ``source`` that a matte shows back on top of ``backdrop``.

    ``source`` is the plate (or the shaded plate), whose alpha, if it has none, counts as 1.
    """

    source_of_maths: ClassVar[str] = "Porter and Duff, Compositing Digital Images, 1984: source in matte, over"
    function: ClassVar[PixelFunction] = _restore
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The cord of the plate is in front again.",
            "source": "plate",
            "backdrop": "comp",
            "matte": "cord",
        },
    )

    kind: Literal["restore"] = "restore"
    source: Annotated[str, Port(doc="plate to take from", alpha=("none", "premultiplied"), linear=True)]
    backdrop: Annotated[str, Port(doc="comp to put it on", alpha=("none", "premultiplied"), linear=True)]
    matte: Annotated[str, Port((Matte,), doc="what to restore")]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return colour_of(types, "backdrop")
