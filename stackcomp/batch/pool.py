"""Worker processes: they get frames, are watched, and are replaced where they die.

A worker gets a few frames ahead, so that it can read the files of the next one while it computes. A worker that
dies takes only the frames with it that it had begun. These are tried once more, alone in a process, so that a
frame that kills its worker takes no other with it.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from stackcomp.batch.memory import resident_memory
from stackcomp.batch.record import FrameRecord, Reason
from stackcomp.batch.work import ShotSpec
from stackcomp.batch.worker import work

__all__ = ["Pool", "Task"]

#: Frames that a worker has: one is written, one computed, one read.
_AHEAD = 3
#: How often a frame is tried after passing failures, and after deaths of its worker; how often a shot is opened.
_TRIES = 2
#: Seconds between looks at the memory of workers.
_LOOK = 0.5
#: Seconds before frames that failed for a passing reason are tried again.
_PAUSE = 2.0
#: Seconds for a worker to end after its last frame.
_PATIENCE = 10.0


@dataclass
class Task:
    """A frame of a shot.

    Attributes:
        shot: name of the shot.
        frame: its number.
        tries: how often it failed for a passing reason.
        deaths: how often its worker died.
    """

    shot: str
    frame: int
    tries: int = 0
    deaths: int = 0

    @property
    def alone(self) -> bool:
        """Whether it gets a worker of its own, since its last one died."""
        return self.deaths > 0

    def __str__(self) -> str:
        return f'shot "{self.shot}", frame {self.frame}' if self.shot else f"frame {self.frame}"


@dataclass
class _Worker:
    process: BaseProcess
    connection: Connection
    shot: str | None = None
    tasks: dict[int, Task] = field(default_factory=dict)
    begun: set[int] = field(default_factory=set)
    #: Whether it has begun a frame of its shot.
    opened: bool = False
    ended: bool = False
    over_limit: int = 0

    @property
    def alone(self) -> bool:
        return any(task.alone for task in self.tasks.values())


class Pool:
    """Runs tasks in processes.

    Args:
        specs: shots by name.
        workers: how many processes.
        threads: threads of each.
        memory_limit: bytes that a worker may hold; 0 for no limit.
        log: called with a message about what happened to a worker.
    """

    def __init__(
        self,
        specs: Mapping[str, ShotSpec],
        *,
        workers: int,
        threads: int,
        memory_limit: int = 0,
        log: Callable[[str], None] | None = None,
    ) -> None:
        self._specs, self._limit = specs, memory_limit
        self._count, self._threads = max(1, workers), max(1, threads)
        self._log = log or (lambda message: None)
        self._workers: list[_Worker] = []
        self._waiting: deque[Task] = deque()
        self._later: list[tuple[float, Task]] = []
        self._stopping = self._at_once = False
        # Shots that cannot be opened, and how often a worker died while it opened one.
        self._broken: dict[str, Reason] = {}
        self._openings: dict[str, int] = {}
        # By this a signal handler wakes whoever waits for workers.
        self._wake_read, self._wake_write = os.pipe()

    def stop(self, *, at_once: bool = False) -> None:
        """Begin no further frame; ``at_once``: end those in flight too. May be called from a signal handler."""
        self._stopping, self._at_once = True, self._at_once or at_once
        if self._at_once:
            for worker in list(self._workers):
                worker.process.kill()
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b"!")

    def run(self, tasks: list[Task]) -> Iterator[FrameRecord]:
        """What became of each task, in the order in which they end. Frames that were not begun are left out."""
        self._waiting.extend(tasks)
        try:
            looked = time.monotonic()
            while True:
                self._wake_later()
                yield from self._fill()
                if not self._busy and not self._pending:
                    break
                yield from self._listen()
                if time.monotonic() - looked >= _LOOK:
                    looked = time.monotonic()
                    self._look_at_memory()
        finally:
            self._close()

    # -- giving ------------------------------------------------------------------------------------------------

    @property
    def _busy(self) -> bool:
        return any(worker.tasks for worker in self._workers)

    @property
    def _pending(self) -> bool:
        return not self._stopping and bool(self._waiting or self._later)

    def _wake_later(self) -> None:
        now = time.monotonic()
        for due, task in list(self._later):
            if now >= due:
                self._later.remove((due, task))
                self._waiting.append(task)

    def _fill(self) -> Iterator[FrameRecord]:
        """Give every worker enough to do."""
        waiting = [task for task in self._waiting if task.shot in self._broken]
        for task in waiting:
            self._waiting.remove(task)
            yield FrameRecord(task.shot, task.frame, reason=self._broken[task.shot])
        wanted = min(self._count, len(self._waiting) + sum(bool(worker.tasks) for worker in self._workers))
        while len(self._workers) < wanted and not self._stopping:
            self._workers.append(self._start())
        for depth in range(1, _AHEAD + 1):
            for worker in self._workers:
                while self._may_give(worker, depth):
                    self._give(worker, self._waiting.popleft())
        if self._stopping:
            for worker in list(self._workers):
                if self._at_once:
                    worker.process.kill()
                self._say(worker, ("stop",))

    def _may_give(self, worker: _Worker, depth: int) -> bool:
        if self._stopping or not self._waiting or len(worker.tasks) >= depth:
            return False
        task = self._waiting[0]
        if worker.ended or worker.alone or not worker.process.is_alive():
            return False
        # Its frames are known by number alone, so it finishes one shot before it begins another.
        other_shot = worker.shot != task.shot
        return not (worker.tasks and (task.alone or other_shot))

    def _give(self, worker: _Worker, task: Task) -> None:
        if worker.shot != task.shot:
            worker.shot, worker.opened = task.shot, False
            self._say(worker, ("shot", self._specs[task.shot]))
        worker.tasks[task.frame] = task
        self._say(worker, ("frame", task.frame))

    def _say(self, worker: _Worker, message: tuple[Any, ...]) -> None:
        if worker.ended:
            return
        worker.ended = message[0] in ("end", "stop")
        # Whether it still listens is found out when it is waited for.
        with contextlib.suppress(OSError):
            worker.connection.send(message)

    def _start(self) -> _Worker:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=work, args=(theirs,), name="stackcomp-worker", daemon=True)
        with _environment(self._threads), _deaf_to_interrupts():
            process.start()
        theirs.close()
        return _Worker(process, ours)

    # -- listening ---------------------------------------------------------------------------------------------

    def _listen(self) -> Iterator[FrameRecord]:
        sources: dict[Any, _Worker | None] = {self._wake_read: None}
        for worker in self._workers:
            sources[worker.connection] = sources[worker.process.sentinel] = worker
        pauses = [due - time.monotonic() for due, _ in self._later]
        ready = wait(list(sources), timeout=max(0.0, min([_LOOK, *pauses])))
        if self._wake_read in ready:
            os.read(self._wake_read, 1 << 12)
        heard = [sources[source] for source in ready]
        for worker in list(self._workers):
            if any(worker is one for one in heard):
                yield from self._hear(worker)

    def _hear(self, worker: _Worker) -> Iterator[FrameRecord]:
        dead = not worker.process.is_alive()
        while True:
            try:
                if not worker.connection.poll():
                    break
                message = worker.connection.recv()
            except (EOFError, OSError):
                dead = True
                break
            yield from self._message(worker, message)
        if dead:
            worker.process.join(_PATIENCE)
            yield from self._mourn(worker)

    def _message(self, worker: _Worker, message: tuple[Any, ...]) -> Iterator[FrameRecord]:
        if message[0] == "begun":
            worker.begun.add(message[1])
            worker.opened = True
        elif message[0] == "broken":
            assert worker.shot is not None
            yield from self._cannot_open(worker, message[1])
        elif message[0] == "record":
            record: FrameRecord = message[1]
            task = worker.tasks.pop(record.frame)
            worker.begun.discard(record.frame)
            if record.reason is None or record.reason.kind != "passing" or not self._again(task, record.reason):
                yield record

    def _again(self, task: Task, reason: Reason) -> bool:
        """Whether it is tried once more, after the others."""
        task.tries += 1
        if task.tries >= _TRIES or self._stopping:
            return False
        self._later.append((time.monotonic() + _PAUSE, task))
        self._log(f"{task} is tried again later: {reason.message}")
        return True

    def _cannot_open(self, worker: _Worker, reason: Reason) -> Iterator[FrameRecord]:
        """The shot of a worker cannot be opened; its frames fail, here and elsewhere, unless that may pass."""
        assert worker.shot is not None
        passing = reason.kind == "passing"
        if not passing:
            self._broken[worker.shot] = reason
        tasks, worker.tasks, worker.shot = list(worker.tasks.values()), {}, None
        worker.begun.clear()
        for task in tasks:
            if not passing or not self._again(task, reason):
                yield FrameRecord(task.shot, task.frame, reason=reason)

    def _mourn(self, worker: _Worker) -> Iterator[FrameRecord]:
        """A worker has died, or ended because it was told to."""
        self._workers.remove(worker)
        worker.connection.close()
        if self._stopping or not worker.tasks:
            return
        reason = Reason(_death(worker, self._limit), kind="worker")
        if not worker.opened and worker.shot is not None:
            self._openings[worker.shot] = self._openings.get(worker.shot, 0) + 1
            if self._openings[worker.shot] >= _TRIES:
                yield from self._cannot_open(worker, reason)
                return
        lost = sorted(worker.tasks.values(), key=lambda task: task.frame, reverse=True)
        for task in lost:
            begun = task.frame in worker.begun
            task.deaths += begun
            if task.deaths >= _TRIES:
                yield FrameRecord(task.shot, task.frame, reason=reason)
                continue
            self._waiting.appendleft(task)
            if begun:
                self._log(f"{task} is tried again, alone: {reason.message}")

    def _look_at_memory(self) -> None:
        if not self._limit:
            return
        for worker in self._workers:
            used = resident_memory(worker.process.pid or 0) if worker.tasks else 0
            if used > self._limit and not worker.over_limit:
                worker.over_limit = used
                worker.process.kill()

    def _close(self) -> None:
        for worker in self._workers:
            # Whoever stopped listening wants no further frames either.
            self._say(worker, ("stop",) if worker.tasks else ("end",))
        deadline = time.monotonic() + _PATIENCE
        for worker in self._workers:
            worker.process.join(max(0.1, deadline - time.monotonic()))
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
            worker.connection.close()
        self._workers.clear()
        pipe = self._wake_read, self._wake_write
        # Numbers of closed files are used again by others.
        self._wake_read = self._wake_write = -1
        for descriptor in pipe:
            with contextlib.suppress(OSError):
                os.close(descriptor)


def _death(worker: _Worker, limit: int) -> str:
    if worker.over_limit:
        return (
            f"its worker used {worker.over_limit / 1e9:.1f} GB, over its limit of {limit / 1e9:.1f} GB, and was "
            "ended; fewer workers leave more memory for each"
        )
    code = worker.process.exitcode
    if code is not None and code < 0:
        try:
            name = signal.Signals(-code).name
        except ValueError:
            name = f"signal {-code}"
        hint = "; the system ends processes so when memory runs out" if name == "SIGKILL" else ""
        return f"its worker was ended by {name}{hint}"
    return f"its worker ended with exit code {code}"


@contextlib.contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """What is started now does not hear Ctrl-C, not even while it is loaded; this process hears it afterwards."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    # When it starts its helper process, the library hears it again; so that one is started before.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _environment(threads: int) -> Iterator[None]:
    """What a process that is started now sees: libraries read these numbers when they are loaded."""
    names = ("STACKCOMP_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, str(threads)))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
