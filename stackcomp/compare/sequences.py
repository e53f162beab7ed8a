"""Two file sequences, frame by frame."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stackcomp.compare.files import channels_of, compare_opened, open_file
from stackcomp.compare.pictures import PictureComparison
from stackcomp.compare.tolerance import Tolerances, require_known
from stackcomp.data.frames import format_frames
from stackcomp.errors import FileError, Problem, RequestError
from stackcomp.files.paths import FramePath, nearby

__all__ = ["SequenceComparison", "compare_sequences", "frames_on_disk"]

#: Stands for any frame in a path; no name is likely to have it.
_ANY_FRAME = 987_654_321


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
    unreadable: dict[int, str] = field(default_factory=dict)

    @property
    def equal(self) -> bool:
        """Whether all frames are there and equal."""
        return self.first_different is None

    @property
    def first_different(self) -> int | None:
        """The first frame that differs, is missing or cannot be read."""
        return min((*self.missing[0], *self.missing[1], *self.unreadable, *self.different), default=None)

    @property
    def different(self) -> tuple[int, ...]:
        """Frames whose pictures differ."""
        return tuple(frame for frame, comparison in self.frames.items() if not comparison.equal)

    @property
    def worst(self) -> int | None:
        """The frame with the largest difference of numbers, or None where none differs."""
        largest = {
            frame: worst.largest for frame, comparison in self.frames.items() if (worst := comparison.worst)
        }
        return max(largest, key=largest.__getitem__, default=None)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            "equal": self.equal,
            "first_different": self.first_different,
            "worst": self.worst,
            "missing": {"first": list(self.missing[0]), "second": list(self.missing[1])},
            "unreadable": {str(frame): reason for frame, reason in self.unreadable.items()},
            "frames": {str(frame): comparison.as_dict() for frame, comparison in self.frames.items()},
        }

    def __str__(self) -> str:
        count = f"{len(self.frames)} frame{'' if len(self.frames) == 1 else 's'}"
        if self.equal:
            return f"equal, {count}"
        lines = [f"different: the first frame that differs is {self.first_different}"]
        for which, frames in zip(("first", "second"), self.missing, strict=True):
            if frames:
                lines.append(f"the {which} has no frame{'s' if len(frames) > 1 else ''} {format_frames(frames)}")
        lines += [f"frame {frame} cannot be read: {reason}" for frame, reason in self.unreadable.items()]
        if self.different:
            first = self.different[0]
            lines.append(f"{len(self.different)} of {count} differ: {format_frames(self.different)}")
            lines += [f"  frame {first}: {line}" for line in self.frames[first].differences]
        layer = None if self.worst is None else self.frames[self.worst].worst
        if layer is not None and layer.worst is not None:
            x, y = layer.worst
            lines.append(
                f"largest difference: {layer.largest:.4g} at frame {self.worst}, {layer.name}, pixel {x},{y}"
            )
        return "\n".join(lines)


def frames_on_disk(pattern: str) -> tuple[int, ...]:
    """Numbers of the frames of a sequence that exist; none where there is no frame.

    A name belongs to the sequence only if it is written as the path says: 0001 is a frame of ``{frame:04d}``, and
    1 is not.
    """
    path = FramePath(pattern)
    stand_in = os.path.normpath(path.for_frame(_ANY_FRAME))
    number = re.compile(re.escape(stand_in).replace(str(_ANY_FRAME), r"(-?\d+)"))
    found = set()
    for name in glob.glob(glob.escape(stand_in).replace(str(_ANY_FRAME), "*")):
        match = number.fullmatch(os.path.normpath(name))
        if match and os.path.normpath(path.for_frame(int(match[1]))) == os.path.normpath(name):
            found.add(int(match[1]))
    return tuple(sorted(found))


def compare_sequences(
    first: str,
    second: str,
    frames: Collection[int] | None = None,
    tolerance: Tolerances | None = None,
    *,
    types: bool = True,
    windows_may_differ: bool = False,
    begun: Callable[[int], None] = lambda frames: None,
    finished: Callable[[int, PictureComparison | None], None] = lambda frame, comparison: None,
) -> SequenceComparison:
    """Compare two sequences. A frame that is missing or cannot be read is a difference, and stops nothing.

    Args:
        first: path with a frame token, as ``final.{frame:04d}.exr``.
        second: likewise.
        frames: frame numbers; all that one of the two has when None.
        tolerance: as in `stackcomp.compare.compare_files`.
        types: as there.
        windows_may_differ: as there.
        begun: called once with the number of frames.
        finished: called with each frame's number and comparison; None where there is none.

    Raises:
        RequestError: no frame of a sequence is there, or a tolerance for something that is not there.
    """
    there = [frames_on_disk(pattern) if frames is None else () for pattern in (first, second)]
    wanted = sorted({*there[0], *there[1]} if frames is None else set(frames))
    patterns = FramePath(first), FramePath(second)
    missing = tuple(
        tuple(frame for frame in wanted if not os.path.lexists(pattern.for_frame(frame))) for pattern in patterns
    )
    for pattern, gone in zip(patterns, missing, strict=True):
        if len(gone) == len(wanted):
            asked = "" if frames is None else f" {format_frames(wanted)}"
            message = f"there is no frame{asked} of {pattern}"
            raise RequestError(Problem("file-missing", message, _where(pattern, wanted, frames is None)))
    unreadable: dict[int, str] = {}
    compared: dict[int, PictureComparison] = {}
    names_checked = False
    begun(len(wanted))
    for frame in wanted:
        if any(frame in gone for gone in missing):
            finished(frame, None)
            continue
        paths = Path(patterns[0].for_frame(frame)), Path(patterns[1].for_frame(frame))
        try:
            if not names_checked:
                # Of the first frame whose headers can be read: a damaged one must not hide a wrong name.
                require_known(tolerance, [name for path in paths for name in channels_of(path)])
                names_checked = True
            compared[frame] = compare_opened(
                open_file(paths[0]),
                open_file(paths[1]),
                tolerance,
                types=types,
                windows_may_differ=windows_may_differ,
            )
        except FileError as error:
            unreadable[frame] = str(error)
        finished(frame, compared.get(frame))
    return SequenceComparison(compared, (missing[0], missing[1]), unreadable)


def _where(pattern: FramePath, wanted: Collection[int], all_frames: bool) -> str:
    """The way out for a sequence without frames: what the folder holds."""
    found = frames_on_disk(pattern.text)
    if found and not all_frames:
        return f"frames {format_frames(found)} exist"
    return nearby(pattern.for_frame(next(iter(wanted), 1)), frames=True) or "correct the path"
