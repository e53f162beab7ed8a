"""Where a picture is placed: what `place` and `clean_patch` share.

Beside the ways of `Following`, a still can be placed through cameras: that of the frame that it was taken in, and
that of the frame being made. What lies between them is a plane of the world, or the depth of every pixel.

With a depth, where pixels come from is known only when they are computed: then the whole still is read, whatever
part of the result is wanted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, ClassVar, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, field_validator, model_validator

from stackcomp.data.image import Image
from stackcomp.data.numbers import Number
from stackcomp.data.port_types import Depth, PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem
from stackcomp.files.camera_file import camera_at, gate_problem, read_camera
from stackcomp.files.file_state import FileState
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.pinhole import Camera
from stackcomp.nodes.base import Context, Port
from stackcomp.nodes.following import Following
from stackcomp.nodes.through_cameras import View, meeting, places_by_depth, plane_between

__all__ = ["Placing", "Plane"]

_Triple = tuple[float, float, float]


class Plane(BaseModel):
    """A plane of the world."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    point: Annotated[_Triple, Field(description="any point of it, in metres")]
    normal: Annotated[_Triple, Field(description="its direction, of any length, on either side")]

    @field_validator("normal")
    @classmethod
    def _points_somewhere(cls, normal: _Triple) -> _Triple:
        if not any(normal):
            raise BadValueError(
                "is [0, 0, 0], which is no direction", "give the normal, such as [0, 0, 1] of a table's top"
            )
        return normal


