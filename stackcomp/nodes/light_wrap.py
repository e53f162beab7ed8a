"""light_wrap: the backdrop's light over the edge of the CG that stands in front of it."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from stackcomp.data.beyond import beyond_frame
from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.reach import reachable
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, Job, PageExamples, Port
from stackcomp.nodes.bright import share_above

#: A straight edge takes in half of the light; at so many standard deviations behind it, a tenth of that half.
_TENTH = 1.6448536269514722


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
    strength: Annotated[float, Number("share of the light that wraps", low=0, high=1)] = 0.3
    output: Annotated[
        Literal["added", "alone"],
        Field(description="Whether the light is added to the image, or given by itself."),
    ] = "added"

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        around = wanted.grow(self._margin())
        # What goes on beyond the frame is copied around what is covered, and nowhere else.
        return {
            port: reachable(around, domains[port]) for port in ("image", "backdrop", "matte") if port in domains
        }

    @property
    def _sigma(self) -> float:
        return self.reach / _TENTH

    def _margin(self) -> int:
        from stackcomp.kernels.gaussian import margin

        return margin(self._sigma)

    def kernels(self) -> Sequence[str]:
        return ("gaussian",) if self._margin() else ()

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        picture = images["image"]
        own = beyond_frame(picture, wanted, job.domains["image"]).over(wanted)
        planes: dict[str, Plane] = dict(own.planes)
        if self.output == "alone":
            planes = {name: np.zeros(wanted.shape, np.float32) for name in planes}
        # Light lands only where something is covered, and comes only from where something is not.
        part = _covered(own)
        around = part.grow(self._margin())
        if self.strength == 0 or part.empty:
            return replace(picture, planes=planes, window=wanted, type=type)
        seen = {
            port: beyond_frame(image, around, job.domains[port]).over(around) for port, image in images.items()
        }
        if seen["image"]["A"].min() < 1:
            for name in "RGB":
                planes[name] = self._wrapped(seen, name, planes[name], part.slices_in(wanted))
        return replace(picture, planes=planes, window=wanted, type=type)

    def _wrapped(self, seen: Mapping[str, Image], name: str, under: Plane, place: tuple[slice, slice]) -> Plane:
        """A channel with the light that wraps; ``seen`` is what lies around the place that it may land on."""
        from stackcomp.kernels.gaussian import gaussian
        from stackcomp.kernels.strips import over_strips

        source = np.empty(seen["image"].window.shape, np.float32)
        over_strips(functools.partial(self._gather, seen, name, source), source.shape[0])
        begin = seen["image"].window
        light = gaussian(source, self._sigma, self._sigma, (begin.x0, begin.y0))
        margin = self._margin()
        alpha = seen["image"]["A"][margin : margin + light.shape[0], margin : margin + light.shape[1]]
        result = under.copy()
        target = result[place]

        def land(first: int, last: int) -> None:
            cover = np.clip(alpha[first:last], 0, 1)
            cover *= np.float32(self.strength)
            cover *= light[first:last]
            target[first:last] += cover

        over_strips(land, light.shape[0])
        return result

    def _gather(self, seen: Mapping[str, Image], name: str, source: Plane, first: int, last: int) -> None:
        """The light of one channel that may wrap, in some rows."""
        rows = slice(first, last)
        light = np.maximum(seen["backdrop"][name][rows], 0)
        if self.threshold > 0:
            light *= share_above([seen["backdrop"][channel][rows] for channel in "RGB"], self.threshold)
        if "matte" in seen:
            light *= np.clip(seen["matte"]["A"][rows], 0, 1)
        np.multiply(light, 1 - np.clip(seen["image"]["A"][rows], 0, 1), out=source[rows])


def _covered(image: Image) -> Window:
    """The smallest window that holds all that is covered."""
    covered = image["A"] > 0
    rows, columns = np.flatnonzero(covered.any(axis=1)), np.flatnonzero(covered.any(axis=0))
    if not rows.size:
        return Window(0, 0, 0, 0)
    x, y = image.window.x0, image.window.y0
    return Window(x + int(columns[0]), y + int(rows[0]), x + int(columns[-1]) + 1, y + int(rows[-1]) + 1)
