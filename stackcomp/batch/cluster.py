"""Frames on other machines, through a scheduler of dask.distributed (extra ``cluster``).

The same `Renderer` runs in each of its workers; all of them see the same files under the same paths. What a frame
becomes is reported to the process that started the batch, which alone writes the ledger.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from stackcomp.batch.pool import Task
from stackcomp.batch.record import FrameRecord, Reason, reason_of
from stackcomp.batch.renderer import Renderer
from stackcomp.batch.work import ShotSpec
from stackcomp.errors import Problem, RequestError
from stackcomp.version import __version__

__all__ = ["ClusterPool", "render_frame"]

#: How often a frame is tried after its worker is gone.
_RETRIES = 2
#: Seconds to wait for the scheduler.
_PATIENCE = 10
#: Frames that are handed to the scheduler for each thread of a worker.
_AHEAD = 2


def render_frame(spec: ShotSpec, frame: int) -> FrameRecord:
    """Render one frame in this process; what was opened for the shot is kept for its next frame.

    Nothing is raised: what went wrong is in the record.
    """
    try:
        with _shot_lock:
            renderer = _renderer(spec)
            (record,) = renderer.frames([frame])
        return record
    except Exception as error:
        return FrameRecord(spec.name, frame, reason=reason_of(error))


_shot_lock = threading.Lock()
_opened: dict[str, Renderer] = {}


def _renderer(spec: ShotSpec) -> Renderer:
    """What renders the shot; one is kept, since each holds memory."""
    key = repr(spec)
    if key not in _opened:
        _opened.clear()
        _opened[key] = Renderer(spec)
    return _opened[key]


class ClusterPool:
    """Runs tasks on a cluster.

    Args:
        address: of the scheduler.
        specs: shots by name.
        log: called with a message about what happened.

    Raises:
        RequestError: the extra is not installed, the scheduler does not answer, it has no workers, or a worker has
            another version of stackcomp or does not see the files.
    """

    def __init__(self, address: str, specs: Mapping[str, ShotSpec], *, log: Callable[[str], None]) -> None:
        self._specs, self._log = specs, log
        self._stopping = self._at_once = False
        self._client = _connected(address)
        try:
            self._check_workers(address)
        except BaseException:
            self._client.close()
            raise

    def stop(self, *, at_once: bool = False) -> None:
        """Begin no further frame; ``at_once``: wait for none either. May be called from a signal handler."""
        self._stopping, self._at_once = True, self._at_once or at_once

    def run(self, tasks: list[Task]) -> Iterator[FrameRecord]:
        """What became of each task, in the order in which they end; frames that were not begun are left out."""
        waiting = list(reversed(tasks))
        running: dict[Any, Task] = {}
        tries: dict[tuple[str, int], int] = {}
        try:
            while (waiting and not self._stopping) or running:
                while waiting and not self._stopping and len(running) < self._places():
                    task = waiting.pop()
                    running[self._submit(task)] = task
                if self._at_once:
                    return
                for future in self._ended(list(running)):
                    task = running.pop(future)
                    record = self._record(future, task)
                    tries[task.shot, task.frame] = tries.get((task.shot, task.frame), 0) + 1
                    passing = record.reason is not None and record.reason.kind == "passing"
                    if passing and tries[task.shot, task.frame] < _RETRIES and not self._stopping:
                        waiting.insert(0, task)
                    else:
                        yield record
        finally:
            with contextlib.suppress(Exception):
                self._client.cancel(list(running), force=True)
            self._client.close()

    # -- parts ---------------------------------------------------------------------------------------------------

    def _places(self) -> int:
        """Frames that are handed out at a time, so that a stop leaves few to wait for."""
        info = self._client.scheduler_info()
        threads = sum(int(worker["nthreads"]) for worker in info["workers"].values())
        return max(1, _AHEAD * threads)

    def _submit(self, task: Task) -> Any:
        return self._client.submit(
            render_frame, self._specs[task.shot], task.frame, pure=False, retries=_RETRIES,
            key=f"stackcomp-{task.shot}-{task.frame}-{time.monotonic_ns()}",
        )  # fmt: skip

    def _ended(self, futures: list[Any]) -> list[Any]:
        from distributed import wait

        with contextlib.suppress(TimeoutError), self._client.as_current():
            wait(futures, timeout=0.5, return_when="FIRST_COMPLETED")
        return [future for future in futures if future.done()]

    def _record(self, future: Any, task: Task) -> FrameRecord:
        try:
            record: FrameRecord = future.result(timeout=_PATIENCE)
        except Exception as error:
            message = f"its worker was lost: {type(error).__name__}: {error}"
            return FrameRecord(task.shot, task.frame, reason=Reason(message.splitlines()[0], kind="worker"))
        return record

    def _check_workers(self, address: str) -> None:
        workers = self._client.scheduler_info()["workers"]
        if not workers:
            raise _refused(f"the scheduler at {address} has no workers", f"start some: dask worker {address}")
        ours = _versions()
        for worker, theirs in self._client.run(_versions, on_error="return").items():
            if isinstance(theirs, BaseException):
                raise _refused(
                    f"the worker {worker} has no usable stackcomp: {theirs}", "install it on all machines"
                )
            if theirs["stackcomp"] != __version__:
                message = f"the worker {worker} has stackcomp {theirs['stackcomp']}, and this is {__version__}"
                raise _refused(message, "install the same version on all machines")
            others = [name for name in ours if theirs.get(name) != ours[name]]
            if others:
                listed = ", ".join(f"{name} {theirs.get(name)} instead of {ours[name]}" for name in others)
                self._log(f"the worker {worker} has {listed}: its pixels may differ in the last bit")
        for spec in self._specs.values():
            seen = self._client.run(_sees, spec.root, on_error="return")
            for worker, answer in seen.items():
                if answer is not True:
                    way_out = "all machines need the shared folder under the same path"
                    raise _refused(f"the worker {worker} does not see the folder {spec.root}", way_out)
        self._log(f"{len(workers)} workers at {address}")


def _versions() -> dict[str, str]:
    """Versions of what decides about pixels."""
    import platform
    from importlib.metadata import version

    names = ("numpy", "llvmlite", "OpenEXR", "opencolorio")
    python = ".".join(platform.python_version_tuple()[:2])
    return {"stackcomp": version("stackcomp"), "Python": python, **{name: version(name) for name in names}}


def _sees(folder: str) -> bool:
    import os

    return os.path.isdir(folder)


def _refused(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("cluster", f"--cluster: {message}", way_out))


def _connected(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise _refused("dask.distributed is not installed", "pip install 'stackcomp[cluster]'") from None
    try:
        return Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise _refused(f"no scheduler answers at {address}: {reason}", "start one: dask scheduler") from None
