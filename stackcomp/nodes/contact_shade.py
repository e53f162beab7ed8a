"""contact_shade: CG darkened softly under what stands on it or in front of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, Job, PageExamples, Port


class ContactShade(Adjustable, AreaNode):
    """Darkens ``image`` beside and under the thing that ``matte`` shows, as that thing takes away light there.

    The matte is grown by ``size``, softened, and moved by ``offset``, away from the light. As far as it covers
    then, times ``density``, light is taken away, and given back in the colour ``tint``. Light above 0
    never becomes brighter. Only what is covered is darkened: light under alpha 0 (a flame, a glow) stays.

    The thing itself is darkened as well, so it belongs on top afterwards: contact_shade first, then restore.
    """

    source_of_maths: ClassVar[str] = (
        "Sternberg, Grayscale Morphology, 1986 (size); normal distribution (softness); a multiplied shade: common "
        "practice, no source"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The cord, which is put back on top afterwards, shades the lantern.",
            "image": "lantern",
            "matte": "cord",
            "offset": [-7, 2],
            "size": 2,
            "softness": 3,
            "density": 0.85,
        },
        {
            "about": "A wide and light shade that fades to blue.",
            "image": "comp",
            "matte": "cord",
            "offset": [-12, 4],
            "softness": 6,
            "density": 0.9,
            "tint": [0.1, 0.2, 0.5],
            "within": "lantern_matte",
        },
    )

    kind: Literal["contact_shade"] = "contact_shade"
    image: Annotated[str, Port(doc="CG to darken", alpha=("premultiplied", "none"), linear=True)]
    matte: Annotated[str, Port((Matte,), doc="what stands on it or in front")]
    offset: Annotated[
        tuple[float, float],
        Number("how far the shade lies to the right and down", unit="px", size=2, low=-2000, high=2000),
    ] = (0.0, 0.0)
    size: Annotated[
        float, Number("how far the shade reaches out before it is softened", unit="px", low=0, high=500)
    ] = 0.0
    softness: Annotated[
        float,
        Number(
            "standard deviation of the softening; an edge becomes about four times as wide",
            unit="px",
            low=0,
            high=500,
        ),
    ] = 4.0
    density: Annotated[float, Number("how much light is taken where the shade is full", low=0, high=1)] = 0.5
    tint: Annotated[
        tuple[float, float, float],
        Number("what the shade fades to, times the picture", low=0, high=1, size=3),
    ] = (0.0, 0.0, 0.0)

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        return {"image": wanted, "matte": self._against(wanted).grow(self._reach())}

    def _against(self, wanted: Window) -> Window:
        """Pixels of the matte that the shade over a window is sampled from."""
        (right, more_x), (down, more_y) = self._parts()
        moved = wanted.shift(-right, -down)
        return Window(moved.x0 - int(more_x > 0), moved.y0 - int(more_y > 0), moved.x1, moved.y1)

    def _parts(self) -> list[tuple[int, np.float32]]:
        """Whole pixels of the offset across and down, and the rest of each, 0 to 1."""
        return [(math.floor(length), np.float32(length - math.floor(length))) for length in self.offset]

    def _reach(self) -> int:
        from stackcomp.kernels import disc_morphology, gaussian

        return disc_morphology.margin(self.size) + gaussian.margin(self.softness)

    def kernels(self) -> Sequence[str]:
        used = {"disc_morphology": self.size != 0, "gaussian": self.softness != 0}
        return [name for name, is_used in used.items() if is_used]

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.strips import over_strips

        picture, shade = images["image"], self._shade(images["matte"]["A"], self._against(wanted))
        planes = dict(picture.planes)
        lost = [np.float32(1 - tint) for tint in self.tint]
        for name in "RGB":
            planes[name] = np.empty(wanted.shape, np.float32)

        def rows(first: int, last: int) -> None:
            some = slice(first, last)
            share = shade[some]
            if "A" in picture:
                share = np.where(picture["A"][some] > 0, share, np.float32(0))
            for name, less in zip("RGB", lost, strict=True):
                np.multiply(picture[name][some], 1 - share * less, out=planes[name][some])

        over_strips(rows, wanted.height)
        return replace(picture, planes=planes, window=wanted, type=type)

    def _shade(self, matte: Plane, against: Window) -> Plane:
        """How much light is taken, 0 to 1; of as many pixels as the result.

        Args:
            matte: over all that is read.
            against: pixels of it that the shade is sampled from.
        """
        from stackcomp.kernels import disc_morphology, gaussian

        grown = disc_morphology.grow(np.clip(matte, 0, 1), self.size)
        reach = gaussian.margin(self.softness)
        soft = gaussian.gaussian(grown, self.softness, self.softness, (against.x0 - reach, against.y0 - reach))
        # Between two pixels, by the share of each.
        (_, right), (_, down) = self._parts()
        if down > 0:
            soft = soft[1:] + down * (soft[:-1] - soft[1:])
        if right > 0:
            soft = soft[:, 1:] + right * (soft[:, :-1] - soft[:, 1:])
        shade: Plane = np.clip(soft, 0, 1) * np.float32(self.density)
        return shade