class Placing(Following):
    """Mixin for kinds that place a picture: by all that `Following` does, and through cameras."""

    ways: ClassVar[tuple[str, ...]] = ("homography", "track", "camera")
    of_stills: ClassVar[tuple[str, ...]] = ("track", "camera")
    #: Ports whose pictures are placed.
    placed_ports: ClassVar[tuple[str, ...]] = ()

    camera: Annotated[
        str | None,
        Field(description="A camera file; `still_frame` says at which of its frames the still was taken."),
    ] = None
    plane: Annotated[
        Plane | None, Field(description="The plane on which the still lies, in the world of the cameras.")
    ] = None
    depth: Annotated[
        str | None,
        Port((Depth,), doc="with a camera: depth of the set in the frame being made", beyond="nothing"),
    ] = None
    still_depth: Annotated[
        str | None,
        Port(
            (Depth,),
            doc="with `depth`: what the camera saw when the still was taken; what it could not see is left out",
            any_size=True,
            beyond="nothing",
        ),
    ] = None
    tolerance: Annotated[
        float,
        Number("how far a point may lie behind what the still's camera saw there", unit="m", low=0, high=1000),
    ] = 0.02

    _cameras: tuple[Camera, Camera] | None = PrivateAttr(None)
    _views: tuple[View, View] | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _one_scene(self) -> Self:
        if "tolerance" in self.model_fields_set and self.still_depth is None:
            raise BadValueError(
                'has a "tolerance" without "still_depth"', 'feed what the still\'s camera saw to "still_depth"'
            )
        if self.camera is None:
            for name in ("plane", "depth", "still_depth"):
                if getattr(self, name) is not None:
                    raise BadValueError(f'has "{name}" without a "camera"', 'name the camera file in "camera"')
            return self
        if not self.camera.strip():
            raise BadValueError('has a "camera" without a name', "give the path of a camera file")
        if (self.plane is None) == (self.depth is None):
            both = "both" if self.plane is not None else "neither"
            raise BadValueError(
                f'has a "camera" and {both} of "plane" and "depth"',
                'give one: "plane": {"point": […], "normal": […]}, or "depth": the depth of the set',
            )
        if self.still_depth is not None and self.depth is None:
            raise BadValueError('has "still_depth" without "depth"', 'feed the depth of the set to "depth"')
        if self.still_frame is None:
            raise BadValueError(
                'has a "camera" without "still_frame"', "give the frame in which the still was taken"
            )
        return self

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        node = super().with_files(frame, scale, context, opened)
        if self.camera is None:
            return node
        assert self.still_frame is not None
        path = Path(context.root, self.camera)
        node = node.model_copy()
        node._cameras = (camera_at(path, self.still_frame, opened), camera_at(path, frame, opened))
        node._scale = scale
        return node

    def with_displays(self, displays: Mapping[str, Window], context: Context) -> Self:
        node = super().with_displays(displays, context)
        if self._cameras is None:
            return node
        node = node.model_copy()
        pictures = displays[self.placed_ports[0]], self.frame_window(displays, context)
        still, now = (View(*pair, self._scale) for pair in zip(self._cameras, pictures, strict=True))
        node._views = still, now
        return node

    @property
    def still(self) -> bool:
        return super().still and self.camera is None

    def files(self, frame: int, root: Path) -> list[Path]:
        return [*super().files(frame, root), *([] if self.camera is None else [Path(root, self.camera)])]

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        still = windows.get(self.placed_ports[0])
        if still is not None and windows.get("still_depth", still) != still:
            yield Problem(
                "resolution",
                f'the depth "{self.still_depth}" has a frame of {windows["still_depth"]}, but the still one of '
                f"{still}",
                "feed the depth that the still's camera saw, in the frame of the still",
                field="still_depth",
            )
        if self.camera is not None and still is not None:
            yield from self._look_through_cameras(still, self.frame_window(windows, context), context)

    def _look_through_cameras(self, still: Window, frame: Window, context: Context) -> Iterator[Problem]:
        """The first frame at which the cameras cannot place it."""
        assert self.camera is not None
        assert self.still_frame is not None
        path = Path(context.root, self.camera)
        try:
            file = read_camera(path)
        except FileError as error:
            yield Problem("camera-file", f"{error.path}: {error.reason}", error.way_out, field="camera")
            return
        try:
            taken = file.at(self.still_frame)
        except BadValueError as error:
            yield Problem("camera-frames", f"{path}: {error.message}", error.way_out, field="still_frame")
            return
        if self.plane is not None and (problem := _plane_unseen(taken, self.plane, still, "the still's camera")):
            yield problem
            return
        unlike = gate_problem(taken, still, "the still's camera")
        for number in context.frames or (context.frame,):
            try:
                camera = file.at(number)
            except BadValueError as error:
                yield Problem("camera-frames", f"{path}: {error.message}", error.way_out, field="camera")
                return
            seen_by = f"the camera of frame {number}"
            unlike = unlike or gate_problem(camera, frame, seen_by)
            if self.plane is not None and (problem := _plane_unseen(camera, self.plane, frame, seen_by)):
                yield problem
                return
        if unlike is not None:
            yield unlike

    # -- placing -------------------------------------------------------------------------------------------

    @property
    def by_depth(self) -> bool:
        """Whether the place of pixels is known only when they are computed."""
        return self.camera is not None and self.depth is not None

    def placing_needs(self, wanted: Window, domains: Mapping[str, Window]) -> dict[str, Window]:
        """What of the placed pictures and of the depths is read for a part of the result."""
        from stackcomp.kernels.warp_windows import source_needed

        source = domains[self.placed_ports[0]]
        part = source if self.by_depth else source_needed(self.signed(domains), source, wanted, signed=True)
        needed = {port: part for port in self.placed_ports if port in domains}
        if "depth" in domains:
            needed["depth"] = wanted.grow(1)
        if "still_depth" in domains:
            needed["still_depth"] = domains["still_depth"]
        return needed

    def transform(self) -> Array:
        """Pixels of what is placed → pixels of the result, where that is one homography."""
        return self.followed

    def signed(self, domains: Mapping[str, Window]) -> Array:
        """`transform`, with a positive third coordinate for what is seen: what cameras see, or else the middle."""
        from stackcomp.kernels.warp_windows import seen_from

        if self.camera is None:
            return seen_from(self.transform(), domains[self.placed_ports[0]])
        assert self._views is not None, "displays are told by with_displays"
        assert self.plane is not None
        return plane_between(*self._views, self.plane.point, self.plane.normal)

    def visible(self, planes: Sequence[Array], window: Window) -> list[Array]:
        """Planes of what is placed, with nothing in pixels that do not show the plane on which the still lies."""
        if self.plane is None:
            return list(planes)
        assert self._views is not None
        return meeting(planes, window, self._views[0], self.plane.point, self.plane.normal)

    def placed(
        self,
        planes: Sequence[Array],
        window: Window,
        images: Mapping[str, Image],
        wanted: Window,
        domains: Mapping[str, Window],
    ) -> list[Array]:
        """Planes in their place.

        Args:
            planes: float32 over ``window``, of what is placed.
            window: of the planes.
            images: at all ports.
            wanted: the pixels to compute.
            domains: data windows of all ports.
        """
        from stackcomp.kernels.warp import warp_planes
        from stackcomp.kernels.warp_map import warp_through

        if not self.by_depth:
            return warp_planes(self.visible(planes, window), window, self.signed(domains), wanted, signed=True)
        assert self._views is not None
        depths = images["depth"], images.get("still_depth")
        return warp_through(planes, window, places_by_depth(*self._views, *depths, self.tolerance, wanted), wanted)


def _plane_unseen(camera: Camera, plane: Plane, window: Window, which: str) -> Problem | None:
    """What is wrong where a camera sees nothing of a plane."""
    way_out = "give a plane that lies before the camera, such as one through the surface that the still lies on"
    try:
        seen = camera.plane_seen(plane.point, plane.normal, (window.width, window.height))
    except BadValueError as error:
        return Problem("camera-plane", f"{which}: {error.message}", error.way_out or way_out, field="plane")
    x, y = (0, window.width), (0, window.height)
    if max(seen[0] * at_x + seen[1] * at_y + seen[2] for at_x in x for at_y in y) > 0:
        return None
    point, normal = ("[" + ", ".join(f"{n:g}" for n in numbers) + "]" for numbers in (plane.point, plane.normal))
    message = f"{which} has the plane through {point} with the normal {normal} behind it"
    return Problem("camera-plane", message, way_out, field="plane")
