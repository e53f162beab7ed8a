"""shape_matte: closed curves, keyed over frames, as a matte."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, model_validator

from stackcomp.data.image import Image
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Matte, PortType
from stackcomp.data.shapes import Shape, ShapesOrPath
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem
from stackcomp.files.file_state import FileState
from stackcomp.files.paths import FramePath, resolve
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.base import Context, Job, PageExamples, Sized, SourceNode
from stackcomp.nodes.drawn_shapes import Drawing, drawing_of
from stackcomp.nodes.exposed import Exposed, mapped
from stackcomp.nodes.following import Following
from stackcomp.nodes.shape_findings import shape_findings

__all__ = ["ShapeMatte"]


class ShapeMatte(Exposed, Following, Sized, SourceNode):
    """Draws closed curves of cubic Béziers as a matte, exactly by area, with a feather for each point.

    Shapes stand in the graph, in a file of shapes, or in an SVG file: then all paths and basic shapes that it
    shows, whatever their colour, or those in ``only``. Each adds to the shapes before it, takes away from them, or
    leaves only what it covers; edges that cross count as in `join_mattes`.

    A shape covers a pixel by the share of its area that lies inside of the curve. Where the curve overlaps itself,
    ``rule`` says what is inside, within pixels too: ``nonzero`` all that it winds around, ``evenodd`` what it
    winds around an odd number of times. A curve without area covers nothing; where it has a feather, that is all
    there is of it.

    The feather of a point is its width outward and inward, in pixels; along the curve widths change evenly from
    point to point. Outside of the curve coverage falls off smoothly to 0, inside it rises to 1; of all points of
    the curve the one that reaches farthest counts. Where the width is 0 the edge is as exact as without a feather.
    Where two sides of a shape are nearer to each other than the inward width of one of them, and their widths
    differ, coverage may change in a step at the narrower side.

    Points are in pixels, as in homographies: (0, 0) is the top-left corner of a frame that begins there. A file
    of shapes that was drawn for another size is scaled to the width of the frame; an SVG file is fitted into the
    frame by its ``viewBox``. Between keys points go smooth ways, or straight ones; all keys have the same
    points. A homography or a track moves what was drawn for ``still_frame``. Pixels beyond the frame are
    computed up to a quarter of its longer side.
    """

    source_of_maths: ClassVar[str] = (
        "coverage: Green's theorem, and Bentley and Ottmann, Algorithms for Reporting and Counting Geometric "
        "Intersections, 1979; keys: Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980; SVG 2 (W3C); "
        "feather: common practice, no source"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "A shape around the lantern, feathered outward on its right, with a hole.",
            "like": "final",
            "shapes": [
                {
                    "points": [
                        [110, 60, -12, 0, 12, 0, 0, 0],
                        [196, 62, -20, -10, 20, 10, 30, 0],
                        [200, 140, 14, -20, -14, 20, 30, 0],
                        [112, 150, 20, 0, -20, 0, 0, 0],
                    ]
                },
                {"mode": "subtract", "points": [[130, 80], [176, 84], [174, 118], [132, 122]]},
            ],
        },
        {
            "about": "A shape that moves while the shutter is open.",
            "like": "final",
            "shutter": 180,
            "shapes": [
                {
                    "points": {
                        "keys": [
                            [1000, [[60, 50], [130, 50], [130, 120], [60, 120]]],
                            [1002, [[190, 70], [260, 70], [260, 140], [190, 140]]],
                        ]
                    }
                }
            ],
        },
    )

    kind: Literal["shape_matte"] = "shape_matte"
    shapes: Annotated[
        tuple[Shape, ...] | str,
        ShapesOrPath(),
        Field(
            description="The shapes in order; or a file of shapes, or an SVG file, one for all frames or with "
            "{frame:04d} one a frame."
        ),
    ]
    only: Annotated[
        tuple[str, ...] | None,
        Field(
            description="Names of shapes to draw, or ids of shapes and groups of an SVG file; all when left out."
        ),
    ] = None
    feather: Annotated[
        tuple[float, float],
        Number("added to the feather of all points: outward, inward", unit="px", low=0, high=1000, size=2),
    ] = (0.0, 0.0)
    edges: Annotated[
        Literal["crossing", "shared"],
        Field(description="Whether edges of different shapes are unrelated, or the same edge."),
    ] = "crossing"

    _drawing: Drawing | None = PrivateAttr(None)
    _when: tuple[float, float] = PrivateAttr((0.0, 1.0))
    _made: dict[Window, Any] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _has_shapes(self) -> Self:
        if not self.shapes:
            raise BadValueError('has no shape in "shapes"', 'write {"points": [[x, y], …]}, or the path of a file')
        if isinstance(self.shapes, str):
            FramePath(self.shapes)
        if self.only is not None and not self.only:
            raise BadValueError('has no name in "only"', "name shapes, or leave it out to draw all")
        if isinstance(self.shapes, tuple):
            drawing_of(self.shapes, self.only)
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        node = super().at(frame, scale)
        if isinstance(self.shapes, str) or all(shape.still for shape in self.shapes):
            return node
        # Keys that the frame does not depend on are dropped, so that they change nothing.
        begin, end = self.exposure(frame)
        return node.model_copy(update={"shapes": tuple(shape.reaching(begin, end) for shape in self.shapes)})

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        node = super().with_files(frame, scale, context, opened).model_copy()
        node._drawing = self._drawn(round(frame), context.root, opened)
        node._when, node._made = (frame, scale), {}
        return node

    @property
    def still(self) -> bool:
        if isinstance(self.shapes, tuple):
            return super().still and all(shape.still for shape in self.shapes)
        return super().still and self.shapes.lower().endswith(".svg") and not FramePath(self.shapes).has_frame

    def files(self, frame: int, root: Path) -> list[Path]:
        own = [resolve(root, self.shapes, frame)] if isinstance(self.shapes, str) else []
        return [*super().files(frame, root), *own]

    def kernels(self) -> Sequence[str]:
        return ("shapes",)

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        several = isinstance(self.shapes, str) and FramePath(self.shapes).has_frame
        frames = context.frames or (context.frame,)
        drawings = []
        for frame in frames if several else frames[:1]:
            try:
                drawings.append(self._drawn(frame, context.root, None))
            except FileError as error:
                yield Problem("shapes-file", f"{error.path}: {error.reason}", error.way_out, field="shapes")
                return
            except BadValueError as error:
                where = f"{resolve(context.root, str(self.shapes), frame)}: "
                yield Problem("shapes-unknown", f"{where}{error.message}", error.way_out, field="only")
                return
        moves = self.homography is not None or self.track is not None
        reach = (self.exposure(frames[0])[0], self.exposure(frames[-1])[1])
        widths = self.feather.values if isinstance(self.feather, Keyed) else (self.feather,)
        widest = float(np.max(np.asarray(widths, np.float64)))
        yield from shape_findings(drawings, self.frame_window(windows, context), reach, moves, widest)

    def result(self, types: Mapping[str, PortType], context: Context) -> PortType:
        return Matte()

    def frame_window(self, displays: Mapping[str, Window], context: Context) -> Window:
        return self.sized_window(displays)

    def source_domain(self, job: Job, display: Window) -> Window:
        window: Window = self._picture(display).window
        return window

    def produce(self, wanted: Window, display: Window, type: PortType, job: Job) -> Image:
        return Image({"A": self._picture(display).painted(wanted)}, wanted, display, type)

    def _drawn(self, frame: int, root: Path, opened: dict[Path, FileState] | None) -> Drawing:
        shapes = resolve(root, self.shapes, frame) if isinstance(self.shapes, str) else self.shapes
        return drawing_of(shapes, self.only, opened)

    def _picture(self, display: Window) -> Any:
        """The shapes, ready to be painted into a frame of this size."""
        from stackcomp.kernels.curve_picture import prepare

        if display not in self._made:
            assert self._drawing is not None, "shapes are read by with_files"
            frame, scale = self._when
            full = (display.x0 / scale, display.y0 / scale, display.width / scale, display.height / scale)
            base = np.diag([scale, scale, 1.0]) @ self._drawing.to_frame(*full)
            # A width in pixels of the render is one of the drawing before it is mapped.
            feather = np.array(self.feather) / np.sqrt(abs(np.linalg.det(base[:2, :2])))

            def matrix(time: float) -> Array:
                moved: Array = self.followed_at(time) @ base
                return moved

            def places(time: float) -> Array:
                assert self._drawing is not None
                points = np.concatenate([shape.points for shape in self._drawing.at([time], feather)[0]])
                return mapped(points, matrix(time))

            times = self.instants(frame, places)
            shapes = self._drawing.at(times, feather)
            steps = [(some, matrix(time)) for some, time in zip(shapes, times, strict=True)]
            within = display.grow(max(display.width, display.height) // 4)
            self._made[display] = prepare(steps, within, shared=self.edges == "shared")
        return self._made[display]
