"""Cameras of USD files, in metres, mm and our axes, as the file's own metadata says.

This follows USD's documentation of ``UsdGeomCamera``, ``UsdGeomXformable`` and the metadata of a stage:

- A camera looks along its -z, with y up and x right, whatever the up axis of the stage.
- Transforms are those of row vectors, and those of all prims above apply too.
- ``metersPerUnit`` is the length of a unit of the scene, 0.01 where it is not written. Focal length, apertures and
  their offsets are in tenths of a unit. ``upAxis`` is Y or Z, Y where it is not written.
- The window that a camera sees is moved right and up by the offsets of its apertures. So the principal point
  lies to the left and below.
- Between time samples values are interpolated, and before the first and after the last they are held.
- Scale in the transform of a camera is no part of what it sees: a scale that is the same along all axes is taken
  away; one that is not, a shear or a mirror is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data.frames import format_frames
from stackcomp.errors import FileError
from stackcomp.files.camera_file import FARTHEST, LONGEST, SHORTEST
from stackcomp.files.usd_stage import cameras_of, chosen, library, opened, readable
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.pinhole import Camera

__all__ = ["UsdCamera", "read_usd_camera"]

#: From our camera space (y down, z forward) to that of USD (y up, z backward); it is its own inverse.
_FLIP = np.diag([1.0, -1, -1])
#: From the world of a stage to ours, by its up axis.
_UP = {"Z": np.eye(3), "Y": np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])}
#: By how much the axes of a camera may differ in length. Half-way between two samples of a matrix that are 5
#: degrees apart, which USD interpolates number by number, they differ by 9.5e-4.
_RIGID = 1e-3
#: Widths of a gate in mm that cameras have; beyond, the file holds mm where USD wants tenths of a unit.
_GATES = (1.0, 300.0)
_LENS = (
    "focalLength", "horizontalAperture", "verticalAperture", "horizontalApertureOffset", "verticalApertureOffset",
)  # fmt: skip


@dataclass(frozen=True)
class UsdCamera:
    """A camera of a USD file.

    Attributes:
        prim: its path.
        cameras: the camera at each frame.
        doubts: sentences about what may be wrong.
    """

    prim: str
    cameras: dict[int, Camera]
    doubts: tuple[str, ...]


def read_usd_camera(
    path: Path, frames: Sequence[int], prim: str | None = None, codes_per_frame: float = 1.0
) -> UsdCamera:
    """Read a camera of a USD file.

    Args:
        path: ``.usd``, ``.usda``, ``.usdc`` or ``.usdz``.
        frames: at least one.
        prim: path of the camera, or of a prim above one camera; not needed where the file has one alone.
        codes_per_frame: frame N is read at the time code N times this.

    Raises:
        RequestError: usd-core is not installed, no such file, no such camera, or several and none is named.
        FileError: the file cannot be read, or the camera cannot be a pinhole camera.
    """
    usd = library()
    with readable(path, usd):
        return _read(path, frames, prim, codes_per_frame, usd)


def _read(path: Path, frames: Sequence[int], prim: str | None, codes_per_frame: float, usd: Any) -> UsdCamera:
    stage = opened(path, usd)
    found = chosen(path, cameras_of(stage, usd), prim, stage, usd)
    up = str(usd.UsdGeom.GetStageUpAxis(stage))
    if up not in _UP:
        raise FileError(path, f'its up axis is "{up}"', "USD knows Y and Z; write one of them as upAxis")
    unit = float(usd.UsdGeom.GetStageMetersPerUnit(stage))
    if not (np.isfinite(unit) and unit > 0):
        raise FileError(path, f"its metersPerUnit is {unit:g}", "write the length of a unit in metres")
    one = _Reader(path, found, unit, _UP[up], usd)
    cameras = {frame: one.at(frame, frame * codes_per_frame) for frame in frames}
    doubts = [
        *_of_stage(stage, codes_per_frame, usd),
        *one.of_samples(frames, codes_per_frame),
        *one.of_lens(next(iter(cameras.values()))),
    ]
    return UsdCamera(str(found.GetPath()), cameras, tuple(doubts))


@dataclass(frozen=True)
class _Reader:
    """A camera prim, read at time codes."""

    path: Path
    prim: Any
    unit: float
    up: Array
    usd: Any

    def at(self, frame: int, code: float) -> Camera:
        """The camera at a time code.

        Raises:
            FileError: it is orthographic, has no focal length or aperture, or its transform does not fit.
        """
        self._refuse_unreadable(frame, code)
        seen = self.usd.UsdGeom.Camera(self.prim).GetCamera(self.usd.Usd.TimeCode(code))
        focal, across, down, right, up = (self._in_mm(getattr(seen, name)) for name in _LENS)
        for what, length in (
            ("focal length", focal),
            ("horizontal aperture", across),
            ("vertical aperture", down),
        ):
            if not SHORTEST <= length <= LONGEST:
                raise self._refused(frame, f"has a {what} of {length:g}", "give it in tenths of a scene unit")
        matrix = np.array(seen.transform, np.float64).T
        to_world = np.eye(4)
        to_world[:3, :3] = self.up @ self._turn(matrix[:3, :3], frame) @ _FLIP
        to_world[:3, 3] = self.up @ matrix[:3, 3] * self.unit
        if not (np.abs(to_world).max() <= FARTHEST and max(abs(right), abs(up)) <= LONGEST):
            way_out = "look for a unit that is not meant, or export it again"
            raise self._refused(frame, "stands or is shifted too far away to compute with", way_out)
        # The window goes right and up, so the principal point lies to the left of its middle, and below.
        return Camera(to_world, focal, (across, down), (0.0 - right, up))

    def _refuse_unreadable(self, frame: int, code: float) -> None:
        """Refuse what the library would replace by its defaults without an error."""
        projection = self.usd.UsdGeom.Camera(self.prim).GetProjectionAttr().Get(code)
        if projection != "perspective":
            what = f"is {projection}" if projection == "orthographic" else f'has the projection "{projection}"'
            raise self._refused(frame, what, "a camera file describes perspective; export it as such")
        for name in _LENS:
            if self._has(name) and not isinstance(self.prim.GetAttribute(name).Get(code), float):
                raise self._refused(
                    frame, f"has a {name} that is no number", f"export {name} at each frame, as float"
                )

    def _in_mm(self, tenths: float) -> float:
        """A length in tenths of a unit, which USD keeps as float32: 20.955, not 20.95499992."""
        return float(str(np.float32(tenths))) * (100 * self.unit)

    def _turn(self, axes: Array, frame: int) -> Array:
        """The rotation of a transform; a scale that is the same along all axes is left out."""
        if not np.isfinite(axes).all():
            raise self._refused(frame, "has a transform that is not finite", "export it again")
        left, lengths, right = np.linalg.svd(axes)
        if not lengths[2] > 1e-9 * lengths[0]:
            raise self._refused(frame, "has a transform that cannot be inverted", "look for a scale of 0 above it")
        if np.linalg.det(axes) < 0:
            raise self._refused(
                frame, "is mirrored by the transforms above it", "look for a negative scale, and export without it"
            )
        if lengths[0] > (1 + _RIGID) * lengths[2]:
            raise self._refused(
                frame,
                f"has a transform that is scaled by {lengths[2]:.4g} to {lengths[0]:.4g}, not alike along all "
                "axes, or is sheared",
                "remove that scale above the camera, since what it then sees is not defined; where a matrix has "
                "few samples, export one for each frame",
            )
        return np.asarray(left @ right)

    def of_samples(self, frames: Sequence[int], codes_per_frame: float) -> list[str]:
        """What is to be said of frames outside of the samples."""
        codes = self._samples()
        if len(codes) < 2:
            return []
        beyond = [frame for frame in frames if not codes[0] <= frame * codes_per_frame <= codes[-1]]
        if not beyond:
            return []
        which = f"frame {beyond[0]} lies" if len(beyond) == 1 else f"frames {format_frames(beyond)} lie"
        return [
            f"{which} outside of the file's samples, time codes {codes[0]:g} to {codes[-1]:g}: USD holds the "
            "first or last one there, so the camera stands still"
        ]

    def _samples(self) -> list[float]:
        """Time codes at which anything that moves the camera, or its lens, has a sample."""
        codes: set[float] = set()
        prim = self.prim
        while prim and not prim.IsPseudoRoot():
            movable = self.usd.UsdGeom.Xformable(prim)
            if movable:
                codes.update(movable.GetTimeSamples())
                if movable.GetResetXformStack():
                    break
            prim = prim.GetParent()
        for name in _LENS:
            attribute = self.prim.GetAttribute(name)
            if attribute:
                codes.update(attribute.GetTimeSamples())
        return sorted(codes)

    def of_lens(self, camera: Camera) -> list[str]:
        """What is to be said of the lens."""
        said = []
        missing = [name for name in _LENS[:3] if not self._has(name)]
        if missing:
            default = (
                "is not in the file; it is USD's default"
                if len(missing) == 1
                else ("are not in the file; these are USD's defaults")
            )
            said.append(f"{' and '.join(missing)} {default}")
        if not _GATES[0] <= camera.gate[0] <= _GATES[1]:
            said.append(
                f"the gate is {camera.gate[0]:g} mm wide by USD's rule (tenths of a unit of {self.unit:g} m); the "
                "file probably holds mm. What the camera sees is right all the same, since focal length and gate "
                "have the same unit"
            )
        return said

    def _has(self, name: str) -> bool:
        attribute = self.prim.GetAttribute(name)
        return bool(attribute and attribute.HasAuthoredValue())

    def _refused(self, frame: int, message: str, way_out: str) -> FileError:
        return FileError(self.path, f"{self.prim.GetPath()} {message} at frame {frame}", way_out)


def _of_stage(stage: Any, codes_per_frame: float, usd: Any) -> list[str]:
    """What is to be said of the file as a whole."""
    said = []
    if not usd.UsdGeom.StageHasAuthoredMetersPerUnit(stage):
        said.append("metersPerUnit is not in the file; by USD's rule a unit is 0.01 m")
    if not stage.HasAuthoredMetadata("upAxis"):
        said.append(f"upAxis is not in the file; by USD's rule it is {usd.UsdGeom.GetStageUpAxis(stage)}")
    codes, rate = stage.GetTimeCodesPerSecond(), stage.GetFramesPerSecond()
    differ = stage.HasAuthoredMetadata("timeCodesPerSecond") and stage.HasAuthoredMetadata("framesPerSecond")
    if differ and codes != rate and codes_per_frame == 1:
        said.append(
            f"the file has {codes:g} time codes a second and {rate:g} frames a second; frame N was read at time "
            f"code N. --codes-per-frame {codes / rate:g} reads it at its own rate"
        )
    if stage.GetCompositionErrors():
        said.append(
            f"something that the file refers to is missing: {str(stage.GetCompositionErrors()[0]).strip()}"
        )
    return said
