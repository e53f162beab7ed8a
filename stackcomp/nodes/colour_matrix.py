"""colour_matrix: each channel a mix of all three."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal

from stackcomp.data.numbers import Number
from stackcomp.data.port_types import PortType
from stackcomp.nodes.base import ColourNode, Context, PageExamples, Port
from stackcomp.nodes.colour_maths import matrix
from stackcomp.nodes.pixel import PixelFunction


class ColourMatrix(ColourNode):
    """Multiplies the column R G B by a 3×3 matrix, in scene-linear light.

    The matrix is written row by row: ``[rr, rg, rb, gr, gg, gb, br, bg, bb]``. A matrix is linear, so
    premultiplied colour is multiplied as it is.
    """

    source_of_maths: ClassVar[str] = "linear algebra"
    function: ClassVar[PixelFunction] = matrix
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Each channel with a large share of the others: less colour.",
            "image": "comp",
            "matrix": [0.5, 0.4, 0.1, 0.15, 0.75, 0.1, 0.15, 0.4, 0.45],
        },
    )

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
