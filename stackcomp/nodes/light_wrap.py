"""light_wrap: the backdrop's light over the edge of the CG that stands in front of it."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, Job, PageExamples, Port

#: A straight edge takes in half of the light; at so many standard deviations behind it, a tenth of that half.
_TENTH = 1.6448536269514722
#: Half of the largest float32: no light is brighter than twice this.
_LARGEST = 1.7e38


class LightWrap(Adjustable, AreaNode):
    """Lets the light of ``backdrop`` reach in over the edge of ``image``, as lens and air scatter it on a plate.

    What wraps is the part of the backdrop that the image leaves visible (its light times 1 − alpha), above
    ``threshold`` and within ``matte`` where they are given. It is spread by a Gaussian, and lands on the image as
    far as that is covered:

        wrap = strength · alpha · gaussian(light of the backdrop · (1 − alpha))

    So there is none where the image is not, none deep inside of it, and none where it hides the whole backdrop. A
    long straight edge in front of even light B gets strength · B / 2 at the edge, and a tenth of that at ``reach``
    pixels behind it. No pixel gets more than ``strength`` times the brightest light around it, and all of them
    together no more than ``strength`` times the light that is visible.

    Light beyond the frame counts: both pictures have their overscan, and go on with their outermost pixels. What
    is below 0 in the backdrop counts as 0.

    - ``"added"``: the light is added to the image, whose alpha stays. Then it is laid over the backdrop.
    - ``"alone"``: the light by itself, with alpha 0.
    """

    source_of_maths: ClassVar[str] = (
        "normal distribution; light that is spread by a kernel of sum 1 and lands on what is covered: "
        "common practice, "
        "no source"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The set's light over the lantern's edge.",
            "image": "lantern",
            "backdrop": "plate",
            "reach": 10,
            "strength": 1,
        },
        {
            "about": "The light by itself.",
            "image": "lantern",
            "backdrop": "plate",
            "reach": 10,
            "strength": 1,
            "output": "alone",
        },
    )

    kind: Literal["light_wrap"] = "light_wrap"
    image: Annotated[str, Port(doc="CG that stands in front", alpha=("premultiplied",), linear=True)]
    backdrop: Annotated[str, Port(doc="what the CG is laid over", alpha=("premultiplied", "none"), linear=True)]
    matte: Annotated[str | None, Port((Matte,), doc="only light of the backdrop within this matte wraps")] = None
    reach: Annotated[
        float,
        Number(
            "distance behind a straight edge at which a tenth of the light at the edge is left",
            unit="px",
            above=0,
            high=500,
        ),
    ] = 8.0
    threshold: Annotated[float, Number("scene-linear value above which light wraps", low=0)] = 0.0
    strength: Annotated[float, Number("share of the light that wraps", low=0, high=1)] = 0.5
    output: Annotated[
        Literal["added", "alone"],
        Field(description="Whether the light is added to the image, or given by itself."),
    ] = "added"

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        around = wanted.grow(self._margin())
        return {port: around for port in ("image", "backdrop", "matte") if port in domains}

    @property
    def _sigma(self) -> float:
        return self.reach / _TENTH

    def _margin(self) -> int:
        from stackcomp.kernels.gaussian import margin

        return margin(self._sigma)

    def kernels(self) -> Sequence[str]:
        return ("gaussian",) if self._margin() else ()

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.gaussian import gaussian
        from stackcomp.kernels.strips import over_strips

        picture, around = images["image"], images["backdrop"].window
        own = picture.over(wanted)
        alone = self.output == "alone"
        planes: dict[str, Plane] = dict(own.planes)
        if alone:
            planes["A"] = np.zeros(wanted.shape, np.float32)
        # A picture that covers nothing, or all, has no light to spread.
        alpha = picture["A"]
        if self.strength > 0 and own["A"].max(initial=0) > 0 and alpha.min(initial=1) < 1:
            source = np.empty(around.shape, np.float32)
            for name in "RGB":
                over_strips(functools.partial(self._gather, images, name, source), around.height)
                light = gaussian(source, self._sigma, self._sigma)
                planes[name] = np.empty(wanted.shape, np.float32)
                over_strips(functools.partial(self._land, own, name, light, planes[name]), wanted.height)
        elif alone:
            planes.update({name: np.zeros(wanted.shape, np.float32) for name in "RGB"})
        return replace(picture, planes=planes, window=wanted, type=type)

    def _gather(self, images: Mapping[str, Image], name: str, source: Plane, first: int, last: int) -> None:
        """The light of one channel that may wrap, in some rows."""
        rows = slice(first, last)
        light = np.maximum(images["backdrop"][name][rows], 0)
        if self.threshold > 0:
            light *= self._share(*(images["backdrop"][channel][rows] for channel in "RGB"))
        if "matte" in images:
            light *= np.clip(images["matte"]["A"][rows], 0, 1)
        np.multiply(light, 1 - np.clip(images["image"]["A"][rows], 0, 1), out=source[rows])

    def _share(self, red: Plane, green: Plane, blue: Plane) -> Plane:
        """Share of each pixel's light above the threshold, judged by the brightest channel so that hue stays."""
        brightest = np.maximum(np.maximum(red, green), np.maximum(blue, 0))
        share = np.zeros_like(brightest)
        excess = np.maximum(brightest - np.float32(min(self.threshold, _LARGEST)), 0)
        np.divide(excess, brightest, out=share, where=brightest > 0)
        return share

    def _land(self, own: Image, name: str, light: Plane, result: Plane, first: int, last: int) -> None:
        """Light on what is covered, in some rows."""
        rows = slice(first, last)
        cover = np.clip(own["A"][rows], 0, 1)
        cover *= np.float32(self.strength)
        np.multiply(light[rows], cover, out=result[rows])
        if self.output == "added":
            result[rows] += own[name][rows]
