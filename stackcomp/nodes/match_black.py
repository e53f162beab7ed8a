"""match_black: CG blacks lifted to the plate's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import ColourNode, Context, PageExamples, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _veil(r, g, b, covered, dr, dg, db):  # type: ignore[no-untyped-def]
    return r + covered * dr, g + covered * dg, b + covered * db


class MatchBlack(ColourNode):
    """Adds the plate's black level to CG, so that its zero lands where the plate's darkest parts are.

    A camera's black is a veil of stray light over the whole picture, so it adds: in premultiplied terms
    ``colour + alpha · black``, nothing where there is no CG, and light under alpha 0 stays to the bit as it is.

    ``inverse`` takes the same amount away again. Both are one sum without a division, so what comes back is the
    picture to within the last bit of the lifted number, which is where float32 ends: black itself comes back as 0
    exactly, and a picture from a half-float file comes back to the bit when it is stored as half again, as long as
    the black is below 1/8.
    """

    source_of_maths: ClassVar[str] = "veiling glare adds to light: common practice, no source"
    function: ClassVar[PixelFunction] = _veil
    sees_coverage: ClassVar[bool] = True
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Dark brass gets lighter, nothing is added around it. A camera's black is far less.",
            "image": "lantern",
            "black": [0.1, 0.11, 0.12],
        },
    )

    kind: Literal["match_black"] = "match_black"
    image: Annotated[str, Port(doc="CG to lift", linear=True)]
    black: Annotated[tuple[float, float, float], Number("measured black of the plate, scene-linear", size=3)] = (
        0.0,
        0.0,
        0.0,
    )
    inverse: Annotated[bool, Field(description="Subtract instead of add.")] = False

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        sign = -1.0 if self.inverse else 1.0
        return [sign * level for level in self.black]
