"""stroke_matte: strokes of a round brush, keyed over frames, as a matte or painted on one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, model_validator

from stackcomp.data.image import Image
from stackcomp.data.port_types import Layers, Matte, PortType
from stackcomp.data.shapes import Stroke
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.files.file_state import FileState
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.base import AreaNode, Context, Job, PageExamples, Port, Sized
from stackcomp.nodes.exposed import Exposed, mapped
from stackcomp.nodes.following import Following
from stackcomp.nodes.shape_findings import stroke_findings

__all__ = ["StrokeMatte"]


class StrokeMatte(Exposed, Following, Sized, AreaNode):
    """Draws strokes of a round brush as a matte, or paints them on one.

    A stroke goes straight from point to point, or in a curve where points have tangents. Each point has a radius
    and a softness: the share of the radius over which coverage rises smoothly, from 0 at the border; both change
    evenly from point to point. A single point is a dot. Where a stroke comes near itself the larger coverage
    counts.

    Strokes add to what is there or take away from it, in order, as crossing edges of `join_mattes`. Points are in
    pixels, as in homographies: (0, 0) is the top-left corner of a frame that begins there. Between keys they go
    smooth ways, or straight ones. A homography or a track moves what was drawn for ``still_frame``.
    """

    source_of_maths: ClassVar[str] = (
        "area of a pixel in a half-plane, elementary geometry; "
        "keys: Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980"
    )
    spreads: ClassVar[bool] = True
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "A soft stroke that gets narrower, and a hard one that takes away.",
            "like": "final",
            "strokes": [
                {
                    "softness": 0.8,
                    "points": [
                        {"at": [50, 130], "out": [40, -90], "radius": 26},
                        {"at": [180, 90], "in": [-40, -40], "out": [30, 30], "radius": 18},
                        {"at": [270, 50], "in": [-30, 20], "radius": 5},
                    ],
                },
                {"mode": "subtract", "radius": 4, "points": [[60, 60], [150, 140], [250, 120]]},
            ],
        },
        {
            "about": "A gap in the cord's matte, painted.",
            "matte": "cord",
            "strokes": [{"mode": "subtract", "radius": 14, "softness": 0.5, "points": [[168, 60], [162, 95]]}],
        },
    )

    kind: Literal["stroke_matte"] = "stroke_matte"
    matte: Annotated[
        str | None,
        Port((Matte,), doc="matte to paint on; nothing is there when it is left open", beyond="nothing"),
    ] = None
    strokes: Annotated[tuple[Stroke, ...], Field(description="The strokes, in order.")]

    _when: tuple[float, float] = PrivateAttr((0.0, 1.0))
    _made: list[Any] = PrivateAttr(default_factory=list)

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        given = [name for name in ("matte", "like", "size") if getattr(self, name) is not None]
        if len(given) != 1:
            has = "has none of" if not given else f'has "{given[0]}" and "{given[1]}", and needs one of'
            raise BadValueError(
                f'{has} "matte", "like" and "size"',
                'give the matte to paint on, or "size": [width, height], or "like": a node',
            )
        if self.size is not None and not all(1 <= side <= 65536 for side in self.size):
            raise BadValueError(
                f"has a size of {self.size[0]}×{self.size[1]}", "give 1 to 65536 pixels for each side"
            )
        return self

    @model_validator(mode="after")
    def _has_strokes(self) -> Self:
        if not self.strokes:
            raise BadValueError('has no stroke in "strokes"', 'write {"points": [[x, y], …], "radius": 5}')
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        node = super().at(frame, scale)
        begin, end = self.exposure(frame)
        strokes = tuple(stroke.reaching(begin, end) for stroke in self.strokes)
        node = node.model_copy(update={"strokes": strokes})
        node._when, node._made = (frame, scale), []
        return node

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        node = super().with_files(frame, scale, context, opened).model_copy()
        node._made = []
        return node

    @property
    def still(self) -> bool:
        return super().still and all(stroke.still for stroke in self.strokes)

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        if self.matte is None and self.strokes[0].mode == "subtract":
            yield Problem(
                "shapes-nothing",
                "the first stroke is there to subtract, but nothing is there before it",
                "begin with a stroke that adds, or give the matte to paint on",
                field="strokes",
                severity="warning",
            )
        frames = context.frames or (context.frame,)
        reach = (self.exposure(frames[0])[0], self.exposure(frames[-1])[1])
        moves = self.homography is not None or self.track is not None
        yield from stroke_findings(self.strokes, self.frame_window(windows, context), reach, moves)

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return displays["matte"] if self.matte is not None else self.sized_window(displays)

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        window: Window = self._picture().window
        return window | domains["matte"] if self.matte is not None else window

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        if self.matte is not None:
            return {"matte": wanted}
        # No pixel of it, but its frame.
        return {"like": Window(0, 0, 0, 0)} if self.like is not None else {}

    def kernels(self) -> tuple[str, ...]:
        return ("strokes",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        below = images["matte"]["A"] if "matte" in images else np.zeros(wanted.shape, np.float32)
        return Image({"A": self._picture().painted(below, wanted)}, wanted, self._display(images), type)

    def _display(self, images: Mapping[str, Image]) -> Window:
        """The frame at the scale of the render."""
        if self.size is not None:
            return Window.of_size(*self.size).scaled(self._when[1])
        (image,) = images.values()
        # Layers of a file stay at full size until planes are taken from them.
        return image.display.scaled(self._when[1]) if isinstance(image.type, Layers) else image.display

    def _picture(self) -> Any:
        """The strokes, ready to be painted."""
        from stackcomp.kernels.stroke_picture import DrawnStroke, prepare

        if not self._made:
            frame, scale = self._when
            base = np.diag([scale, scale, 1.0])

            def matrix(time: float) -> Array:
                moved: Array = self.followed_at(time) @ base
                return moved

            def places(time: float) -> Array:
                return mapped(
                    np.concatenate([stroke.points.at([time])[0] for stroke in self.strokes]), matrix(time)
                )

            times = self.instants(frame, places)
            points = [stroke.points.at(times) for stroke in self.strokes]
            steps = [
                (
                    [
                        DrawnStroke(own[k], stroke.mode == "add", stroke.opacity_at(time))
                        for stroke, own in zip(self.strokes, points, strict=True)
                    ],
                    matrix(time),
                )
                for k, time in enumerate(times)
            ]
            self._made.append(prepare(steps))
        return self._made[0]
