"""Pixels of a few frames, by which decisions are made that no header tells."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from stackcomp.begin.material import Material
from stackcomp.data.frames import format_frames
from stackcomp.data.image import Plane
from stackcomp.errors import FileError
from stackcomp.files.picture_file import header_of, planes

__all__ = ["Samples", "few", "listed", "samples_of"]


@dataclass(frozen=True, eq=False)
class Samples:
    """Planes of some channels of a few frames.

    Attributes:
        frames: the frames of the graph; empty where no file could be read.
        planes: channel → one plane for each frame, as stored.
    """

    frames: tuple[int, ...]
    planes: dict[str, list[Plane]]

    @property
    def words(self) -> str:
        """The frames, for a message: ``frames 1001, 1003, 1005``."""
        numbers = ", ".join(map(str, self.frames))
        return f"frame{'s' if len(self.frames) > 1 else ''} {numbers}"

    def stacked(self, names: Sequence[str]) -> list[Plane]:
        """For each frame an array float32 ``(channels, height, width)``; 0 for what is not finite."""
        stacks = []
        for k in range(len(self.frames)):
            stack = np.stack([self.planes[name][k].astype(np.float32) for name in names])
            stacks.append(np.nan_to_num(stack, nan=0, posinf=0, neginf=0, copy=False))
        return stacks


def few(frames: Sequence[int]) -> list[int]:
    """The first, the middle and the last of some frames."""
    return sorted({frames[0], frames[len(frames) // 2], frames[-1]}) if frames else []


def samples_of(material: Material, names: Collection[str], frames: Sequence[int]) -> Samples:
    """Read channels of a few frames. A file that cannot be read is left out: the check of the graph names it."""
    chosen = few(frames)[:1] if material.frames is None else few(frames)
    read: list[int] = []
    found: dict[str, list[Plane]] = {name: [] for name in names}
    for frame in chosen:
        path = material.file(frame)
        try:
            header, state = header_of(path)
            wanted = [name for name in names if name in header.channels and name not in header.unusable]
            if len(wanted) < len(names):
                continue
            pixels, _ = planes(path, wanted, state)
        except FileError:
            continue
        read.append(frame)
        for name in names:
            found[name].append(pixels[name])
    return Samples(tuple(read), found)


def listed(frames: Sequence[int]) -> str:
    """Frames for a message: ``frame 1001``, ``frames 1001-1005``."""
    return f"frame{'s' if len(frames) != 1 else ''} {format_frames(frames)}"
