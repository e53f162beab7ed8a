"""match_black: CG blacks lifted to the plate's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from stackcomp.document.values import Number
from stackcomp.nodes.base import ColourNode, Context, Port
from stackcomp.pixel import PixelFunction, pixel
from stackcomp.port_types import PortType


@pixel
def _offset(r, g, b, dr, dg, db):  # type: ignore[no-untyped-def]
    return r + dr, g + dg, b + db


class MatchBlack(ColourNode):
    """Adds the plate's black level to CG, so that its zero lands where the plate's darkest parts are.

    A camera's black is a veil of stray light over the whole picture, so it adds: in premultiplied terms
    ``colour + alpha · black``, nothing where there is no CG. ``inverse`` takes it away again.
    """

    source_of_maths: ClassVar[str] = "veiling glare adds to light: common practice, no source"
    function: ClassVar[PixelFunction] = _offset
    curve: ClassVar[bool] = True

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
