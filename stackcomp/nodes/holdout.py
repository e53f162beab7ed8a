"""holdout: coverage removed where a matte stands in front."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _holdout(r, g, b, a, m):  # type: ignore[no-untyped-def]
    keep = 1 - min(max(m, 0), 1)
    return r * keep, g * keep, b * keep, a * keep


class Holdout(PixelNode):
    """Multiplies premultiplied colour and its alpha by ``1 − matte``: what stands in front cuts it out."""

    source_of_maths: ClassVar[str] = "Porter and Duff, Compositing Digital Images, 1984: the operator out"
    function: ClassVar[PixelFunction] = _holdout
    page_examples: ClassVar[PageExamples] = (
        {"about": "The cord in front is cut out of the lantern.", "image": "lantern", "matte": "cord"},
    )

    kind: Literal["holdout"] = "holdout"
    image: Annotated[str, Port(doc="what is cut", alpha=("premultiplied",))]
    matte: Annotated[str, Port((Matte,), doc="coverage of what stands in front")]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"]
