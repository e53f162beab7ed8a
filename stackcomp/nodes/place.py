"""place: moves, turns, scales a picture, or sets it in perspective."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal, Self

from pydantic import model_validator

from stackcomp.data.image import Image
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Colour, Layers, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.placing import Placing

#: Pixels beyond what comes in that are kept at most; a plane in perspective would have no end.
OVERSCAN = 4096
_STEPS = ("move", "turn", "scale", "stretch", "pivot")


class Place(Placing, AreaNode):
    """Puts a picture or matte at another place.

    In one of these ways:

    - by steps, all about ``pivot``: stretched, scaled, turned clockwise, then moved;
    - by a ``homography``, nine numbers row by row that map this picture's pixels to those of the result;
    - by a ``track`` of points in a plate; the picture was made for its frame ``still_frame``;
    - through a ``camera``, which took the picture at ``still_frame``, onto a ``plane`` of the world;
    - through a ``camera`` onto the set, whose ``depth`` says where each pixel of the result lies in the world.
      What the still's camera did not see, as its ``still_depth`` says, is left to nothing.

    Pixel centres lie at half pixels, x runs right and y down. Where the picture does not reach there is nothing.
    What leaves the frame is kept, up to 4096 pixels beyond it, for nodes that bring it back or spread its light;
    the node's own picture, rendered or delivered, ends with the frame and the overscan that came in.

    It samples with the cubic convolution kernel (a = -1/2): each pixel of the result is weighed from the 4×4
    pixels around the place where its centre comes from. A move by whole pixels changes no value, and a straight
    ramp stays straight. Where the picture becomes smaller the kernel is as much wider, in the direction in which
    it does, so that fine detail is averaged. The result is held between the smallest and the largest value that it
    was weighed from: that limit belongs to the filter, and keeps a bright edge from getting a dark or negative
    rim, and a matte from leaving 0 to 1. At its border the picture is weighed against the nothing outside,
    colour and alpha alike.
    """

    source_of_maths: ClassVar[str] = (
        "Keys, Cubic Convolution Interpolation for Digital Image Processing, 1981, widened where it shrinks; "
        "Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989"
    )

    spreads: ClassVar[bool] = False
    placed_ports: ClassVar[tuple[str, ...]] = ("image",)
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

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        changed = [name for name in _STEPS if getattr(self, name) != type(self).model_fields[name].default]
        for way in self.ways:
            if getattr(self, way) is not None and changed:
                raise BadValueError(f'"{way}" and "{changed[0]}" both set the placement: use one or the other')
        about = [name for name in changed if name in ("turn", "scale", "stretch")]
        if about and self.pivot is None:
            raise BadValueError(f'"{about[0]}" needs "pivot": [x, y], the point that stays where it is')
        return self

    def transform(self) -> Array:
        from stackcomp.kernels.homography import affine

        if self.homography is not None or self.track is not None:
            return self.followed
        return affine(self.move, self.turn, (self.scale * self.stretch, self.scale), self.pivot or (0.0, 0.0))

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        if "like" in windows and windows.get("depth", windows["like"]) != windows["like"]:
            yield Problem(
                "resolution",
                f'the depth "{self.depth}" has a frame of {windows["depth"]}, but "{self.like}" one of '
                f"{windows['like']}",
                "feed the depth of the set as seen in the frame of the result",
                field="depth",
            )

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return types["image"]

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return displays.get("like", displays.get("depth", displays["image"]))

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        from stackcomp.kernels.warp_windows import placed_window

        if "depth" in domains:
            return domains["depth"]
        kept = (domains["image"] | domains.get("like", domains["image"])).grow(OVERSCAN)
        return placed_window(self.signed(domains), domains["image"], kept, signed=True)

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        # Of the picture whose frame the result has nothing but its frame.
        like = {"like": Window(0, 0, 0, 0)} if "like" in domains else {}
        return {**self.placing_needs(wanted, domains), **like}

    def kernels(self) -> Sequence[str]:
        return ("warp",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        image = images["image"]
        like = images.get("like", images.get("depth", image))
        # Layers of a file come at full size whatever the scale.
        frame = like.display.scaled(job.scale) if isinstance(like.type, Layers) else like.display
        planes = self.placed(list(image.planes.values()), image.window, images, wanted, job.domains)
        named = dict(zip(image.planes, planes, strict=True))
        return replace(image, planes=named, window=wanted, display=frame, type=type)
