"""defocus: depth of field."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, ClassVar, Literal, NamedTuple, Self

import numpy as np
from pydantic import model_validator

from stackcomp.data.image import Image, Plane
from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import Depth, PortType
from stackcomp.data.reach import goes_on
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, Problem
from stackcomp.nodes.base import Adjustable, AreaNode, Context, Job, PageExamples, Port
from stackcomp.nodes.over_frames import frames_that_differ, value_at

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

    Either by ``depth`` and the four numbers of a thin lens, or all alike by ``radius``. Nearer discs cover
    farther ones; what is in focus is not changed. Depth and ``focus_distance`` are in metres, ``focal_length`` and
    ``gate_width`` in millimetres; a file's depth in another unit becomes metres by ``unit`` of its pick_channels
    node. Where depth is 0, negative or not finite there is no surface, and light counts as infinitely far; partly
    covered pixels without depth take it from beside them.

    A thing with nothing behind it gets the sum of its discs, colour and alpha, so that it may be laid over any
    plate. Where a near thing hides a farther one, the farther one is filled in from the pixels beside it.

    Where discs are large it is slow: time grows with the number of pixels and with the square of the radius.
    With 3840×2160 pixels all out of focus, two cores took 6 seconds at 5 pixels, 21 at 10, 63 at 20 and 288 at
    40 (measured on a hundredth of such a picture). What is in focus or empty takes almost no time.
    """

    source_of_maths: ClassVar[str] = (
        "thin lens: |S2 − S1| / S2 · f² / (N (S1 − f)); gathered scatter after Potmesil and Chakravarty, "
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

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in _LENS if getattr(self, name) is not None]
        if self.radius is not None and (given or self.depth is not None):
            other = given[0] if given else "depth"
            raise BadValueError(
                f'"radius" gives all discs one size, but "{other}" does not: give one or the other'
            )
        if self.radius is None:
            missing = [name for name in ("depth", *_LENS) if getattr(self, name) is None]
            if missing:
                raise BadValueError(
                    f"a lens needs {', '.join(('depth', *_LENS))}, and {', '.join(missing)} "
                    f'{"is" if len(missing) == 1 else "are"} missing; or give "radius" alone'
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

    @property
    def _most(self) -> float:
        return self.largest_radius if self.radius is None else self.radius

    def domain(self, domains: Mapping[str, Window], types: Mapping[str, PortType]) -> Window:
        from stackcomp.kernels.defocus import reach

        return domains["image"].grow(reach(self._most))

    def needs(self, wanted: Window, domains: Mapping[str, Window], frame: int) -> Mapping[str, Window]:
        from stackcomp.kernels.defocus import margin

        around = wanted.grow(margin(self._most))
        # Of depth one pixel more, from which partly covered pixels take theirs.
        return {"image": around, **({"depth": around.grow(1)} if "depth" in domains else {})}

    def kernels(self) -> Sequence[str]:
        return ("defocus",)

    def compute(self, wanted: Window, images: Mapping[str, Image], job: Job, type: PortType) -> Image:
        from stackcomp.kernels.defocus import defocus

        picture = images["image"]
        alpha = picture["A"] if "A" in picture else self._coverage(picture, job)
        if self.radius is None:
            spread, extent = self._spread(images["depth"], alpha)
            if extent.radius > self._most + 0.5:
                job.warn(
                    f"discs of up to {extent.radius:.0f} px radius are held to {self._most:g} px (largest_radius)"
                )
            # A part of the picture may lie all in front of or all behind the focus.
            if job.domains.get("image", picture.window) in picture.window:
                self._judge_focus(extent, job)
        else:
            spread = np.full(picture.window.shape, self.radius, np.float32)
        spread_planes = defocus([*(picture[name] for name in "RGB"), alpha], spread, self._most)
        named: dict[str, Plane] = dict(zip("RGBA", spread_planes, strict=True))
        return replace(picture, planes={name: named[name] for name in type.planes}, window=wanted, type=type)

    def _coverage(self, picture: Image, job: Job) -> Plane:
        """The alpha of a picture without alpha: 1 where it has pixels."""
        window = picture.window
        inner = window & goes_on(window, job.domains.get("image", window), picture.display)
        coverage = np.zeros(window.shape, np.float32)
        if not inner.empty:
            coverage[inner.slices_in(window)] = 1
        return coverage

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

    def _spread(self, depth: Image, alpha: Plane) -> tuple[Plane, _Extent]:
        """Radius of each pixel's disc, and what is seen where something covers."""
        from stackcomp.kernels.lens import axial_depth, edge_depth, spread_radius
        from stackcomp.kernels.strips import over_strips

        assert isinstance(depth.type, Depth)
        along_rays = depth.type.along == "ray"
        lens: dict[str, Any] = {
            "focus_m": self.focus_distance,
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
        radii, nears, fars = zip(*extents, strict=True) if extents else ((0.0,), (np.inf,), (0.0,))
        return result, _Extent(max(radii), min(nears), max(fars))


def _values(number: float | Keyed | None) -> Iterator[tuple[float, str]]:
    """The values of a number, with the frame of each in words where there are several."""
    if isinstance(number, Keyed):
        for frame, value in zip(number.frames, number.values, strict=True):
            assert isinstance(value, float)
            yield value, f" at frame {frame:g}"
    elif number is not None:
        yield number, ""
