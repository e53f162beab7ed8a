"""clean_patch: lays a patch over a picture, where a track says it belongs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, field_validator, model_validator

from stackcomp.data.image import Image
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port, colour_of
from stackcomp.nodes.outline import outline_findings
from stackcomp.nodes.over_frames import frames_that_differ
from stackcomp.nodes.patch_laying import Cut, laid_over, matched
from stackcomp.nodes.placing import Placing


class CleanPatch(Placing, AreaNode):
    """Lays a still or moving patch over the backdrop, with a soft edge.

    It is placed as `place` places a picture: by a ``homography``; by a ``track`` of points in a plate; or
    through a ``camera``, onto a ``plane`` of the world or onto the set by its ``depth``.

    What is laid on is the part of the patch inside ``outline`` (the whole of its frame when there is none),
    within ``matte`` where there is one. The feather lies inside of the outline: to 1 %, nothing shows at the
    outline, and everything from ``feather`` pixels inward. Both are in pixels of the patch.

    The patch is cut out first, premultiplied by the outline and the matte, and then sampled as `place` does it:
    with the cubic convolution kernel (a = -1/2), wider where the patch becomes smaller, and held between the
    smallest and the largest value that each pixel was weighed from. That limit belongs to the filter, and keeps
    bright edges from getting dark rims. Only the patch is sampled; where it does not reach, the backdrop stays as
    it is.

    ``match`` fits the patch to the light that falls on its surroundings at this frame. Patch and backdrop are
    compared in a ring around the outline, ``ring`` pixels wide; without outline and matte, in the outermost
    pixels of the patch. ``gain`` multiplies each channel by one number. ``membrane`` multiplies by a smooth
    surface that has the ratio all along the ring. Only sums over many pixels are compared, so the grain of
    neither comes along. The ring must show the same things in both: what stands in it for a while is left out by
    ``gain``, not by ``membrane``. Pixels of the backdrop that are black or not finite are not compared.
    """

    source_of_maths: ClassVar[str] = (
        "Porter and Duff, Compositing Digital Images, 1984 (over); Keys, Cubic Convolution Interpolation for "
        "Digital Image Processing, 1981; Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989; "
        "Pérez, Gangnet and Blake, Poisson Image Editing, 2003 (membrane, here of ratios)"
    )
    spreads: ClassVar[bool] = False
    placed_ports: ClassVar[tuple[str, ...]] = ("patch", "matte")
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The stand-in is gone; outside of the patch nothing has changed.",
            "backdrop": "plate_with_rig",
            "patch": "clean",
            "homography": [1, 0, -9, 0, 1, -4, 0, 0, 1],
            "outline": [[131, 58], [197, 58], [217, 167], [129, 167]],
            "feather": 5,
        },
    )

    kind: Literal["clean_patch"] = "clean_patch"
    backdrop: Annotated[str, Port(doc="picture to mend", alpha=("premultiplied", "none"), linear=True)]
    patch: Annotated[
        str,
        Port(
            doc="clean picture, of any size",
            alpha=("premultiplied", "none"),
            linear=True,
            any_size=True,
            beyond="nothing",
        ),
    ]
    matte: Annotated[
        str | None,
        Port((Matte,), doc="which part of the patch to use; in its frame", any_size=True, beyond="nothing"),
    ] = None
    outline: Annotated[
        tuple[tuple[float, float], ...] | None,
        Field(
            description="corners [x, y] of a polygon, in pixels of the patch; it should not cross itself",
        ),
    ] = None
    feather: Annotated[
        float, Number("width of the soft edge, inside of the outline", unit="px", low=0, high=1000)
    ] = 0.0
    match: Annotated[
        Literal["gain", "membrane"] | None,
        Field(
            description="Fits the light of the patch to its surroundings: by one gain a channel, or by a membrane."
        ),
    ] = None
    ring: Annotated[
        float,
        Number(
            "with `match`: width of the ring that is compared, in pixels of the patch", unit="px", low=2, high=500
        ),
    ] = 12.0

    @field_validator("outline")
    @classmethod
    def _is_a_polygon(
        cls, outline: tuple[tuple[float, float], ...] | None
    ) -> tuple[tuple[float, float], ...] | None:
        if outline is not None and len(outline) < 3:
            raise BadValueError(
                f"has {len(outline)} corner{'' if len(outline) == 1 else 's'}, and a polygon has 3 or more",
                "add corners, or leave it out to use all of the patch",
            )
        return outline

    @model_validator(mode="after")
    def _can_be_laid(self) -> Self:
        if "ring" in self.model_fields_set and self.match is None:
            raise BadValueError('has a "ring" without "match"', 'give "match": "gain" or "membrane"')
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        node = super().at(frame, scale)
        if scale == 1 or self.outline is None:
            return node
        return node.model_copy(update={"outline": tuple((x * scale, y * scale) for x, y in self.outline)})

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        if "matte" in windows and windows["matte"] != windows["patch"]:
            yield Problem(
                "resolution",
                f'the matte "{self.matte}" has a frame of {windows["matte"]}, but the patch "{self.patch}" one of '
                f"{windows['patch']}",
                "feed a matte that was made for the patch: it lies in the frame of the patch",
                field="matte",
            )
        if "patch" in windows:
            frames = frames_that_differ(context, self.feather)
            feathers = [(number, self.at(number).feather) for number in frames]
            yield from outline_findings(self.outline, feathers, windows["patch"])

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return colour_of(types, "backdrop")

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["backdrop"]

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        compared = self._compared(domains)
        needed = {"backdrop": wanted | compared, **self.placing_needs(wanted | compared, domains)}
        if self.match is not None:
            # The ring goes all around the outline, whatever part of the result is wanted.
            needed |= {port: domains["patch"] for port in self.placed_ports if port in domains}
        return needed

    def kernels(self) -> Sequence[str]:
        feather = ("disc_morphology", "gaussian") if self.feather != 0 or self.match is not None else ()
        return ("warp", "polygon", *feather, *(("membrane",) if self.match == "membrane" else ()))

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.warp import warp_over

        backdrop, patch = images["backdrop"], images["patch"]
        part = patch.window & self._extent(patch.display)
        domains = job.domains
        region = self._reached(wanted, part, domains)
        if part.empty or region.empty:
            return replace(backdrop.over(wanted), type=type)
        cut = Cut(patch, images.get("matte"), part, self.outline, self.feather)
        if self.match is None and not self.by_depth:
            below = backdrop.over(wanted)
            used = self.visible(cut.used(), part)
            laid = warp_over(used, part, self.signed(domains), list(below.planes.values()), wanted)
            return replace(below, planes=dict(zip(below, laid, strict=True)), type=type)
        compared = self._compared(domains)
        # With a match, everything that is compared is sampled too: each part of the result depends on all of it.
        sampled = region | compared
        *light, alpha = self.placed(cut.used(), part, images, sampled, domains)
        if not compared.empty:
            ring = self.placed(cut.ring(self.ring), part, images, sampled, domains)
            plate = [plane[sampled.slices_in(backdrop.window)] for plane in backdrop.planes.values()]
            light = matched(self.match == "membrane", light, alpha, plate, ring, sampled, self.ring)
        return laid_over(backdrop, wanted, region, [*light, alpha], sampled, type)

    def _extent(self, display: Window) -> Window:
        """What of the patch is of use, the ring included."""
        if self.outline is None:
            return display
        x, y = zip(*self.outline, strict=True)
        # Limited before it is rounded, since corners may lie anywhere.
        low, high = (np.clip([f(x), f(y)], -1e6, 1e6) for f in (min, max))
        corners = Window(*(math.floor(at) for at in low), *(math.ceil(at) for at in high))
        around = 2 if self.match is None else 2 + math.ceil(self.ring)
        return corners.grow(around)

    def _reached(self, wanted: Window, part: Window, domains: Mapping[str, Window]) -> Window:
        """The part of the result in which something of a part of the patch may lie."""
        from stackcomp.kernels.warp_windows import placed_window

        if self.by_depth:
            return wanted
        return placed_window(self.signed(domains), part, wanted, signed=True)

    def _compared(self, domains: Mapping[str, Window]) -> Window:
        """The part of the backdrop that is compared with the patch."""
        if self.match is None:
            return Window(0, 0, 0, 0)
        patch = domains["patch"] if self.outline is None else domains["patch"] & self._extent(domains["patch"])
        return self._reached(domains["backdrop"], patch, domains)
