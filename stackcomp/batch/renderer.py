"""Frames of one shot, rendered in this process. Every way of running a batch ends here."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Generator, Mapping, Sequence
from pathlib import Path
from typing import Any

from stackcomp.batch.fingerprint import file_record
from stackcomp.batch.memory import peak_memory
from stackcomp.batch.record import FileRecord, FrameRecord, Reason, reason_of
from stackcomp.batch.work import ShotSpec
from stackcomp.check.check_graph import check_graph
from stackcomp.check.outputs import Outputs
from stackcomp.deliver.provenance import input_files, notes_for
from stackcomp.document.graph import Graph
from stackcomp.errors import CheckError
from stackcomp.execute.executor import Executor
from stackcomp.execute.overlap import Delivered, FrameQueue
from stackcomp.files.colour_tables import config_files
from stackcomp.kernels.strips import thread_count
from stackcomp.plan.planning import make_plan

__all__ = ["Renderer"]


class Renderer:
    """Renders frames of a shot.

    Args:
        spec: the shot.

    Raises:
        GraphError: it cannot be rendered at the frame of the spec; the process that made the spec has checked that
            it can, so something has changed since.
    """

    def __init__(self, spec: ShotSpec) -> None:
        self.spec, self._root = spec, Path(spec.root)
        self._document = Graph.from_json(spec.graph, spec.place).document(dict(spec.variables))
        # Which files may be replaced has been checked for all shots together.
        checked, problems = check_graph(
            self._document, self._root, frames=[spec.frame], wanted=spec.sinks, outputs=Outputs((), True)
        )
        if checked is None:
            raise CheckError(problem for problem in problems if problem.severity == "error")
        self._config = self._root / self._document.head.colour_config
        self.checked = checked
        # Files that were read, by frame.
        self._noted: dict[int, dict[Path, FileRecord]] = {}
        self._executor = Executor(make_plan(checked, spec.sinks, fused=True, sinks=True))

    def frames(self, frames: Sequence[int] | FrameQueue) -> Generator[FrameRecord]:
        """Render frames and write their files.

        Args:
            frames: frame numbers, or a queue that they come from.

        Returns:
            What became of each frame, once its files are whole; nothing is raised for a frame that failed.
        """
        last = time.perf_counter()
        if thread_count() == 1 and not isinstance(frames, Sequence):
            # Other processes use the other cores, so that threads of this one would only take memory.
            outcomes = self._executor.write_in_series(frames, announce=self._read_ahead, notes=self._notes)
        else:
            outcomes = self._executor.write_all(frames, notes=self._notes)
        for outcome in outcomes:
            now = time.perf_counter()
            yield self._record(outcome, now - last)
            last = now

    def _read_ahead(self, frame: int) -> None:
        """Have the system read a frame's files into its memory, which takes none of this process."""
        if not hasattr(os, "posix_fadvise"):
            return
        for path in input_files(self._document, self._root, self.spec.sinks, frame):
            # A file that is missing, or that no pages can be had of, is reported when its frame is computed.
            with contextlib.suppress(OSError), path.open("rb", buffering=0) as file:
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_WILLNEED)

    def _notes(self, node: str, frame: int) -> Mapping[str, Any]:
        # Before its files are written, the executor makes sure that what was read is still in the state noted
        # here.
        noted = self._noted.setdefault(frame, {})
        for path in self._read_for(node, frame):
            noted[path] = file_record(path)
        return notes_for(self._document, self._root, node, frame)

    def _read_for(self, node: str, frame: int) -> list[Path]:
        paths = input_files(self._document, self._root, [node], frame)
        return [*paths, *config_files(self._config)]

    def _record(self, outcome: Delivered, seconds: float) -> FrameRecord:
        reason: Reason | None = None if outcome.failure is None else reason_of(outcome.failure)
        files: tuple[FileRecord, ...] = ()
        inputs = tuple(self._noted.pop(outcome.frame, {}).values())
        if reason is None:
            try:
                files = tuple(file_record(Path(path)) for _, paths in outcome.written for path in paths)
            except Exception as error:
                reason = reason_of(error)
        return FrameRecord(
            self.spec.name, outcome.frame, files, inputs, seconds, peak_memory(), outcome.doubts, reason
        )
