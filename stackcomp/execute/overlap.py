"""Frames of a sequence, with files read and written while others are computed.

While a frame is computed, a thread reads the files of the next one, and another writes those of the one before.
What is said of a frame, and whether it failed, comes out in the order of frames.

Memory stays within its bounds, the inputs of a frame and four pictures: what is read ahead counts. So the next
frame's files are read early only where no area node needs the memory, and where as much as this frame's inputs
takes no more than two pictures; else they are read while this frame's files are written. Before area nodes
compute, the files of the frame before are finished.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Protocol

from stackcomp.errors import BugError, WorkError
from stackcomp.execute.frame import FrameRun

__all__ = ["Delivered", "FrameQueue", "delivered", "in_series"]

#: What may be read ahead early, in pictures of four float32 planes.
_MOST_AHEAD = 2

Warn = Callable[[str, str], None]


@dataclass(frozen=True)
class Delivered:
    """What became of a frame.

    Attributes:
        frame: its number.
        written: deliver nodes and their files, in the order in which they were finished.
        doubts: nodes and messages of what stopped nothing.
        failure: why it failed, or None.
    """

    frame: int
    written: tuple[tuple[str, tuple[str, ...]], ...]
    doubts: tuple[tuple[str, str], ...]
    failure: WorkError | BugError | None


class FrameQueue(Protocol):
    """Frame numbers that may still be on their way."""

    def take(self, *, wait: bool) -> int | None:
        """The next frame; None where there is no further one, or none yet and it must not ``wait``."""


class _Listed:
    """A queue of frames that are all known."""

    def __init__(self, frames: Sequence[int]) -> None:
        self._frames = iter(frames)

    def take(self, *, wait: bool) -> int | None:
        return next(self._frames, None)


def delivered(make: Callable[[int, Warn], FrameRun], frames: Sequence[int] | FrameQueue) -> Generator[Delivered]:
    """Compute frames and write their files.

    Args:
        make: gives what computes a frame, from its number and whom it warns.
        frames: their numbers, in order. Of a queue, the next one is read ahead where it is there in time.

    Returns:
        Each frame as soon as it is finished; a frame may be computed before the one before it comes out.
    """
    reader = ThreadPoolExecutor(1, thread_name_prefix="stackcomp-read")
    writer = ThreadPoolExecutor(1, thread_name_prefix="stackcomp-write")
    queue: FrameQueue = frames if hasattr(frames, "take") else _Listed(frames)
    try:
        yield from _in_turn(queue, make, reader, writer)
    finally:
        # Whoever stops listening wants no further files; the one that is being written is finished.
        reader.shutdown(cancel_futures=True)
        writer.shutdown(cancel_futures=True)


def in_series(
    make: Callable[[int, Warn], FrameRun], queue: FrameQueue, announce: Callable[[int], None]
) -> Generator[Delivered]:
    """Compute frames and write their files, all in this thread.

    Args:
        make: as in `delivered`.
        queue: frames.
        announce: called with the frame that comes next, where it is known, before one is computed.
    """

    def begun(*, wait: bool) -> _Begun | None:
        frame = queue.take(wait=wait)
        return None if frame is None else _Begun(frame, make)

    at_once = _AtOnce()
    ahead: _Begun | None = None
    while (current := ahead or begun(wait=True)) is not None:
        ahead = begun(wait=False)
        if ahead is not None:
            announce(ahead.frame)
        current.compute(at_once)
        yield current.end()


class _AtOnce(Executor):
    """Runs what it gets in the thread that gives it."""

    def submit(self, function: Any, /, *arguments: Any, **options: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(function(*arguments, **options))
        except BaseException as error:
            future.set_exception(error)
        return future


def _in_turn(
    queue: FrameQueue,
    make: Callable[[int, Warn], FrameRun],
    reader: ThreadPoolExecutor,
    writer: ThreadPoolExecutor,
) -> Iterator[Delivered]:
    def begun(*, wait: bool) -> _Begun | None:
        frame = queue.take(wait=wait)
        return None if frame is None else _Begun(frame, make)

    behind: _Begun | None = None
    ahead: _Begun | None = None
    while True:
        current = ahead or begun(wait=False)
        if current is None:
            # Who fills the queue may wait for the frame that is being written.
            if behind is not None:
                yield behind.end()
                behind = None
            current = begun(wait=True)
        if current is None:
            return
        current.wait_for_files()
        if behind is not None and current.needs_memory:
            yield behind.end()
            behind = None
        ahead = begun(wait=False)
        if ahead is not None and not current.needs_memory and current.has_small_inputs:
            ahead.read_files(reader)
        current.compute(writer)
        ahead = ahead or begun(wait=False)
        if ahead is not None and current.failure is None:
            ahead.read_files(reader)
        if behind is not None:
            yield behind.end()
        behind = current
        if current.failure is not None:
            yield current.end()
            behind = None


@dataclass
class _Begun:
    """A frame on its way."""

    frame: int
    make: Callable[[int, Warn], FrameRun]
    failure: WorkError | BugError | None = None
    _doubts: list[tuple[str, str]] = field(default_factory=list)
    _run: FrameRun | None = None
    _reading: Future[None] | None = None
    _writing: list[tuple[str, Future[tuple[str, ...]]]] = field(default_factory=list)

    @property
    def run(self) -> FrameRun:
        """What computes it."""
        if self._run is None:
            self._run = self.make(self.frame, lambda node, message: self._doubts.append((node, message)))
        return self._run

    @property
    def needs_memory(self) -> bool:
        """Whether an area node takes part."""
        return self.run.has_area_nodes

    @property
    def has_small_inputs(self) -> bool:
        """Whether its inputs are there, and small enough for as much to be read ahead."""
        return 0 < self.run.input_bytes <= _MOST_AHEAD * self.run.picture_bytes

    def read_files(self, reader: ThreadPoolExecutor) -> None:
        """Begin to read its files, once."""
        if self._reading is None:
            self._reading = reader.submit(self.run.read_files)

    def wait_for_files(self) -> None:
        """Until they are read, if that has begun."""
        if self._reading is not None:
            self._reading.result()

    def compute(self, writer: Executor) -> None:
        """Compute it; its files are then being written."""
        try:
            self._writing = self.run.computed(writer.submit)
        except (WorkError, BugError) as error:
            self.failure = error
            self._writing = self.run.writing

    def end(self) -> Delivered:
        """Wait for its files."""
        written: list[tuple[str, tuple[str, ...]]] = []
        for node, files in self._writing:
            try:
                written.append((node, files.result()))
            except (WorkError, BugError) as error:
                self.failure = self.failure or error
        self.run.give_back()
        frame, self._run = self.frame, None
        return Delivered(frame, tuple(written), tuple(self._doubts), self.failure)
