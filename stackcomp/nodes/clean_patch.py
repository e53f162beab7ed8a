"""clean_patch: lays a patch over a picture, where a track says it belongs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port, colour_of
from stackcomp.nodes.over_frames import singular_homography


class CleanPatch(AreaNode):
    """Lays a still or moving patch over the backdrop through a homography, with a soft edge.

    What is laid on is the part of the patch inside ``outline`` (the whole of its frame when there is none),
    within ``matte`` where there is one. The feather lies inside of the outline: nothing shows at the outline,
    everything from ``feather`` pixels inward. Both are in pixels of the patch.

    The patch is cut out first, premultiplied by the outline and the matte, and then sampled as `place` does it:
    with the cubic convolution kernel (a = -1/2), wider where the patch becomes smaller, and held between the
    smallest and the largest value that each pixel was weighed from. That limit belongs to the filter, and keeps
    bright edges from getting dark rims. Only the patch is sampled; where it does not reach, the backdrop stays as
    it is.
    """

    source_of_maths: ClassVar[str] = (
        "Porter and Duff, Compositing Digital Images, 1984 (over); Keys, Cubic Convolution Interpolation for "
        "Digital Image Processing, 1981; Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989"
    )
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
    homography: Annotated[
        tuple[float, ...], Number("3×3, row by row: pixels of the patch → pixels of the backdrop", size=9)
    ] = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    outline: Annotated[
        tuple[tuple[float, float], ...] | None,
        Field(description="corners [x, y] of a polygon, in pixels of the patch"),
    ] = None
    feather: Annotated[
        float, Number("width of the soft edge, inside of the outline", unit="px", low=0, high=1000)
    ] = 0.0

    @model_validator(mode="after")
    def _can_be_laid(self) -> Self:
        from stackcomp.kernels.homography import inverse, matrix

        if not isinstance(self.homography, Keyed):
            inverse(matrix(self.homography))
        if self.outline is not None and len(self.outline) < 3:
            raise BadValueError(f'"outline" has {len(self.outline)} corners, and a polygon has 3 or more')
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        from stackcomp.kernels.homography import at_scale

        node = super().at(frame, scale)
        if scale == 1:
            return node
        changes: dict[str, Any] = {"homography": at_scale(node.homography, scale)}
        if self.outline is not None:
            changes["outline"] = tuple((x * scale, y * scale) for x, y in self.outline)
        return node.model_copy(update=changes)

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from singular_homography(self.homography, context)
        if "matte" in windows and windows["matte"] != windows["patch"]:
            yield Problem(
                "resolution",
                f'the matte "{self.matte}" has a frame of {windows["matte"]}, but the patch "{self.patch}" one of '
                f"{windows['patch']}",
                "feed a matte that was made for the patch: it lies in the frame of the patch",
                field="matte",
            )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return colour_of(types, "backdrop")

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        return domains["backdrop"]

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        from stackcomp.kernels.homography import matrix
        from stackcomp.kernels.warp import source_needed

        part = source_needed(matrix(self.homography), domains["patch"], wanted)
        return {"backdrop": wanted, **{port: part for port in ("patch", "matte") if port in domains}}

    def kernels(self) -> Sequence[str]:
        return ("warp", "polygon", *(("disc_morphology", "gaussian") if self.feather != 0 else ()))

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.homography import matrix
        from stackcomp.kernels.warp import warp_homography

        backdrop, patch = images["backdrop"], images["patch"]
        if patch.window.empty:
            return replace(backdrop, type=type)
        used = self._used(patch.window, patch.display)
        if "matte" in images:
            used *= np.clip(images["matte"]["A"], 0, 1)
        source = [patch[c] * used for c in "RGB"] + [patch["A"] * used if "A" in patch else used]
        (*light, alpha), _ = warp_homography(source, patch.window, matrix(self.homography), wanted)
        del source, used
        keep = 1 - alpha
        laid: dict[str, Plane] = {"A": alpha, **dict(zip("RGB", light, strict=True))}
        for name, plane in backdrop.planes.items():
            laid[name] += plane * keep
        return replace(backdrop, planes={name: laid[name] for name in backdrop}, type=type)

    def _used(self, window: Window, frame: Window) -> Plane:
        """Coverage of the patch by its outline, feathered inward."""
        from stackcomp.kernels import disc_morphology, gaussian
        from stackcomp.kernels.polygon import polygon_coverage

        corners = self.outline or (
            (frame.x0, frame.y0),
            (frame.x1, frame.y0),
            (frame.x1, frame.y1),
            (frame.x0, frame.y1),
        )
        # Half of the feather inward, then softened so that the outline lies 2.5 standard deviations away.
        inward, sigma = self.feather / 2, self.feather / 5
        around = window.grow(disc_morphology.margin(inward) + gaussian.margin(sigma))
        whole = polygon_coverage(corners, around)
        soft = gaussian.gaussian(disc_morphology.shrink(whole, inward), sigma, sigma)
        held: Plane = np.minimum(soft, whole[window.slices_in(around)])
        return held
