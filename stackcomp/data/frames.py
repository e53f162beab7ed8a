"""Frame ranges as text: ``1001-1008``, ``1001-1006,1008``, ``1001-1100x2`` (every second frame)."""

from __future__ import annotations

import re
from collections.abc import Iterable

from stackcomp.errors import BadValueError

__all__ = ["MOST_FRAMES", "format_frames", "parse_frames"]

#: More frames than this are taken for a slip of the keyboard.
MOST_FRAMES = 1_000_000

_PART = re.compile(r"(-?\d{1,9})(?:-(-?\d{1,9})(?:x(\d{1,9}))?)?")


def parse_frames(text: str) -> list[int]:
    """Frame numbers in the order written, each once.

    Raises:
        BadValueError: a part that is not a number or a range, a range that runs backwards, a step of 0, more
            than `MOST_FRAMES`.
    """
    frames: dict[int, None] = {}
    for part in text.split(","):
        match = _PART.fullmatch(part.strip())
        if match is None:
            raise BadValueError(
                f'"{part.strip()[:40]}" is not a frame or a range of frames',
                "write them like 1001, 1001-1008 or 1001-1100x2, with commas between",
            )
        first = int(match[1])
        last = int(match[2]) if match[2] is not None else first
        step = int(match[3]) if match[3] is not None else 1
        if last < first:
            raise BadValueError(f'"{part.strip()}" runs backwards', f"write {last}-{first}")
        if step == 0:
            raise BadValueError(f'"{part.strip()}" has a step of 0', "the smallest step is 1")
        if (last - first) // step + len(frames) >= MOST_FRAMES:
            raise BadValueError(f'"{part.strip()}" makes more than {MOST_FRAMES} frames', "give fewer at a time")
        frames.update(dict.fromkeys(range(first, last + 1, step)))
    return list(frames)


def format_frames(frames: Iterable[int]) -> str:
    """The shortest text of runs that `parse_frames` reads back, in rising order."""
    runs: list[list[int]] = []
    for frame in sorted(set(frames)):
        if runs and frame == runs[-1][1] + 1:
            runs[-1][1] = frame
        else:
            runs.append([frame, frame])
    return ",".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)
