"""invert_matte: what is covered becomes uncovered, and the reverse."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from stackcomp.data.port_types import Matte, PortType
from stackcomp.nodes.base import Context, PageExamples, PixelNode, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _invert(m):  # type: ignore[no-untyped-def]
    return 1 - min(max(m, 0), 1)


class InvertMatte(PixelNode):
    """Gives ``1 − matte``.

    Outside the data window of the matte nothing is covered, so there the result is 1, over the whole frame. A
    matte below 0 counts as 0 and above 1 as 1.
    """

    source_of_maths: ClassVar[str] = "the complement of set algebra, as in Zadeh, Fuzzy Sets, 1965"
    function: ClassVar[PixelFunction] = _invert
    fills_frame: ClassVar[bool] = True
    page_examples: ClassVar[PageExamples] = (
        {"about": "What was covered is not, and the reverse.", "matte": "lantern_matte"},
    )

    kind: Literal["invert_matte"] = "invert_matte"
    matte: Annotated[str, Port((Matte,), doc="matte to invert")]

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def keeps_nothing(self, types: Mapping[str, PortType], context: Context) -> bool:
        return False
