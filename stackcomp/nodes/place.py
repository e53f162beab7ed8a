"""place: moves, turns, scales a picture, or sets it in perspective."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

from pydantic import model_validator

from stackcomp.data.image import Image
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Colour, Layers, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.over_frames import singular_homography

#: Pixels beyond what comes in that are kept at most; a plane in perspective would have no end.
OVERSCAN = 4096
_STEPS = ("move", "turn", "scale", "stretch", "pivot")


class Place(AreaNode):
    """Puts a picture or matte at another place.

    Either by steps, all about ``pivot``: stretched, scaled, turned clockwise, then moved; or by a
    ``homography``, nine numbers row by row that map this picture's pixels to those of the result. Pixel
    centres lie at half pixels, x runs right and y down. Where the picture does not reach there is nothing.
    What leaves the frame is kept, up to 4096 pixels beyond it, for nodes that bring it back or spread its light;
    the node's own picture, rendered or delivered, ends with the frame and the overscan that came in.

    It samples with the cubic convolution kernel (a = -1/2): each pixel of the result is weighed from the 4×4
    pixels around the place where its centre comes from. A move by whole pixels changes no value, and a straight
    ramp stays straight. Where the picture becomes smaller the kernel is as much wider, so that fine detail is
    averaged. The result is held between the smallest and the largest value that it was weighed from: that limit
    belongs to the filter, and keeps a bright edge from getting a dark or negative rim, and a matte from leaving 0
    to 1. At its border the picture is weighed against the nothing outside, colour and alpha alike.
    """

    source_of_maths: ClassVar[str] = (
        "Keys, Cubic Convolution Interpolation for Digital Image Processing, 1981, widened where it shrinks; "
        "Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989"
    )

    spreads: ClassVar[bool] = False
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "Moved, turned and made smaller about its foot.",
            "image": "lantern",
            "move": [70, -6],
            "turn": 20,
            "scale": 0.75,
            "pivot": [146, 152],
        },
        {
            "about": "By a homography, as a track of a surface gives it.",
            "image": "lantern",
            "homography": [1.1, 0.35, -60, 0.05, 1.05, -14, 0.0004, 0.001, 1],
        },
    )

    kind: Literal["place"] = "place"
    image: Annotated[
        str,
        Port(
            (Colour, Matte),
            doc="what to place",
            alpha=("premultiplied", "none"),
            linear=True,
            any_size=True,
            beyond="nothing",
        ),
    ]
    like: Annotated[
        str | None,
        Port((PortType,), doc="picture whose frame the result has; its own when open", any_size=True),
    ] = None
    move: Annotated[
        tuple[float, float], Number("distance to the right and down", unit="px", size=2, low=-1e5, high=1e5)
    ] = (
        0.0,
        0.0,
    )
    turn: Annotated[float, Number("angle, clockwise", unit="degrees")] = 0.0
    scale: Annotated[float, Number("size; 2 is twice as large", above=0)] = 1.0
    stretch: Annotated[float, Number("width over height, beside the scale", above=0)] = 1.0
    pivot: Annotated[
        tuple[float, float] | None,
        Number(
            "point that stays where it is while the picture is turned, scaled and stretched, which need it",
            unit="px",
            size=2,
            low=-1e5,
            high=1e5,
        ),
    ] = None
    homography: Annotated[
        tuple[float, ...] | None,
        Number("3×3, row by row: pixels of the image → pixels of the result", size=9),
    ] = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        from stackcomp.kernels.homography import inverse, matrix

        changed = [name for name in _STEPS if getattr(self, name) != type(self).model_fields[name].default]
        if self.homography is not None and changed:
            raise BadValueError(f'"homography" and "{changed[0]}" both set the placement: use one or the other')
        if self.homography is not None and not isinstance(self.homography, Keyed):
            inverse(matrix(self.homography))
        about = [name for name in changed if name in ("turn", "scale", "stretch")]
        if about and self.pivot is None:
            raise BadValueError(f'"{about[0]}" needs "pivot": [x, y], the point that stays where it is')
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        from stackcomp.kernels.homography import at_scale

        node = super().at(frame, scale)
        if scale == 1 or node.homography is None:
            return node
        return node.model_copy(update={"homography": at_scale(node.homography, scale)})

    def matrix(self) -> Array:
        """Pixels of the image → pixels of the result, 3×3."""
        from stackcomp.kernels.homography import affine, matrix

        if self.homography is not None:
            return matrix(self.homography)
        return affine(self.move, self.turn, (self.scale * self.stretch, self.scale), self.pivot or (0.0, 0.0))

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from singular_homography(self.homography, context)

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return displays.get("like", displays["image"])

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        from stackcomp.kernels.warp import placed_window

        kept = (domains["image"] | domains.get("like", domains["image"])).grow(OVERSCAN)
        return placed_window(self.matrix(), domains["image"], kept)

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        from stackcomp.kernels.warp import source_needed

        needed = {"image": source_needed(self.matrix(), domains["image"], wanted)}
        # Of the other picture nothing but its frame.
        return {**needed, "like": Window(0, 0, 0, 0)} if "like" in domains else needed

    def kernels(self) -> Sequence[str]:
        return ("warp",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.warp import warp_homography

        image = images["image"]
        planes, _ = warp_homography(list(image.planes.values()), image.window, self.matrix(), wanted)
        named = dict(zip(image.planes, planes, strict=True))
        like = images.get("like", image)
        # Layers of a file come at full size whatever the scale.
        frame = like.display.scaled(job.scale) if isinstance(like.type, Layers) else like.display
        return replace(image, planes=named, window=wanted, display=frame, type=type)
