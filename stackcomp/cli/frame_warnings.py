"""Warnings of frames: each is printed once, and at the end the other frames with the same warning."""

from __future__ import annotations

import re

from stackcomp.cli.progress import Reporter
from stackcomp.data.frames import format_frames

__all__ = ["FrameWarnings"]


class FrameWarnings:
    """Prints warnings of frames.

    Args:
        report: prints them.
    """

    def __init__(self, report: Reporter) -> None:
        self._report = report
        self._frames: dict[tuple[str, str, str], list[int]] = {}

    def warn(self, node: str, frame: int, message: str, *, shot: str = "") -> None:
        """Print it in full the first time. Warnings that differ in numbers alone, such as counts, are the same."""
        known_frames = self._frames.setdefault((shot, node, re.sub(r"\d+", "0", message)), [])
        if not known_frames or self._report.every_event:
            where = f'shot "{shot}", ' if shot else ""
            details = {"shot": shot} if shot else {}
            full = f'{where}node "{node}", frame {frame}: {message}'
            self._report.warn(full, node=node, frame=frame, text=message, **details)
        if frame not in known_frames:
            known_frames.append(frame)

    def close(self) -> None:
        """List the other frames."""
        for (shot, node, message), (first, *others) in self._frames.items():
            if others and not self._report.every_event:
                numbers = ", with other numbers" if "0" in message else ""
                where = f'shot "{shot}", ' if shot else ""
                frames = f"frame{'s' if len(others) > 1 else ''} {format_frames(others)}"
                self._report.note(
                    f'{where}node "{node}": the warning of frame {first} holds at {frames} too{numbers}'
                )
