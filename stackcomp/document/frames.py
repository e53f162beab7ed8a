"""Frame ranges as text: ``1001-1008``, ``1001-1006,1008``, ``1001-1100x2`` (every second frame)."""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["MOST_FRAMES", "format_frames", "parse_frames"]

#: More frames than this in one range is taken for a slip of the keyboard.
MOST_FRAMES = 1_000_000

_PART = re.compile(r"(-?\d{1,9})(?:-(-?\d{1,9})(?:x(\d{1,9}))?)?")


def parse_frames(text: str) -> list[int]:
    """Frame numbers in the order written, each once.

    Raises:
        ValueError: a part that is not a number or a range, a range that runs backwards, a step of 0.
    """
    frames: dict[int, None] = {}
    for part in text.split(","):
        match = _PART.fullmatch(part.strip())
        if match is None:
            raise ValueError(
                f'"{part.strip()}" is not a frame or a range of frames; write 1001, 1001-1008 or 1001-1100x2'
            )
        first = int(match[1])
        last = int(match[2]) if match[2] is not None else first
        step = int(match[3]) if match[3] is not None else 1
        if last < first:
            raise ValueError(f'"{part.strip()}" runs backwards; write {last}-{first}')
        if step == 0:
            raise ValueError(f'"{part.strip()}" has a step of 0; the smallest step is 1')
        if (last - first) // step >= MOST_FRAMES:
            raise ValueError(f'"{part.strip()}" is over {MOST_FRAMES} frames')
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
