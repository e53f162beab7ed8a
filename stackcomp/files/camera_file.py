"""Camera files: where a camera stood at each frame, and its lens.

    {"stackcomp_camera": 1, "about": "the camera of the bench",
     "frames": {"1001": {"to_world": [[1, 0, 0, 0], [0, 0, 1, -2], [0, -1, 0, 0.5], [0, 0, 0, 1]],
                         "focal_length": 35, "gate": [36, 20.25], "shift": [0, 0]}}}

``to_world`` maps camera space (x right, y down, z forward) to the world (metres, z up), row by row, for column
vectors. Lengths of the lens are in mm; ``shift`` is how far the principal point lies right of and below the middle
of the gate. `stackcomp.kernels.pinhole` has the maths.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator

from stackcomp.data.frames import format_frames
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem, shown
from stackcomp.files.atomic import whole_file
from stackcomp.files.file_state import FileState
from stackcomp.files.mark import program
from stackcomp.files.side_file import side_file
from stackcomp.kernels.pinhole import Camera

__all__ = [
    "FARTHEST",
    "LONGEST",
    "SHORTEST",
    "CameraFile",
    "CameraFrame",
    "camera_at",
    "gate_problem",
    "read_camera",
    "write_camera",
]

#: How far the columns of a rotation may be from length 1 and right angles: what rounding to four digits leaves.
_ROUNDING = 1e-3

#: By how much the shape of a gate may differ from that of the picture; rounding to whole pixels leaves less.
_SHAPE = 0.01

#: The least and greatest length of a lens in mm, and the farthest place in metres: beyond, results are not finite.
SHORTEST, LONGEST, FARTHEST = 1e-6, 1e9, 1e12

_Place = Annotated[float, Field(ge=-FARTHEST, le=FARTHEST)]
_Row = tuple[_Place, _Place, _Place, _Place]
_Length = Annotated[float, Field(ge=SHORTEST, le=LONGEST)]
_Shift = Annotated[float, Field(ge=-LONGEST, le=LONGEST)]


class CameraFrame(BaseModel):
    """The camera at one frame."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    to_world: Annotated[tuple[_Row, _Row, _Row, _Row], Field(description="4×4, row by row: camera space → world")]
    focal_length: Annotated[_Length, Field(description="in mm")]
    gate: Annotated[tuple[_Length, _Length], Field(description="width and height in mm")]
    shift: Annotated[
        tuple[_Shift, _Shift],
        Field(description="how far the principal point lies right of and below the middle of the gate, in mm"),
    ] = (0.0, 0.0)

    @field_validator("to_world")
    @classmethod
    def _moves_and_turns(cls, rows: tuple[_Row, _Row, _Row, _Row]) -> tuple[_Row, _Row, _Row, _Row]:
        matrix = np.array(rows)
        if not np.array_equal(matrix[3], [0, 0, 0, 1]):
            if np.array_equal(matrix[:, 3], [0, 0, 0, 1]):
                raise BadValueError(
                    "has the position in its last row, and column vectors have it in the last column",
                    "exchange rows and columns",
                )
            raise BadValueError(f"has the last row {shown(list(rows[3]))}", "the last row is [0, 0, 0, 1]")
        turn = matrix[:3, :3]
        if np.abs(turn.T @ turn - np.eye(3)).max() > _ROUNDING:
            lengths = [float(f"{length:.6g}") for length in np.linalg.norm(turn, axis=0)]
            raise BadValueError(
                f"does not only turn and move: its columns have the lengths {shown(lengths)}, or are not at right "
                "angles",
                "leave scale and shear out of the camera; the position is in metres",
            )
        if np.linalg.det(turn) < 0:
            raise BadValueError(
                "mirrors the world", "camera space has x to the right, y down and z forward; reverse one axis"
            )
        return rows

    @cached_property
    def camera(self) -> Camera:
        """The camera for computing with."""
        return Camera(np.array(self.to_world, np.float64), self.focal_length, self.gate, self.shift)


