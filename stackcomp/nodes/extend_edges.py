"""extend_edges: colour pushed outward past the edge of what is reliable."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import reduce
from operator import or_
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.planes import plane_over
from stackcomp.data.port_types import Colour, Matte, PortType, Ratio
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port

#: More than any frame: without a distance, colour is pushed everywhere in the frame.
_EVERYWHERE = 1 << 17


class ExtendEdges(AreaNode):
    """Pushes the colour of the reliable part of a picture or ratio outward, over what is not reliable.

    Reliable is what ``matte`` shows; without one, what alpha covers, or else all pixels that there are. It does
    not change; where the matte is soft, the pushed colour fills the rest. What is pushed is colour divided by
    alpha, so soft edges give no dark rim. Light under alpha 0 stays.

    - On all sides: a smooth surface that is fastened to the reliable part.
    - With ``direction``: each pixel has the colour of the reliable edge that lies against the direction. Streaks
      fade as they go: after n pixels, detail across is softened by half the root of n (standard deviation).
      Nothing comes in from beyond the frame.

    With ``distance`` it ends there, faded over the last ``fade`` pixels, or over all of it where ``fade`` is
    longer; beyond, the picture is what it was.
    Colour with alpha is covered where colour was pushed to (``coverage`` "filled"), or keeps its alpha ("kept":
    the colour of edges is replaced, the shape stays).

    Every pixel depends on the whole picture, so a window takes as long as the frame.
    """

    source_of_maths: ClassVar[str] = (
        "Gortler, Grzeszczuk, Szeliski, Cohen, The Lumigraph, 1996 (pull and push), with steps towards the "
        "solution of Laplace's equation; direction: common practice, no source"
    )
    page_examples: ClassVar[PageExamples] = (
        {"about": "The lantern's colours, pushed out everywhere.", "image": "lantern"},
        {"about": "Twelve pixels, the last eight faded.", "image": "lantern", "distance": 12, "fade": 8},
        {"about": "To the lower right alone.", "image": "lantern", "direction": 40, "distance": 60, "fade": 50},
    )

    kind: Literal["extend_edges"] = "extend_edges"
    image: Annotated[
        str,
        Port(
            (Colour, Ratio),
            doc="picture or ratio",
            alpha=("premultiplied", "none"),
            linear=True,
            beyond="nothing",
        ),
    ]
    matte: Annotated[str | None, Port((Matte,), doc="the reliable part", beyond="nothing")] = None
    distance: Annotated[
        float | None,
        Number("how far colour is pushed; everywhere in the frame when left out", unit="px", low=0, high=65536),
    ] = None
    fade: Annotated[
        float, Number("the last part of the distance, over which it fades", unit="px", low=0, high=65536)
    ] = 0.0
    direction: Annotated[
        float | None,
        Number("where to: 0 is right, 90 down; to all sides when left out", unit="degrees", low=-360, high=360),
    ] = None
    coverage: Annotated[
        Literal["filled", "kept"],
        Field(description="Whether alpha is 1 where colour was pushed to, or stays as it is."),
    ] = "filled"

    @model_validator(mode="after")
    def _fade_has_an_end(self) -> Self:
        if self.distance is None and self.fade != 0:
            raise BadValueError(
                '"fade" is a part of "distance", which is left out', 'give a "distance" in pixels, or no "fade"'
            )
        return self

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        # The engine keeps what is within the frame or an input.
        reach = _EVERYWHERE if self.distance is None else math.ceil(self.distance) + 1
        return domains["image"].grow(reach)

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        image = domains["image"]
        return {"image": image, **({"matte": image} if "matte" in domains else {})}

    def kernels(self) -> Sequence[str]:
        return ("push_pull", "nearest_distance") if self.direction is None else ("carry",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.edges import extend, weighted

        picture = images["image"]
        has_alpha, kept = "A" in picture, self.coverage == "kept"
        # The same pixels whatever part is wanted: the frame, and what inputs have beyond it.
        window = reduce(or_, job.domains.values(), picture.display) | wanted
        alpha = self._held(picture.plane_over("A", window)) if has_alpha else self._ones(picture, window)
        if "matte" in images:
            matte = self._held(images["matte"].plane_over("A", window))
            weight = matte * alpha
        else:
            # One row, which stands for all.
            matte, weight = np.ones((1, window.width), np.float32), alpha
        planes = [picture.plane_over(name, window) for name in "RGB"]
        full, share = self._pushed(weighted(planes, matte, alpha), weight, job.scale)

        def part(plane: Plane) -> Plane:
            rows, columns = wanted.slices_in(window)
            return np.ascontiguousarray(plane[rows if plane.shape[0] == window.height else slice(None), columns])

        planes, full = [part(plane) for plane in planes], [part(plane) for plane in full]
        alpha, matte, share = part(alpha), part(matte), part(share)
        extend(planes, full, alpha, matte, share, kept=kept, bare=has_alpha)
        result = dict(zip("RGB", full, strict=True))
        if has_alpha:
            cover = picture.plane_over("A", wanted)
            result["A"] = cover if kept else self._filled(cover, share)
        return replace(picture, planes=result, window=wanted, type=type)

    def _ones(self, picture: Image, window: Window) -> Plane:
        return plane_over(np.ones(picture.window.shape, np.float32), picture.window, window)

    def _held(self, plane: Plane) -> Plane:
        """The plane between 0 and 1."""
        from stackcomp.kernels.strips import over_strips

        held = np.empty_like(plane)
        over_strips(lambda first, last: np.clip(plane[first:last], 0, 1, out=held[first:last]), plane.shape[0])
        return held

    def _filled(self, cover: Plane, share: Plane) -> Plane:
        """Coverage and that of what was pushed."""
        from stackcomp.kernels.strips import over_strips

        filled = np.empty_like(cover)

        def rows(first: int, last: int) -> None:
            own, out = cover[first:last], filled[first:last]
            np.subtract(1, own, out=out)
            np.maximum(out, 0, out=out)
            out *= share[first:last] if share.shape == cover.shape else share
            out += own

        over_strips(rows, cover.shape[0])
        return filled

    def _pushed(self, planes: list[Plane], weight: Plane, scale: float) -> tuple[list[Plane], Plane]:
        """Full colour by pixel, its own and what is pushed there, and how much of the latter is used.

        The share is a plane, or one row for all.
        """
        from stackcomp.kernels.carry import VARIANCE, carry
        from stackcomp.kernels.edges import end
        from stackcomp.kernels.nearest_distance import nearest_distance
        from stackcomp.kernels.push_pull import push_pull
        from stackcomp.kernels.strips import over_strips

        if self.direction is not None:
            # Pixels of a preview are larger, and so fewer steps are made.
            full, share, way = carry(planes, weight, self.direction, VARIANCE * scale)

            def add_own(first: int, last: int) -> None:
                some = slice(first, last)
                rest = 1 - weight[some]
                for own, colour in zip(planes, full, strict=True):
                    colour[some] *= rest
                    colour[some] += own[some]

            over_strips(add_own, weight.shape[0])
            if self.distance is not None:
                end(share, way, self.distance, min(self.fade, self.distance))
            return full, share
        share = np.ones((1, weight.shape[1]), np.float32)
        if not weight.any():
            return planes, np.zeros_like(share)
        full = push_pull(planes, weight)
        if self.distance is not None:
            # From where the edge is half reliable.
            away = nearest_distance(weight >= min(0.5, float(weight.max())))
            share = np.ones_like(weight)
            end(share, away, self.distance, min(self.fade, self.distance))
        return full, share
