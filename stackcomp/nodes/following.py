"""Kinds whose picture, or whose shapes, stick to something in a plate: by a homography, or by tracked points.

A kind derives from `Following` beside its family: ``class CleanPatch(Following, AreaNode)``. It takes
`Following.followed` in ``domain``, ``needs`` and whatever computes: the homography from pixels of the patch, or of
the shapes, to those of the frame, at the scale of the render.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, PrivateAttr, model_validator

from stackcomp.data.numbers import Keyed, Number
from stackcomp.data.port_types import PortType
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem
from stackcomp.files.file_state import FileState
from stackcomp.files.track_file import TrackFile, read_track
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.base import Context, Node, Sized
from stackcomp.nodes.over_frames import singular_homography
from stackcomp.nodes.tracked import Tracked

__all__ = ["Following"]

_Nine = tuple[float, ...]
_IDENTITY: _Nine = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


class Following(Node):
    """Mixin for kinds that follow a plate. Its methods call those of the family that stands behind it.

    Class variables let a kind add ways of its own:
        ways: fields of which one alone may be given.
        of_stills: those of them that need to know the frame of the still.
    """

    ways: ClassVar[tuple[str, ...]] = ("homography", "track")
    of_stills: ClassVar[tuple[str, ...]] = ("track",)

    homography: Annotated[
        tuple[float, ...] | None,
        Number("3×3, row by row: pixels of what is placed → pixels of the result", size=9),
    ] = None
    track: Annotated[
        str | None,
        Field(
            description="A track file to follow: 1 point moves, 2 turn and scale as well, 3 shear as well, 4 or "
            "more set in perspective."
        ),
    ] = None
    points: Annotated[
        tuple[str, ...] | None, Field(description="Names of the points in the track to follow; all when left out.")
    ] = None
    still_frame: Annotated[
        int | None,
        Field(description="Frame for which it was made; that of the track when left out."),
    ] = None
    missing: Annotated[
        Literal["error", "fewer"],
        Field(
            description="Where a point is lost: an error, or fewer points are followed, with less freedom to move."
        ),
    ] = "error"

    _scale: float = PrivateAttr(1.0)
    _frame: float = PrivateAttr(0.0)
    _keyed: Keyed | None = PrivateAttr(None)
    _track_file: TrackFile | None = PrivateAttr(None)
    _at_frame: _Nine | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _one_way_to_follow(self) -> Self:
        from stackcomp.kernels.homography import inverse, matrix

        given = [name for name in self.ways if getattr(self, name) is not None]
        if len(given) > 1:
            raise BadValueError(f'has "{given[0]}" and "{given[1]}"', "use one or the other")
        if self.homography is not None and not isinstance(self.homography, Keyed):
            inverse(matrix(self.homography))
        if self.track is not None and not self.track.strip():
            raise BadValueError('has a "track" without a name', "give the path of a track file")
        for name in ("points", "missing"):
            if name in self.model_fields_set and getattr(self, name) is not None and self.track is None:
                raise BadValueError(f'has "{name}" without a "track"', 'name the track file in "track"')
        if self.still_frame is not None and not any(getattr(self, name) is not None for name in self.of_stills):
            needed = " or ".join(f'"{name}"' for name in self.of_stills)
            raise BadValueError('has a "still_frame" and nothing that needs it', f"give {needed}, or leave it out")
        if self.points is not None and (not self.points or len(set(self.points)) < len(self.points)):
            wrong = "has a point twice in" if self.points else "has no names in"
            raise BadValueError(f'{wrong} "points"', "name each point once, or leave it out to follow all")
        return self

    def at(self, frame: float, scale: float = 1.0) -> Self:
        """As for every node; a homography is brought to the scale here, so a kind must not do it again."""
        from stackcomp.kernels.homography import at_scale

        node = super().at(frame, scale)
        if self.homography is None:
            return node
        changes: dict[str, Any] = {}
        if scale != 1 and node.homography is not None:
            changes["homography"] = at_scale(node.homography, scale)
        node = node.model_copy(update=changes)
        node._scale, node._frame = scale, frame
        if isinstance(self.homography, Keyed):
            node._keyed = self.homography
        return node

    def with_files(self, frame: float, scale: float, context: Context, opened: dict[Path, FileState]) -> Self:
        node = super().with_files(frame, scale, context, opened)
        if self.track is None:
            return node
        file = read_track(Path(context.root, self.track), opened)
        node = node.model_copy()
        node._track_file, node._scale, node._frame = file, scale, frame
        node._at_frame = tuple(node._tracked(context).at(round(frame)).ravel().tolist())
        return node

    @property
    def still(self) -> bool:
        return super().still and self.track is None

    def files(self, frame: int, root: Path) -> list[Path]:
        return [*super().files(frame, root), *([] if self.track is None else [Path(root, self.track)])]

    @property
    def followed(self) -> Array:
        """Pixels of what is placed → pixels of this frame, 3×3, float64, at the scale of the render.

        It is that of the frame that ``at`` and ``with_files`` were called with; the identity where nothing is
        followed.
        """
        return self.followed_at(self._frame)

    def followed_at(self, time: float) -> Array:
        """`followed` at a time near the frame, such as the begin of its exposure.

        Keyed homographies are taken at that time. Tracked points move straight from one frame to the next; where
        a neighbouring frame is not known, as at the end of a track, a point goes on as it moved on the other side.

        Args:
            time: in frames; 1001.25 is a quarter of the way from frame 1001 to 1002.
        """
        from stackcomp.kernels.homography import at_scale, matrix

        if self._keyed is not None:
            nine = self._keyed.at(time)
            assert isinstance(nine, tuple)
            return matrix(at_scale(nine, self._scale))
        assert not isinstance(self.homography, Keyed), "keyed numbers are resolved by at"
        if self.track is None:
            return matrix(self.homography or _IDENTITY)
        assert self._track_file is not None, "a track is read by with_files"
        assert self._at_frame is not None
        moved = self._tracked_from(self._track_file).moved(round(self._frame), time) @ matrix(self._at_frame)
        return matrix(at_scale(moved.ravel().tolist(), self._scale))

    def look(
        self, types: Mapping[str, PortType], windows: Mapping[str, Window], context: Context
    ) -> Iterator[Problem]:
        yield from super().look(types, windows, context)
        yield from singular_homography(self.homography, context)
        if self.track is None:
            return
        try:
            tracked = self._tracked(context)
        except FileError as error:
            yield Problem("track-file", f"{error.path}: {error.reason}", error.way_out, field="track")
            return
        if windows or isinstance(self, Sized):
            yield from tracked.size_differs(self.frame_window(windows, context))
        yield from tracked.problems(context.frames or (context.frame,))

    def _tracked(self, context: Context) -> Tracked:
        assert self.track is not None
        path = Path(context.root, self.track)
        return self._tracked_from(self._track_file or read_track(path), path)

    def _tracked_from(self, file: TrackFile, path: Path | None = None) -> Tracked:
        assert self.track is not None
        still = file.reference if self.still_frame is None else self.still_frame
        return Tracked(file, path or Path(self.track), self.points, still, self.missing == "fewer")
