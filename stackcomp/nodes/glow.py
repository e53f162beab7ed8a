"""glow: light that spills around bright things."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.planes import plane_over
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, Job, PageExamples, Port

#: Half of the largest float32: no light is brighter than twice this.
_LARGEST = 1.7e38


class Glow(Adjustable, AreaNode):
    """Spreads light over its surroundings, in scene-linear light.

    What glows is the part of each pixel's light above ``threshold``, judged by its brightest channel so that
    hue stays, and within ``matte`` where there is one. It is spread, tinted, multiplied by ``strength``, and

    - ``"added"``: added to the picture;
    - ``"moved"``: added, and taken away where it came from, as a lens does that scatters it (with a white
      tint and strength up to 1 no light is made or lost);
    - ``"alone"``: given by itself.

    Spilled light has no coverage: alpha is that of the picture, and 0 when alone.
    """

    source_of_maths: ClassVar[str] = (
        "convolution with exp(-r / length) or a normal distribution; half-light radius as in astronomy"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The flame and the highlights of the brass spill light.",
            "image": "final",
            "radius": 14,
            "threshold": 1,
            "strength": 0.6,
        },
        {
            "about": "The spilled light alone.",
            "image": "final",
            "radius": 14,
            "threshold": 1,
            "strength": 0.6,
            "output": "alone",
        },
    )

    kind: Literal["glow"] = "glow"
    image: Annotated[str, Port(doc="picture", alpha=("premultiplied", "none"), linear=True, beyond="nothing")]
    matte: Annotated[str | None, Port((Matte,), doc="only light within this matte glows", beyond="nothing")] = None
    radius: Annotated[
        float,
        Number("half of the light lands within this distance of where it came from", unit="px", low=0, high=2000),
    ] = 20.0
    falloff: Annotated[
        Literal["exponential", "gaussian"],
        Field(
            description="How light fades with distance: exponential has a bright core and far tails, gaussian "
            "ends sooner."
        ),
    ] = "exponential"
    threshold: Annotated[float, Number("scene-linear value above which light glows", low=0)] = 0.0
    knee: Annotated[
        float,
        Number("how far below and above the threshold glowing sets in, instead of at once; as far as 0", low=0),
    ] = 0.0
    tint: Annotated[
        tuple[float, float, float], Number("R G B that the spilled light is multiplied by", low=0, size=3)
    ] = (1.0, 1.0, 1.0)
    strength: Annotated[float, Number("share of the light that spills", low=0)] = 1.0
    output: Annotated[
        Literal["added", "moved", "alone"],
        Field(description="Whether the spilled light is added to the picture, moved within it, or given alone."),
    ] = "added"

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["image"].grow(self._reach())

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        # Not padded with nothing: the reach of a large glow would be larger than the picture.
        around = wanted.grow(self._reach()) & domains["image"]
        return {port: around for port in ("image", "matte") if port in domains}

    def _reach(self) -> int:
        from stackcomp.kernels.convolve import falloff_margin

        return falloff_margin(self.radius, self.falloff)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.convolve import Spreading
        from stackcomp.kernels.strips import over_strips

        picture = images["image"]
        spread = Spreading(self.radius, self.falloff, picture.window, wanted)
        source = np.empty(picture.window.shape, np.float32)
        planes: dict[str, Plane] = {}
        for name, tint in zip("RGB", self.tint, strict=True):
            over_strips(functools.partial(self._gather, images, name, source), source.shape[0])
            light = spread(source)
            light *= np.float32(self.strength * tint)
            if self.output != "alone":
                light += _over(picture, picture[name], wanted)
            if self.output == "moved":
                source *= np.float32(self.strength)
                light -= _over(picture, source, wanted)
            planes[name] = light
        if "A" in picture:
            alpha = picture["A"]
            planes["A"] = _over(picture, np.zeros_like(alpha) if self.output == "alone" else alpha, wanted)
        return replace(picture, planes=planes, window=wanted, type=type)

    def _gather(self, images: Mapping[str, Image], name: str, source: Plane, first: int, last: int) -> None:
        """The light of one channel that glows, in some rows."""
        rows = slice(first, last)
        share = self._glowing(*(images["image"][channel][rows] for channel in "RGB"))
        if "matte" in images:
            share *= np.clip(images["matte"]["A"][rows], 0, 1)
        np.multiply(np.maximum(images["image"][name][rows], 0), share, out=source[rows])

    def _glowing(self, red: Plane, green: Plane, blue: Plane) -> Plane:
        """Share of each pixel's light that glows, 0 to 1."""
        brightest = np.maximum(np.maximum(red, green), np.maximum(blue, 0))
        threshold = np.float32(min(self.threshold, _LARGEST))
        excess = np.maximum(brightest - threshold, 0)
        # A knee that began below 0 would make light of black.
        knee = np.float32(min(self.knee, self.threshold, _LARGEST))
        if knee > 0:
            # A parabola that meets both straight parts with their own slopes. The order of factors keeps the
            # square of very large and very small numbers inside of float32.
            into = np.clip(brightest - (threshold - knee), 0, 2 * knee)
            bent = np.float32(0.25) * into * (into / knee)
            excess = np.where(np.abs(brightest - threshold) < knee, bent, excess)
        share = np.zeros_like(brightest)
        np.divide(excess, brightest, out=share, where=brightest > 0)
        return np.minimum(share, 1, out=share)


def _over(picture: Image, plane: Plane, window: Window) -> Plane:
    """A plane that lies where the picture does, over another window."""
    return plane_over(plane, picture.window, window)
