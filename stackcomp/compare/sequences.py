"""Two file sequences, frame by frame."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stackcomp.compare.files import compare_files
from stackcomp.compare.pictures import PictureComparison
from stackcomp.compare.tolerance import Tolerances
from stackcomp.data.frames import format_frames
from stackcomp.errors import FileError, Problem, RequestError
from stackcomp.files.paths import FramePath
from stackcomp.files.sequences import sequences_of

__all__ = ["SequenceComparison", "compare_sequences", "frames_on_disk"]


@dataclass(frozen=True)
class SequenceComparison:
    """How two sequences differ.

    Attributes:
        frames: comparisons by frame, in the order of the frames.
        missing: frames that one of them does not have: those of the first, those of the second.
        unreadable: frames of which a file cannot be read, and why.
    """

    frames: dict[int, PictureComparison]
    missing: tuple[tuple[int, ...], tuple[int, ...]] = ((), ())
    unreadable: dict[int, str] | None = None

    @property
    def equal(self) -> bool:
        """Whether all frames are there and equal."""
        return self.first_different is None

    @property
    def first_different(self) -> int | None:
        """The first frame that differs, is missing or cannot be read."""
        odd = {*self.missing[0], *self.missing[1], *(self.unreadable or {})}
        odd |= {frame for frame, comparison in self.frames.items() if not comparison.equal}
        return min(odd, default=None)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "equal": self.equal,
            "first_different": self.first_different,
            "missing": {"first": list(self.missing[0]), "second": list(self.missing[1])},
            "unreadable": {str(frame): reason for frame, reason in (self.unreadable or {}).items()},
            "frames": {str(frame): comparison.as_dict() for frame, comparison in self.frames.items()},
        }

    def __str__(self) -> str:
        if self.equal:
            return f"equal, {len(self.frames)} frames"
        lines = []
        for which, frames in zip(("first", "second"), self.missing, strict=True):
            if frames:
                lines.append(f"the {which} has no frame{'s' if len(frames) > 1 else ''} {format_frames(frames)}")
        lines += [f"frame {frame}: {reason}" for frame, reason in (self.unreadable or {}).items()]
        different = [frame for frame, comparison in self.frames.items() if not comparison.equal]
        if different:
            first = different[0]
            lines.append(
                f"{len(different)} of {len(self.frames)} frames differ: {format_frames(different)}; "
                f"the first, {first}:"
            )
            lines += [f"  {line}" for line in self.frames[first].differences]
        return "\n".join(lines)


def frames_on_disk(pattern: str) -> tuple[int, ...]:
    """Numbers of the frames of a sequence that exist; files that differ in the number alone.

    Raises:
        RequestError: there is none.
    """
    path = FramePath(pattern)
    folder = os.path.dirname(path.for_frame(0))
    try:
        names = sorted(os.listdir(folder or "."))
    except OSError:
        names = []
    found = {
        frame
        for sequence in sequences_of(names)
        for frame in sequence.frames
        if Path(path.for_frame(frame)).name in sequence.names
    }
    if not found:
        message = f"there is no frame of {pattern}"
        raise RequestError(Problem("file-missing", message, "correct the path, or name the frames"))
    return tuple(sorted(found))


def compare_sequences(
    first: str,
    second: str,
    frames: Collection[int] | None = None,
    tolerance: Tolerances | None = None,
    *,
    windows_may_differ: bool = False,
    finished: Callable[[int, PictureComparison], None] | None = None,
) -> SequenceComparison:
    """Compare two sequences.

    Args:
        first: path with a frame token, as ``final.{frame:04d}.exr``; the frame is part of the file's name.
        second: likewise.
        frames: frame numbers; all that one of the two has when None.
        tolerance: as in `stackcomp.compare.compare_files`.
        windows_may_differ: as there.
        finished: called with each frame's number and comparison.

    Raises:
        RequestError: no frame of a sequence is there.
    """
    if frames is None:
        frames = sorted({*frames_on_disk(first), *frames_on_disk(second)})
    patterns = FramePath(first), FramePath(second)
    missing: tuple[list[int], list[int]] = ([], [])
    unreadable: dict[int, str] = {}
    compared: dict[int, PictureComparison] = {}
    for frame in sorted(set(frames)):
        paths = [Path(pattern.for_frame(frame)) for pattern in patterns]
        gone = [not os.path.lexists(path) for path in paths]
        for is_gone, listed in zip(gone, missing, strict=True):
            if is_gone:
                listed.append(frame)
        if any(gone):
            continue
        try:
            compared[frame] = compare_files(paths[0], paths[1], tolerance, windows_may_differ=windows_may_differ)
        except FileError as error:
            unreadable[frame] = str(error)
            continue
        if finished is not None:
            finished(frame, compared[frame])
    if not compared and not unreadable and len(set(frames)) in (len(missing[0]), len(missing[1])):
        lost = first if len(missing[0]) == len(set(frames)) else second
        message = f"there is none of the frames {format_frames(frames)} of {lost}"
        raise RequestError(Problem("file-missing", message, "name other frames, or correct the path"))
    return SequenceComparison(compared, (tuple(missing[0]), tuple(missing[1])), unreadable or None)
