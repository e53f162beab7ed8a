"""defocus: depth of field."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, NamedTuple, Self

import numpy as np
from pydantic import Field, field_validator, model_validator

from stackcomp.data.beyond import coverage_of
from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Depth, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.kernels.mixed_depth import AROUND
from stackcomp.nodes.base import Adjustable, AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.focus_point import around_point, distance_at
from stackcomp.nodes.over_frames import frames_that_differ, value_at

if TYPE_CHECKING:
    from stackcomp.kernels.aperture import Aperture

_LENS = ("focal_length", "f_number", "focus_distance", "gate_width")
# A lens shorter or a focus farther than these speaks for a wrong unit; so does a focus this many times nearer or
# farther than all that the depth picture holds. Common practice, no source.
_SHORTEST_MM, _FARTHEST_M, _TIMES = 1.0, 200.0, 10.0


class _Extent(NamedTuple):
    """Of what is covered in a strip: the largest radius in pixels, the nearest and the farthest distance."""

    radius: float
    near: float
    far: float


class Defocus(Adjustable, AreaNode):
    """Spreads every pixel's light over the disc that a lens makes of it.

    Either by ``depth`` and the numbers of a thin lens, or all alike by ``radius``. Nearer discs cover farther
    ones; what is in focus is not changed. Depth and ``focus_distance`` are in metres, ``focal_length`` and
    ``gate_width`` in millimetres; a file's depth in another unit becomes metres by ``unit`` of its pick_channels
    node. ``focus_at`` takes the distance in focus from a point of the depth picture instead: the middle one of
    nine pixels. Where depth is 0, negative or not finite there is no surface, and light counts as infinitely far;
    partly covered pixels without depth take it from beside them. Where depth was filtered like colour, pixels on
    edges have a distance at which nothing stands: they take that of the surface in front.

    A thing with nothing behind it gets the sum of its discs, colour and alpha, so that it may be laid over any
    plate. Where a near thing hides a farther one, the farther one is filled in from the pixels beside it.

    Discs have the shape of the aperture: round, or a polygon of ``blades``, more or less round, with a corner at
    the top that ``blade_rotation`` turns clockwise. It is seen upright behind the focus and turned by 180° in
    front of it. Whatever its shape, its area is that of the round aperture of the same f-number: ``radius`` is
    that of the round disc. ``anamorphic`` is the height of discs over their width. ``cat_eye`` cuts discs towards
    the corners of the frame as a lens barrel does, by a circle as large as the one around the aperture; cut discs
    keep their light, since what is in focus is not darkened either.

    ``"fast"`` takes a time that hardly grows with the radius: with 3840×2160 pixels all out of focus, two cores
    took 1 second, at 8 pixels as at 32, and 10 seconds where distances were nothing but noise. ``"exact"`` looks
    at every disc pixel by pixel, took 14 seconds at 8 pixels and 95 at 32, and is there to compare with. Held
    against path-traced scenes, both differ from them by 0.4 to 8 %, and from each other by 0.1 % in the error.
    What is in focus or empty takes almost no time.
    """

    source_of_maths: ClassVar[str] = (
        "thin lens: |S2 − S1| / S2 · f² / (N (S1 − f)); scattered discs after Potmesil and Chakravarty, "
        "A Lens and Aperture Camera Model for Synthetic Image Generation, 1981"
    )
    page_examples: ClassVar[PageExamples] = (
        {
            "about": "The lens is focused on the lantern; wall and cord blur.",
            "image": "final",
            "depth": "depth",
            "focal_length": 85,
            "f_number": 1.4,
            "focus_distance": 1.5,
            "gate_width": 36,
        },
        {"about": "All alike, by a radius.", "image": "final", "radius": 5},
        {
            "about": "The focus lies on what is seen at a point, and the aperture has five blades.",
            "image": "final",
            "depth": "depth",
            "focal_length": 85,
            "f_number": 1.4,
            "focus_at": [40, 40],
            "gate_width": 36,
            "blades": 5,
            "roundness": 0.2,
        },
    )

    kind: Literal["defocus"] = "defocus"
    image: Annotated[str, Port(doc="picture", alpha=("premultiplied", "none"), linear=True)]
    depth: Annotated[str | None, Port((Depth,), doc="distance from the camera in metres")] = None
    focal_length: Annotated[float | None, Number("focal length of the lens", unit="mm", above=0)] = None
    f_number: Annotated[float | None, Number("focal length over the aperture's diameter", above=0)] = None
    focus_distance: Annotated[float | None, Number("distance that is in focus", unit="m", above=0)] = None
    gate_width: Annotated[
        float | None, Number("width of the sensor's part that the frame shows", unit="mm", above=0)
    ] = None
    radius: Annotated[
        float | None, Number("radius of every disc, instead of a lens", unit="px", low=0, high=500)
    ] = None
    largest_radius: Annotated[float, Number("discs are held to this radius", unit="px", low=0, high=500)] = 40.0
    focus_at: Annotated[
        tuple[float, float] | None,
        Number(
            "point of the depth picture whose distance is in focus, instead of focus_distance",
            unit="px",
            size=2,
            low=-1e5,
            high=1e5,
        ),
    ] = None
    blades: Annotated[int, Field(ge=0, le=32, description="Corners of the aperture, from 3; 0 is round.")] = 0
    blade_rotation: Annotated[
        float, Number("angle of the aperture, clockwise; at 0 a corner is at the top", unit="degrees")
    ] = 0.0
    roundness: Annotated[
        float, Number("how round the blades are: 0 is a polygon, 1 the circle through its corners", low=0, high=1)
    ] = 0.0
    anamorphic: Annotated[float, Number("height of a disc over its width", low=0.25, high=4)] = 1.0
    cat_eye: Annotated[
        float,
        Number(
            "how much the lens barrel cuts discs in the corners of the frame, in radii of the aperture",
            low=0,
            high=1,
        ),
    ] = 0.0
    quality: Annotated[
        Literal["fast", "exact"], Field(description="How discs are added up: exact is slow, to compare with.")
    ] = "fast"

    @field_validator("blades")
    @classmethod
    def _some_blades(cls, blades: int) -> int:
        if 0 < blades < 3:
            raise BadValueError(f"is {blades}, which makes no opening", "give 3 or more, or 0 for a round one")
        return blades

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in (*_LENS, "focus_at") if getattr(self, name) is not None]
        if self.radius is not None and (given or self.depth is not None):
            other = given[0] if given else "depth"
            raise BadValueError(
                f'"radius" gives all discs one size, but "{other}" does not: give one or the other'
            )
        if self.focus_at is not None and self.focus_distance is not None:
            raise BadValueError('"focus_distance" and "focus_at" both say what is in focus: give one of them')
        if self.radius is None:
            known = {"focus_distance"} if self.focus_at is not None else set()
            missing = [name for name in ("depth", *_LENS) if getattr(self, name) is None and name not in known]
            if missing:
                raise BadValueError(
                    f"a lens needs {', '.join(('depth', *_LENS))}, and {', '.join(missing)} "
                    f'{"is" if len(missing) == 1 else "are"} missing; or give "radius" alone'
                    + ('; "focus_at" may take the place of "focus_distance"' * ("focus_distance" in missing))
                )
        focal, focus = self.focal_length, self.focus_distance
        plain = not isinstance(focal, Keyed) and not isinstance(focus, Keyed)
        if plain and focal is not None and focus is not None and focus * 1000 <= focal:
            raise BadValueError(f"a lens of {focal:g} mm cannot focus at {focus:g} m, within its focal length")
        return self

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        for value, at in _values(self.focal_length):
            if value < _SHORTEST_MM:
                yield Problem(
                    "unit",
                    f'"focal_length" is {value:g} mm{at}, shorter than any camera\'s lens',
                    f"focal lengths are in millimetres; if this one was in metres, write {value * 1000:g}",
                    field="focal_length",
                    severity="warning",
                )
                break
        for value, at in _values(self.focus_distance):
            if value > _FARTHEST_M:
                yield Problem(
                    "unit",
                    f'"focus_distance" is {value:g} m{at}, farther than lenses are set to',
                    f"distances are in metres; if this one was in millimetres, write {value / 1000:g}",
                    field="focus_distance",
                    severity="warning",
                )
                break
        yield from self._focus_within_focal_length(context)
        yield from self._point_within_frame(windows, context)

    def _focus_within_focal_length(self, context: Context) -> Iterator[Problem]:
        """One finding where keyed numbers bring the focus nearer than any lens can."""
        if self.focal_length is None or self.focus_distance is None:
            return
        for frame in frames_that_differ(context, self.focal_length, self.focus_distance):
            focal, focus = value_at(self.focal_length, frame), value_at(self.focus_distance, frame)
            assert isinstance(focal, float)
            assert isinstance(focus, float)
            if focus * 1000 <= focal:
                yield Problem(
                    "lens-focus",
                    f"frame {frame}: a lens of {focal:g} mm cannot focus at {focus:g} m, within its focal length",
                    "set focus_distance in metres and focal_length in millimetres",
                    field="focus_distance",
                )
                return

    def _point_within_frame(self, windows: Mapping[str, Window], context: Context) -> Iterator[Problem]:
        """One finding where the point in focus lies outside of the frame."""
        if self.focus_at is None or "depth" not in windows:
            return
        frame_window = windows["depth"]
        for frame in frames_that_differ(context, self.focus_at):
            point = value_at(self.focus_at, frame)
            assert isinstance(point, tuple)
            if (around_point(point).grow(-1) & frame_window).empty:
                yield Problem(
                    "lens-focus",
                    f"frame {frame}: focus_at is [{point[0]:g}, {point[1]:g}], outside of {frame_window}",
                    "give a point in pixels of the full-size frame, to the right and down",
                    field="focus_at",
                )
                return

    @property
    def _aperture(self) -> Aperture:
        from stackcomp.kernels.aperture import Aperture

        return Aperture(self.blades, self.blade_rotation, self.roundness, self.anamorphic, self.cat_eye)

    @property
    def _most(self) -> float:
        return self.largest_radius if self.radius is None else self.radius

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        from stackcomp.kernels.defocus_fast import fast_reach

        return domains["image"].grow(fast_reach(self._most, self._aperture))

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        if "depth" not in domains:
            return {"image": wanted.grow(self._margin)}
        around = wanted.grow(self._margin + AROUND)
        # Of depth one pixel more, from which partly covered pixels take theirs; and what is in focus.
        depth = around.grow(1)
        return {"image": around, "depth": depth | around_point(self.focus_at) if self.focus_at else depth}

    @property
    def _margin(self) -> int:
        """Number of pixels that are read around each."""
        from stackcomp.kernels.defocus import margin
        from stackcomp.kernels.defocus_fast import fast_margin

        if self.quality == "exact":
            return max(margin(self._most), fast_margin(self._most, self._aperture))
        return fast_margin(self._most, self._aperture)

    def kernels(self) -> Sequence[str]:
        return ("defocus",) if self.quality == "fast" else ("defocus_exact",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        picture = images["image"]
        alpha = coverage_of(picture, job.domains.get("image", picture.window))
        if self.radius is None:
            focus = self._focus(images["depth"])
            depth = images["depth"].over(picture.window.grow(1))
            spread, extent = self._spread(depth, alpha, focus)
            if extent.radius > self._most + 0.5:
                job.warn(
                    f"discs of up to {extent.radius:.0f} px radius are held to {self._most:g} px (largest_radius)"
                )
            # A part of the picture may lie all in front of or all behind the focus.
            if self.focus_at is None and job.domains.get("image", picture.window) in picture.window:
                self._judge_focus(extent, job)
        else:
            spread = np.full(picture.window.shape, self.radius, np.float32)
        blurred = self._blurred([*(picture[name] for name in "RGB"), alpha], spread, picture)
        named: dict[str, Plane] = dict(zip("RGBA", blurred, strict=True))
        return replace(picture, planes={name: named[name] for name in type.planes}, window=wanted, type=type)

    def _blurred(self, planes: list[Plane], spread: Plane, picture: Image) -> tuple[Plane, Plane, Plane, Plane]:
        """Spread light over discs, by the way that is asked for."""
        from stackcomp.kernels.aperture import ROUND
        from stackcomp.kernels.defocus import defocus, margin
        from stackcomp.kernels.defocus_fast import defocus_fast

        window, frame, aperture = picture.window, picture.display, self._aperture
        around = self._margin + (AROUND if self.radius is None else 0)
        if self.quality == "exact" and aperture == ROUND:
            more = around - margin(self._most)
            inner = slice(more, spread.shape[0] - more), slice(more, spread.shape[1] - more)
            return defocus([plane[inner] for plane in planes], np.ascontiguousarray(spread[inner]), self._most)
        field = None
        if aperture.cat_eye:
            half = 0.5 * math.hypot(frame.width, frame.height)
            down = (np.arange(window.y0, window.y1) + 0.5 - (frame.y0 + frame.y1) / 2) / half
            right = (np.arange(window.x0, window.x1) + 0.5 - (frame.x0 + frame.x1) / 2) / half
            field = down, right
        return defocus_fast(
            planes,
            spread,
            self._most,
            around=around,
            origin=(-window.y0, -window.x0),
            aperture=aperture,
            field=field,
            exact=self.quality == "exact",
        )

    def _focus(self, depth: Image) -> float:
        """The distance in focus in metres."""
        if self.focus_at is None:
            assert self.focus_distance is not None
            return self.focus_distance
        assert self.depth is not None
        assert self.focal_length is not None
        assert self.gate_width is not None
        return distance_at(depth, self.focus_at, self.depth, self.focal_length, self.gate_width)

    def _judge_focus(self, extent: _Extent, job: Job) -> None:
        """Warn where the focus is far from all that there is."""
        focus = self.focus_distance
        assert focus is not None
        if extent.near / _TIMES <= focus <= extent.far * _TIMES or extent.far == 0:
            return
        near, far = f"{extent.near:.4g}", f"{extent.far:.4g}"
        job.warn(
            f'focus_distance is {focus:.10g} m, but the depth picture "{self.depth}" holds '
            f"{near if near == far else f'{near} to {far}'} m: if the file's depth is in another unit, say which "
            'by "unit" at the pick_channels node that makes it ("mm", "cm", "ft", or metres per unit)'
        )

    def _spread(self, depth: Image, alpha: Plane, focus: float) -> tuple[Plane, _Extent]:
        """Radius of each pixel's disc, and what is seen where something covers."""
        from stackcomp.kernels.lens import axial_depth, edge_depth, spread_radius
        from stackcomp.kernels.mixed_depth import settle_mixed
        from stackcomp.kernels.strips import over_strips

        assert isinstance(depth.type, Depth)
        along_rays = depth.type.along == "ray"
        lens: dict[str, Any] = {
            "focus_m": focus,
            "focal_mm": self.focal_length,
            "f_number": self.f_number,
            "gate_mm": self.gate_width,
            "frame_px": depth.display.width,
        }
        inner = depth.window.grow(-1)
        result = np.empty(alpha.shape, np.float32)
        extents: list[_Extent] = []

        def rows(first: int, last: int) -> None:
            covered = alpha[first:last]
            # Only the depth of neighbours is looked at, so what covers them does not matter.
            distance = edge_depth(depth["Z"][first : last + 2], np.pad(covered, 1))[1:-1, 1:-1]
            if along_rays:
                window = Window(inner.x0, inner.y0 + first, inner.x1, inner.y0 + last)
                distance = axial_depth(distance, window, depth.display, lens["focal_mm"], lens["gate_mm"])
            result[first:last] = spread_radius(distance, **lens)
            there = (covered > 0) & (distance > 0) & np.isfinite(distance)
            extents.append(
                _Extent(
                    float(np.abs(result[first:last]).max(initial=0, where=covered > 0)),
                    float(distance.min(initial=np.inf, where=there)),
                    float(distance.max(initial=0, where=there)),
                )
            )

        over_strips(rows, alpha.shape[0])
        np.clip(result, -self.largest_radius, self.largest_radius, out=result)
        spread = np.empty_like(result)
        over_strips(lambda *rows: settle_mixed(result, alpha, spread, *rows), alpha.shape[0])
        radii, nears, fars = zip(*extents, strict=True) if extents else ((0.0,), (np.inf,), (0.0,))
        return spread, _Extent(max(radii), min(nears), max(fars))


def _values(number: float | Keyed | None) -> Iterator[tuple[float, str]]:
    """The values of a number, with the frame of each in words where there are several."""
    if isinstance(number, Keyed):
        for frame, value in zip(number.frames, number.values, strict=True):
            assert isinstance(value, float)
            yield value, f" at frame {frame:g}"
    elif number is not None:
        yield number, ""
