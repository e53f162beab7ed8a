"""soft_matte: grows, shrinks, feathers and bends a matte."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port


class SoftMatte(AreaNode):
    """Moves a matte's edge by parts of a pixel, softens it, and bends its falloff, in this order.

    Growing keeps the softness that an edge has: every contour moves outward by the same distance. The
    feather is a Gaussian centred on the edge. The result is held between 0 and 1.

    ``feather_in`` and ``feather_out`` say how far the softness reaches on each side of the edge, and it reaches no
    farther: with ``feather_out`` alone what is covered stays covered fully, with ``feather_in`` alone nothing is
    covered that was not. For this the edge is moved to the middle between both, and softened by a mean within a
    disc of half of their sum, whose weight falls to 0 at its rim; a sum of 2 pixels or less softens nothing. Parts
    of a matte that are thinner than ``feather_in`` less ``feather_out`` vanish. A ``feather`` beside them comes
    after them, and reaches farther.
    """

    source_of_maths: ClassVar[str] = (
        "Sternberg, Grayscale Morphology, 1986 (growing and shrinking); normal distribution (feather); "
        "Epanechnikov, Non-Parametric Estimation of a Multivariate Probability Density, 1969 (feather_in and "
        "feather_out)"
    )
    page_examples: ClassVar[PageExamples] = (
        {"about": "Five pixels larger.", "matte": "lantern_matte", "grow": 5},
        {"about": "Three pixels smaller.", "matte": "lantern_matte", "grow": -3},
        {"about": "Softened by a feather of four pixels.", "matte": "lantern_matte", "feather": 4},
        {
            "about": "Softened outward alone: all that was covered still is.",
            "matte": "lantern_matte",
            "feather_out": 16,
        },
    )

    kind: Literal["soft_matte"] = "soft_matte"
    matte: Annotated[str, Port((Matte,), doc="matte to change")]
    grow: Annotated[
        float, Number("how far the edge moves outward; negative moves it inward", unit="px", low=-500, high=500)
    ] = 0.0
    feather: Annotated[
        float,
        Number(
            "standard deviation of the softening; an edge becomes about four times as wide",
            unit="px",
            low=0,
            high=500,
        ),
    ] = 0.0
    feather_in: Annotated[
        float, Number("how far the softness reaches inward from the edge", unit="px", low=0, high=500)
    ] = 0.0
    feather_out: Annotated[
        float, Number("how far the softness reaches outward from the edge", unit="px", low=0, high=500)
    ] = 0.0
    curve: Annotated[float, Number("exponent; above 1 thins what is half covered, below 1 fills it", above=0)] = (
        1.0
    )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["matte"].grow(self._reach(max(0.0, self._move)))

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        return {"matte": wanted.grow(self._reach(abs(self._move)))}

    @property
    def _move(self) -> float:
        """How far the edge moves outward, so that it lies in the middle of its softness."""
        return self.grow + (self.feather_out - self.feather_in) / 2

    @property
    def _radius(self) -> float:
        return (self.feather_in + self.feather_out) / 2

    def _reach(self, radius: float) -> int:
        from stackcomp.kernels import disc_mean, disc_morphology, gaussian

        return disc_morphology.margin(radius) + disc_mean.margin(self._radius) + gaussian.margin(self.feather)

    def kernels(self) -> Sequence[str]:
        used = {
            "disc_morphology": self._move != 0,
            "disc_mean": self._radius > 1,
            "gaussian": self.feather != 0,
        }
        return [name for name, is_used in used.items() if is_used]

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels import disc_morphology
        from stackcomp.kernels.disc_mean import disc_mean
        from stackcomp.kernels.gaussian import gaussian, margin

        matte = images["matte"]
        move = disc_morphology.grow if self._move > 0 else disc_morphology.shrink
        plane = disc_mean(move(matte["A"], abs(self._move)), self._radius)
        reach = margin(self.feather)
        plane = gaussian(plane, self.feather, self.feather, (wanted.x0 - reach, wanted.y0 - reach))
        plane = np.clip(plane, 0, 1)
        if self.curve != 1:
            plane = np.power(plane, np.float32(self.curve))
        return replace(matte, planes={"A": np.ascontiguousarray(plane, np.float32)}, window=wanted, type=type)
