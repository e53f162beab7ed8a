"""coordinate_warp: looks up a picture where an s,t picture says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, PrivateAttr

from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Coordinates, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.warping import WARPED, is_picked, warped


class CoordinateWarp(AreaNode):
    """Shows at each pixel the place of a picture that an s,t picture names there.

    s runs from 0 at the left edge of the picture's frame to 1 at its right edge, t likewise from the bottom to the
    top, or from the top to the bottom with ``origin`` `top`. Edges are those of pixels: the centre of the first of
    W pixels is at s = 0.5 / W. A ramp that is 0 at the centre of the first pixel and 1 at that of the last one is
    a little too wide; it shows as a picture that grows by one pixel.

    The result has the frame and the data window of the s,t picture. Where s or t is not finite there is nothing.
    Many renderers write 0 where nothing is: feed the coverage of the s,t picture to ``matte``, which also fades
    the edges of the result. Where a place lies beyond the picture's pixels there is nothing, and at their border
    the picture is weighed against it, as by `place`.

    Colour, mattes and ratios are sampled as by `place`: what becomes smaller is averaged over what a pixel covers,
    as the neighbours' s and t tell it. At a silhouette the neighbour on the same side tells it. Depth and ids
    are not averaged: each pixel takes the one in which its place lies.

    s and t need 32-bit floats: half has 11 bits, which are steps of 2 pixels in a picture of 4096. `check` says
    where a file holds halves.

    What is read of the picture is not known before s and t are: all of it is held, and another 16 bytes a pixel
    while it is warped where places of neighbouring pixels lie far apart (133 MB of 3840×2160).
    """

    source_of_maths: ClassVar[str] = (
        "common practice, no source (s,t pictures); sampled as place, the size of pixels by their neighbours' "
        "places"
    )
    spreads: ClassVar[bool] = False
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Through waves of glass: s and t of the picture, moved by sines.",
            "image": "final",
            "coordinates": "waves",
        },
    )

    kind: Literal["coordinate_warp"] = "coordinate_warp"
    image: Annotated[
        str,
        Port(
            WARPED,
            doc="what to look up",
            alpha=("premultiplied", "none"),
            linear=True,
            any_size=True,
            beyond="nothing",
        ),
    ]
    coordinates: Annotated[str, Port((Coordinates,), doc="s and t", beyond="nothing", keeps_non_finite=True)]
    matte: Annotated[
        str | None, Port((Matte,), doc="where s and t mean something; the result fades with it", beyond="nothing")
    ] = None
    origin: Annotated[Literal["bottom", "top"], Field(description="Where t is 0.")] = "bottom"

    _scale: float = PrivateAttr(1.0)
    _source: Window = PrivateAttr(Window(0, 0, 0, 0))

    def at(self, frame: float, scale: float = 1.0) -> Self:
        node = super().at(frame, scale).model_copy()
        node._scale = scale
        return node

    def with_displays(self, displays: Mapping[str, Window], context: Context) -> Self:
        node = self.model_copy()
        node._source = displays["image"]
        return node

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return displays["coordinates"]

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["coordinates"]

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        around = wanted.grow(1) & domains["coordinates"]
        needed = {"image": domains["image"], "coordinates": around}
        return {**needed, "matte": around} if "matte" in domains else needed

    def kernels(self) -> Sequence[str]:
        return ("warp", "coordinates")

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.warp_coordinates import Looks, warp_by_coordinates

        image, st = images["image"], images["coordinates"]
        cover = images["matte"]["A"] if "matte" in images else None
        scale, full = self._scale, self._source
        frame = (full.x0 * scale, full.y0 * scale, full.width * scale, full.height * scale)
        looks = Looks(st["s"], st["t"], cover, st.window, frame, self.origin == "bottom")

        def warp(planes: list[Plane]) -> list[Plane]:
            made = warp_by_coordinates(planes, image.window, looks, wanted, nearest=is_picked(type))
            if cover is not None and not is_picked(type):
                there = images["matte"].over(wanted)["A"]
                for plane in made:
                    plane *= there
            return made

        planes = warped(image, warp)
        return replace(image, planes=planes, window=wanted, display=st.display, type=type)
