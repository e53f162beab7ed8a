"""motion_blur: blur along a motion pass."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from stackcomp.data.beyond import beyond_frame, coverage_of
from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Depth, Motion, PortType
from stackcomp.data.reach import goes_on, reachable
from stackcomp.data.window import Window
from stackcomp.nodes.base import Adjustable, AreaNode, Job, PageExamples, Port


class MotionBlur(Adjustable, AreaNode):
    """Blurs a picture along its motion, as a camera does whose shutter is open while things move.

    ``motion`` says how far each pixel moves in one frame, in pixels of the full-size frame: dx to the right, dy
    down, or up with ``vertical`` "up". What is at a pixel at the number of the frame lies dx · t pixels to the
    right of it t frames later. Light and coverage of each pixel are spread evenly over its straight path while
    the shutter is open, and none is lost: a premultiplied layer stays one, and its alpha at a moving edge is
    the share of the time in which the edge has passed.

    - ``shutter`` is how long it is open: 180 degrees is half of a frame, 0 is a sharp picture.
    - ``shutter_centre`` is the middle of that time, in frames from the number of the frame. At 0, the default, as
      much lies before the frame as behind it; 180 degrees that open at the frame have the centre 0.25. Where the
      pass says how far away a pixel was one frame ago, which is the opposite motion, change the centre's sign.

    Where paths cross, the nearer one by ``depth`` is in front. Without depth, what moves farther is in front:
    right for a thing that moves through a still set, wrong for one that the camera follows, which needs depth.
    A still thing stays sharp beside moving ones. Ground that a moving thing uncovers is not in the picture: it
    is filled from beside it. Layers with nothing behind them become transparent there. In an opaque picture whose
    exposure lies wholly before or after the frame, a moving thing also stays where it was; blur its layer instead.

    Partly covered pixels take motion and depth of the most covered pixel up to two pixels away, since those of the
    pass may be mixed or 0. In opaque pictures, pixels at the edge between two motions are divided into both.

    Motion beyond ``largest_length`` is shortened to it, with a warning. NaN and infinity are taken as 0, no
    motion. The result reaches beyond the picture by ``largest_length`` times the time between the frame and the
    farther end of the exposure (a quarter of it by default). Time grows with the length of paths, and with the
    pixels of the rectangle that holds all that moves: 3840×2160 pixels on two cores take 1.2 seconds where all
    move 40 pixels per frame, 1.9 where all move 80, 0.11 where a thing of 600×400 moves 40, and 0.04 where
    nothing moves.
    """

    source_of_maths: ClassVar[str] = (
        "scattered paths after Potmesil and Chakravarty, Modeling Motion Blur in Computer-Generated Images, 1983; "
        "front to back, as in defocus"
    )
    page_examples: ClassVar[PageExamples] = (
        {"about": "The lantern moves to the right and a little down.", "image": "lantern", "motion": "swing"},
        {
            "about": "The camera slides along the bench; the cord is nearer, and faster.",
            "image": "final",
            "motion": "pan",
            "depth": "depth",
        },
    )

    kind: Literal["motion_blur"] = "motion_blur"
    image: Annotated[str, Port(doc="picture", alpha=("premultiplied", "none"), linear=True)]
    motion: Annotated[str, Port((Motion,), doc="how far each pixel moves, in pixels per frame")]
    depth: Annotated[str | None, Port((Depth,), doc="distance from the camera, to know what is in front")] = None
    shutter: Annotated[
        float,
        Number(
            "how long a frame is exposed: 360 is all of it, 0 is no motion blur", unit="degrees", low=0, high=720
        ),
    ] = 180.0
    shutter_centre: Annotated[
        float, Number("middle of the exposure, in frames from the number of the frame", low=-2, high=2)
    ] = 0.0
    largest_length: Annotated[
        float, Number("motion per frame is held to this length", unit="px", low=0, high=2000)
    ] = 200.0
    vertical: Annotated[
        Literal["down", "up"],
        Field(description="Where positive dy points; many renderers write motion that points up."),
    ] = "down"

    @property
    def _exposure(self) -> tuple[float, float]:
        """Begin and end, in frames from the number of the frame."""
        half = self.shutter / 720
        return self.shutter_centre - half, self.shutter_centre + half

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        from stackcomp.kernels.motion_blur import reach

        return domains["image"].grow(reach(self.largest_length, *self._exposure))

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        from stackcomp.kernels.motion_blur import margin

        around = wanted.grow(margin(self.largest_length, *self._exposure))
        # What goes on beyond the pixels that there are is copied where something moves, and not elsewhere.
        return {port: reachable(around, domains[port]) for port in ("image", "motion", "depth") if port in domains}

    def kernels(self) -> Sequence[str]:
        return ("motion_blur",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.motion_blur import margin, motion_blur

        box, longest = self._moving(wanted, images["motion"], job)
        still = beyond_frame(images["image"], wanted, job.domains["image"]).over(wanted)
        largest = min(self.largest_length, longest)
        around = margin(largest, *self._exposure)
        # Without reach nothing is blurred, but what is too long is looked for.
        region = wanted & box.grow(around) if around else wanted
        if region.empty or not (around or longest > self.largest_length):
            return replace(still, planes={name: still[name] for name in type.planes}, type=type)
        seen = region.grow(around)
        read = {port: beyond_frame(image, seen, job.domains[port]).over(seen) for port, image in images.items()}
        picture, motion = read["image"], read["motion"]
        alpha = coverage_of(picture, job.domains["image"])
        dx, dy = motion["dx"], motion["dy"]
        if self.vertical == "up":
            dy = np.negative(dy)
        depth = read["depth"]["Z"] if "depth" in read else None
        planes, found = motion_blur(
            [*(picture[name] for name in "RGB"), alpha], (dx, dy), depth, *self._exposure, largest
        )
        if found.length > self.largest_length * (1 + 1e-6):
            # Lengths and places as in the full-size frame.
            x, y = picture.window.x0 + found.column, picture.window.y0 + found.row
            job.warn(
                f"frame {job.frame}: motion of {found.length / job.scale:.4g} px per frame at "
                f"({x / job.scale:.0f}, {y / job.scale:.0f}) is held to {self.largest_length / job.scale:g} px "
                "(largest_length)"
            )
        named: dict[str, Plane] = dict(zip("RGBA", planes, strict=True))
        if region != wanted:
            for name in type.planes:
                whole = still[name].copy()
                whole[region.slices_in(wanted)] = named[name]
                named[name] = whole
        return replace(picture, planes={name: named[name] for name in type.planes}, window=wanted, type=type)

    def _moving(self, wanted: Window, motion: Image, job: Job) -> tuple[Window, float]:
        """The window outside of which all is still, and a length that no motion in it exceeds."""
        from stackcomp.kernels.motion_blur import margin
        from stackcomp.kernels.motion_extent import moving

        begin, end = self._exposure
        found = moving(motion["dx"], motion["dy"], max(abs(begin), abs(end)), self.largest_length)
        there = motion.window
        x0, y0, x1, y1 = (
            there.x0 + found.left, there.y0 + found.top, there.x0 + found.right, there.y0 + found.bottom,
        )  # fmt: skip
        if x0 == x1:
            return Window(0, 0, 0, 0), found.longest
        # What moves at the edge of the frame goes on moving beyond it.
        around = wanted.grow(margin(self.largest_length, begin, end))
        beyond = goes_on(around, job.domains["motion"], motion.display)
        return Window(
            min(x0, beyond.x0) if x0 == there.x0 else x0,
            min(y0, beyond.y0) if y0 == there.y0 else y0,
            max(x1, beyond.x1) if x1 == there.x1 else x1,
            max(y1, beyond.y1) if y1 == there.y1 else y1,
        ), found.longest
