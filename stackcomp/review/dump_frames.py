"""A dump of several frames: one dump a frame, each in a folder of its own that is called after the frame.

A frame that fails does not stop the others. Dumps of frames that are not asked for stay where they are.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stackcomp.composition import Composition
from stackcomp.review.dump import DumpReport, dump, writings
from stackcomp.review.pictures import keep_originals

__all__ = ["FramesReport", "dump_frames", "folder_of_frame"]


@dataclass(frozen=True)
class FramesReport:
    """The result: a report for each frame, in the order of the frames."""

    folder: Path
    frames: tuple[DumpReport, ...]

    @property
    def complete(self) -> bool:
        """Whether every node of every frame is there."""
        return all(report.complete for report in self.frames)

    @property
    def folders(self) -> tuple[Path, ...]:
        """The folders of the frames."""
        return tuple(report.folder for report in self.frames)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data: what each frame's ``nodes.json`` holds."""
        return {"folder": str(self.folder), "frames": [report.data for report in self.frames]}


def folder_of_frame(folder: str | Path, frame: int) -> Path:
    """The folder of a frame: its number in four digits or more, as in ``1001``, ``0007`` or ``-0001``."""
    return Path(folder) / f"{frame:0{5 if frame < 0 else 4}d}"


def dump_frames(
    composition: Composition,
    frames: Sequence[int],
    to: str | Path,
    *,
    nodes: Collection[str] | None = None,
    scale: float = 1.0,
    viewing_stops: float = 0.0,
    replace_foreign: bool = False,
    folder_of: Callable[[int], Path] | None = None,
    warn: Callable[[int, str, str], None] | None = None,
    finished: Callable[[int, str], None] | None = None,
) -> FramesReport:
    """Write a dump of each frame.

    Args:
        composition: the graph.
        frames: frame numbers.
        to: folder; made where missing.
        nodes: as in `stackcomp.review.dump.dump`.
        scale: likewise.
        viewing_stops: likewise.
        replace_foreign: likewise.
        folder_of: the folder of a frame; `folder_of_frame` when None.
        warn: called with frame, node and message of each warning.
        finished: called with frame and node once the node's files are whole.

    Raises:
        CheckError: the graph has problems at these frames. Nothing was written.
        RequestError: a file would replace one that must stay.
        FileError: a ``nodes.json`` cannot be written.
    """
    # All frames are checked before anything is written.
    folder = folder_of or (lambda frame: folder_of_frame(to, frame))
    asked = tuple(composition.nodes if nodes is None else nodes)
    prepared = composition.prepare(asked, frames)
    files = [writing for frame in frames for writing in writings(composition, folder(frame), asked)]
    keep_originals(composition, frames, files, replace_foreign=replace_foreign)

    def write(frame: int) -> DumpReport:
        return dump(
            composition,
            frame,
            folder(frame),
            nodes=nodes,
            scale=scale,
            viewing_stops=viewing_stops,
            replace_foreign=replace_foreign,
            warn=None if warn is None else lambda node, message: warn(frame, node, message),
            finished=None if finished is None else lambda node: finished(frame, node),
            prepared=prepared,
        )

    return FramesReport(Path(to), tuple(write(frame) for frame in frames))
