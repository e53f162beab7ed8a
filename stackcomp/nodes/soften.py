"""soften: a slight blur, by a fraction of a pixel, that takes the edge off a render."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

from stackcomp.data.image import Image
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Colour, Matte, PortType, Ratio
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, Job, PageExamples, Port


class Soften(Adjustable, AreaNode):
    """Softens all of a picture alike, colour and alpha, as the lens, the sensor and its filters do to a plate.

    ``radius`` is the standard deviation of a Gaussian. Its square adds to that of the softness that is there: an
    edge of 0.6 pixels, softened by 0.8, becomes one of 1.0. From 10 to 90 %, an edge is 2.56 standard deviations
    wide; `stackcomp match sharpness` measures a plate's and a render's, and finds the radius that makes them
    equal.

    Soften the CG before it is laid over the plate, and grain is put on after. Mattes and ratios that belong to it
    (a shadow, a holdout) take the same radius. Nothing rings: what is 0 or more stays 0 or more. A radius of 0
    changes nothing.
    """

    source_of_maths: ClassVar[str] = (
        "Kemp, Characterizations of a Discrete Normal Distribution, 1997: weights on whole pixels with the exact "
        "variance of the Gaussian, however narrow it is"
    )
    page_examples: ClassVar[PageExamples] = (
        {"about": "As soft as a good lens leaves a picture.", "image": "lantern", "radius": 0.6},
        {"about": "Two pixels, to show what it does.", "image": "lantern", "radius": 2},
    )

    kind: Literal["soften"] = "soften"
    image: Annotated[
        str,
        Port(
            (Colour, Matte, Ratio),
            doc="picture, matte or ratio",
            alpha=("premultiplied", "none"),
            linear=True,
        ),
    ]
    radius: Annotated[
        float, Number("standard deviation of the softening; fractions are exact", unit="px", low=0, high=10)
    ] = 0.5

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"].grow(self._reach())

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        # What lies beyond the pixels that there are is left to the kernel, which saves a copy of them.
        return {"image": wanted.grow(self._reach()) & domains["image"]}

    def _reach(self) -> int:
        from stackcomp.kernels.softening import margin

        return margin(self.radius)

    def kernels(self) -> Sequence[str]:
        return ("softening",) if self._reach() else ()

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.softening import soften

        picture = images["image"]
        has, frame = job.domains["image"], picture.display
        # Where the picture reaches the edge of its frame, the world does not end: its outermost pixels go on.
        goes_on = (has.x0 <= frame.x0, has.y0 <= frame.y0, has.x1 >= frame.x1, has.y1 >= frame.y1)
        if not self._reach() and picture.window == wanted:
            planes = dict(picture.planes)
        else:
            planes = {
                name: soften(
                    plane, picture.window, wanted, self.radius, goes_on=goes_on, outside=picture.type.outside
                )
                for name, plane in picture.items()
            }
        return replace(picture, planes=planes, window=wanted, type=type)
