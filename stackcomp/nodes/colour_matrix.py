"""colour_matrix: each channel a mix of all three."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import ColourNode, Context, Port
from stackcomp.nodes.pixel import PixelFunction, pixel


@pixel
def _matrix(r, g, b, m00, m01, m02, m10, m11, m12, m20, m21, m22):  # type: ignore[no-untyped-def]
    return (
        r * m00 + g * m01 + b * m02,
        r * m10 + g * m11 + b * m12,
        r * m20 + g * m21 + b * m22,
    )


class ColourMatrix(ColourNode):
    """Multiplies the column R G B by a 3×3 matrix, in scene-linear light.

    The matrix is written row by row: ``[rr, rg, rb, gr, gg, gb, br, bg, bb]``. A matrix is linear, so
    premultiplied colour is multiplied as it is.
    """

    source_of_maths: ClassVar[str] = "linear algebra"
    function: ClassVar[PixelFunction] = _matrix

    kind: Literal["colour_matrix"] = "colour_matrix"
    image: Annotated[str, Port(doc="picture to change", linear=True)]
    matrix: Annotated[Any, Number("nine numbers, row by row", size=9)] = (
        1.0,
        0.0,
        0.0,
        0.0,
        1.0,
        0.0,
        0.0,
        0.0,
        1.0,
    )

    def numbers(self, types: Mapping[str, PortType], context: Context) -> Sequence[float]:
        values: Sequence[float] = self.matrix
        return values
