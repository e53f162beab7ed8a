"""Fourth stage: computes frames of a plan."""

from __future__ import annotations

import functools
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from stackcomp.data import arguments
from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.errors import Problem
from stackcomp.execute.constants import Constants
from stackcomp.execute.frame import FrameRun, LoopCache, Request, Result
from stackcomp.execute.overlap import Delivered, FrameQueue, delivered, in_series
from stackcomp.execute.plane_pool import PlanePool
from stackcomp.kernels.strips import thread_count
from stackcomp.plan.planning import Plan

__all__ = ["Executor", "Result"]


_MOST_KEPT = 1000
"""Things that are kept for further frames, at most."""


class Executor:
    """Computes frames of one plan. Keeps compiled loops and memory between frames.

    Args:
        plan: what to compute.
        pool: memory to use again; executors of one composition share it.
    """

    def __init__(self, plan: Plan, pool: PlanePool | None = None) -> None:
        self.plan = plan
        self.pool = pool or PlanePool()
        self._loops: LoopCache = {}
        # What is alike at all frames, by scale and window.
        self._kept: dict[Any, Any] = {}

    def with_given(self, given: Mapping[str, Image]) -> Executor:
        """The same plan, loops and memory, with these pictures in place of the results of nodes.

        Args:
            given: pictures of the types and windows that the plan was made for.
        """
        checked = replace(self.plan.checked, given=dict(given))
        other = Executor(replace(self.plan, checked=checked), self.pool)
        other._loops, other._kept = self._loops, self._kept
        return other

    def results(
        self,
        frame: int,
        *,
        scale: float = 1.0,
        window: Window | None = None,
        warn: Callable[[str, str], None] | None = None,
        notes: Callable[[str, int], Mapping[str, Any]] | None = None,
    ) -> Iterator[Result]:
        """Wanted nodes in the order in which they are finished.

        Args:
            frame: frame number.
            scale: 1 for full size, 0.5 for half.
            window: pixels wanted, at full size; everything when None. Where it shows nothing, pictures are empty.
            warn: called with node and message for what is worth knowing but stops nothing.
            notes: gives what a deliver node records in its files.

        Returns:
            Results whose pictures are the caller's: their memory is not used again. Their planes are read-only.

        Raises:
            ArgumentError: an argument that makes no sense.
            RenderError: a node failed; its cause says why.
            BugError: a node failed by an exception that no input should cause.
        """
        return self._run(_request(frame, scale, window, warn, notes)).results()

    def write(
        self,
        frame: int,
        *,
        warn: Callable[[str, str], None] | None = None,
        notes: Callable[[str, int], Mapping[str, Any]] | None = None,
    ) -> Iterator[tuple[str, tuple[str, ...]]]:
        """Write the files of the plan's deliver nodes; hand out no picture, so that all memory is used again.

        Args:
            frame: frame number.
            warn: as in `results`.
            notes: as in `results`.

        Returns:
            For each node, as soon as it is finished, its name and the paths of its files.

        Raises:
            RenderError, BugError: as in `results`.
        """
        run = self._run(_request(frame, 1.0, None, warn, notes), self._constants)
        return ((finished.node, finished.files) for finished in run.finished())

    def write_all(
        self,
        frames: Sequence[int] | FrameQueue,
        *,
        notes: Callable[[str, int], Mapping[str, Any]] | None = None,
    ) -> Generator[Delivered]:
        """Write the files of the plan's deliver nodes for many frames, with reading and writing beside computing.

        Args:
            frames: frame numbers, in order; or a queue that they come from.
            notes: as in `results`; it is called in another thread.

        Returns:
            What became of each frame, in order; nothing is raised for a frame that failed.
        """

        def begun(frame: int, warn: Callable[[str, str], None]) -> FrameRun:
            return self._run(_request(frame, 1.0, None, warn, notes), self._constants)

        return delivered(begun, frames)

    def write_in_series(
        self,
        queue: FrameQueue,
        *,
        announce: Callable[[int], None],
        notes: Callable[[str, int], Mapping[str, Any]] | None = None,
    ) -> Generator[Delivered]:
        """The same in one thread, one thing after the other, for a process that has one core to itself.

        Args:
            queue: that frames come from.
            announce: called with the next frame's number before a frame is computed.
            notes: as in `results`.
        """

        def begun(frame: int, warn: Callable[[str, str], None]) -> FrameRun:
            return self._run(_request(frame, 1.0, None, warn, notes), self._constants)

        return in_series(begun, queue, announce)

    def outside(self, frame: int, *, window: Window | None, scale: float = 1.0) -> list[Problem]:
        """One finding for each wanted node of which a window shows nothing; no pixel is read.

        Overscan counts: a window may lie beyond the frame where there are pixels.
        """
        return self._run(_request(frame, scale, window, None, None)).outside()

    @functools.cached_property
    def _constants(self) -> Constants:
        """What all delivered frames have in common."""
        return Constants(self.plan)

    def _run(self, request: Request, constants: Constants | None = None) -> FrameRun:
        if len(self._kept) > _MOST_KEPT:
            self._kept.clear()
        return FrameRun(self.plan, request, self.pool, self._loops, self._kept, constants)


def _request(frame: Any, scale: Any, window: Any, warn: Any, notes: Any) -> Request:
    # A wrong STACKCOMP_THREADS is a mistake of the request, not of the node that is computed first.
    thread_count()
    # An empty window is a request for empty pictures; all else is checked as Composition.render checks it.
    empty = isinstance(window, Window) and window.empty
    return Request(
        arguments.frame_number(frame),
        arguments.scale_factor(scale),
        window if empty else arguments.window(window),
        arguments.callback(warn, "warn"),
        arguments.callback(notes, "notes"),
    )