class CameraFile(BaseModel):
    """What a camera file holds."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    version: Annotated[Literal[1], Field(alias="stackcomp_camera", description="version of the format: 1")]
    about: Annotated[str, Field(description="A note for people; changes nothing.")] = ""
    program: Annotated[str, Field(description="Which program wrote the file; changes nothing.")] = ""
    frames: Annotated[dict[str, CameraFrame], Field(description="the camera at each frame, by frame number")]

    @field_validator("frames")
    @classmethod
    def _are_numbered(cls, frames: dict[str, CameraFrame]) -> dict[str, CameraFrame]:
        if not frames:
            raise BadValueError("holds no frame", "give the camera at one frame at least")
        for name in frames:
            if not _is_frame(name):
                raise BadValueError(
                    f"has the key {shown(name)}, which is not a frame number",
                    'write frame numbers, such as "1001"',
                )
        return frames

    @cached_property
    def numbers(self) -> tuple[int, ...]:
        """Its frames in rising order."""
        return tuple(sorted(map(int, self.frames)))

    def at(self, frame: float) -> Camera:
        """The camera at a frame; between two frames that follow each other, on the way from one to the other.

        Positions and lenses pass in straight lines, and the direction about one axis at an even rate.

        Raises:
            BadValueError: the file does not have this frame. Nothing is guessed.
        """
        before, after = math.floor(frame), math.ceil(frame)
        missing = next((number for number in (before, after) if str(number) not in self.frames), None)
        if missing is not None:
            raise BadValueError(
                f"holds no camera for frame {missing}",
                f"it has {_listed(self.numbers)}; add the frame, or render frames that it has",
            )
        first = self.frames[str(before)].camera
        return first if before == after else _between(first, self.frames[str(after)].camera, frame - before)


def _is_frame(name: str) -> bool:
    """Whether a key is a whole number in its shortest form, so that no frame can stand there twice."""
    try:
        return len(name) < 12 and str(int(name)) == name
    except ValueError:
        return False


def _listed(numbers: tuple[int, ...]) -> str:
    text = format_frames(numbers)
    return f"frame{'' if len(numbers) == 1 else 's'} {text if len(text) < 60 else f'{text[:58]}…'}"


def _between(first: Camera, second: Camera, share: float) -> Camera:
    from scipy.spatial.transform import Rotation

    def mixed(a: Any, b: Any) -> Any:
        return np.asarray(a) + share * (np.asarray(b) - np.asarray(a))

    start = Rotation.from_matrix(first.to_world[:3, :3])
    way = (start.inv() * Rotation.from_matrix(second.to_world[:3, :3])).as_rotvec()
    to_world = np.eye(4)
    to_world[:3, :3] = (start * Rotation.from_rotvec(share * way)).as_matrix()
    to_world[:3, 3] = mixed(first.position, second.position)
    gate, shift = (tuple(map(float, mixed(getattr(first, n), getattr(second, n)))) for n in ("gate", "shift"))
    return Camera(
        to_world, float(mixed(first.focal_length, second.focal_length)), (gate[0], gate[1]), (shift[0], shift[1])
    )


def read_camera(path: Path, opened: dict[Path, FileState] | None = None) -> CameraFile:
    """Return what a camera file holds; `stackcomp.files.side_file` says how it is read.

    Raises:
        FileError: it cannot be read, or is no camera file.
    """
    return side_file(path, CameraFile, "camera", opened)


def camera_at(path: Path, frame: float, opened: dict[Path, FileState] | None = None) -> Camera:
    """The camera of a file at a frame.

    Raises:
        FileError: the file cannot be read, or does not have this frame.
    """
    try:
        return read_camera(path, opened).at(frame)
    except BadValueError as error:
        raise FileError(path, f"the file {error.message}", error.way_out) from None


def gate_problem(camera: Camera, frame: Window, which: str, field: str = "camera") -> Problem | None:
    """What is to be said where the shape of a camera's gate is not that of the picture that it is used for.

    Args:
        camera: the camera.
        frame: display window of the picture.
        which: whose camera it is, as in "the camera of frame 1003".
        field: of the node.
    """
    if abs(camera.unlike_gate(frame.width, frame.height)) <= _SHAPE:
        return None
    across, down = camera.gate
    fits = across * frame.height / frame.width
    return Problem(
        "camera-gate",
        f"{which} has a gate of {across:g} × {down:g} mm, but a frame of {frame.width}×{frame.height} pixels has "
        f"the shape of {across:g} × {fits:.5g} mm; the width of the gate is taken for that of the frame",
        f"where the frame shows the whole width of the gate, write [{across:g}, {fits:.5g}]; else write the width "
        "and height that it shows",
        field=field,
        severity="warning",
    )


def write_camera(path: Path, cameras: Mapping[int, Camera], about: str = "") -> None:
    """Write a camera file; one line for each frame.

    Args:
        path: the file; one that exists is replaced when the new one is whole.
        cameras: by frame, one at least.
        about: a note for people.

    Raises:
        FileError: it cannot be written.
        ValueError: no camera, or one that does more than turn and move; a programming error.
    """
    # Zeros have no sign, so that -0.0 does not stand in the file.
    frames = {
        str(frame): {
            "to_world": (np.asarray(camera.to_world, np.float64) + 0.0).tolist(),
            "focal_length": camera.focal_length,
            "gate": list(camera.gate),
            "shift": [part + 0.0 for part in camera.shift],
        }
        for frame, camera in sorted(cameras.items())
    }
    CameraFile._are_numbered({name: CameraFrame.model_validate(fields) for name, fields in frames.items()})
    lines = ",\n".join(f"    {json.dumps(name)}: {json.dumps(fields)}" for name, fields in frames.items())
    with whole_file(path) as unfinished:
        unfinished.write_text(
            f'{{\n  "stackcomp_camera": 1,\n  "about": {json.dumps(about, ensure_ascii=False)},\n'
            f'  "program": {json.dumps(program())},\n'
            f'  "frames": {{\n{lines}\n  }}\n}}\n',
            "utf-8",
        )
        read_camera(unfinished)
