"""ramp: from one colour to another across the frame."""

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


class Ramp(Sized, SourceNode):
    """A straight passage from one colour (or coverage) to another, across the frame or down it.

    The first pixel's centre has the first value and the last pixel's centre the second; alpha is 1.
    """

    source_of_maths: ClassVar[str] = "linear interpolation"
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "From brass to black, across.",
            "size": [320, 180],
            "first": [0.84, 0.48, 0.14],
            "last": [0, 0, 0],
        },
        {
            "about": "A matte, from 0 at the top to 1 at the bottom.",
            "as": "matte",
            "direction": "down",
            "size": [320, 180],
        },
    )

    kind: Literal["ramp"] = "ramp"
    as_: Annotated[Literal["colour", "matte"], Field(alias="as", description="What it is.")] = "colour"
    direction: Annotated[Literal["across", "down"], Field(description="Left to right, or top to bottom.")] = (
        "across"
    )
    first: Annotated[tuple[float, float, float], Number("first value; a matte takes its first number", size=3)] = (
        0.0,
        0.0,
        0.0,
    )
    last: Annotated[tuple[float, float, float], Number("last value; a matte takes its first number", size=3)] = (
        1.0,
        1.0,
        1.0,
    )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte() if self.as_ == "matte" else Colour("premultiplied", context.working_space)

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return self.sized_window(displays)

    def produce(self, wanted: Window, display: Window, type: PortType, job: Job) -> Image:
        across = self.direction == "across"
        start, size = (display.x0, display.width) if across else (display.y0, display.height)
        low, high = (wanted.x0, wanted.x1) if across else (wanted.y0, wanted.y1)
        t = (np.arange(low, high, dtype=np.float64) - start) / max(1, size - 1)
        planes = {}
        for k, name in enumerate(type.planes):
            line = (
                np.ones_like(t)
                if name == "A" and self.as_ == "colour"
                else self.first[k] + (self.last[k] - self.first[k]) * t
            )
            line = line.astype(np.float32)
            planes[name] = np.ascontiguousarray(
                np.broadcast_to(line[None, :] if across else line[:, None], wanted.shape)
            )
        return Image(planes, wanted, display, type)
