"""flat: one colour everywhere."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from stackcomp.data.image import Image
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Colour, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Context, Job, PageExamples, Sized, SourceNode


class Flat(Sized, SourceNode):
    """One premultiplied colour, or one coverage, over the whole frame."""

    source_of_maths: ClassVar[str] = "nothing is computed"
    page_examples: ClassVar[PageExamples] = (
        {"about": "One colour.", "size": [320, 180], "colour": [0.42, 0.24, 0.07]},
        {"about": "A matte of one coverage.", "as": "matte", "size": [320, 180], "coverage": 0.4},
    )

    kind: Literal["flat"] = "flat"
    as_: Annotated[Literal["colour", "matte"], Field(alias="as", description="What it is.")] = "colour"
    colour: Annotated[tuple[float, float, float], Number("R G B in the working space, premultiplied", size=3)] = (
        0.0,
        0.0,
        0.0,
    )
    coverage: Annotated[float, Number("alpha, or the matte's value", low=0, high=1)] = 1.0

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte() if self.as_ == "matte" else Colour("premultiplied", context.working_space)

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return self.sized_window(displays)

    def produce(self, wanted: Window, display: Window, type: PortType, job: Job) -> Image:
        values = (*self.colour, self.coverage) if self.as_ == "colour" else (self.coverage,)
        planes = {
            name: np.full(wanted.shape, value, np.float32) for name, value in zip(type.planes, values, strict=True)
        }
        return Image(planes, wanted, display, type)
