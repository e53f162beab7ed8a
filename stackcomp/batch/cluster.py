"""Frames on other machines, through a scheduler of dask.distributed (extra ``cluster``).

The same `Renderer` runs in each of its workers; all of them see the same files under the same paths. What a frame
becomes is reported to the process that started the batch, which alone writes the ledger.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import CancelledError
from typing import Any
from urllib.parse import urlsplit

from stackcomp.batch.pool import Task
from stackcomp.batch.record import FrameRecord, Reason, reason_of
from stackcomp.batch.renderer import Renderer
from stackcomp.batch.work import ShotSpec
from stackcomp.errors import Problem, RequestError
from stackcomp.nodes.kinds import KINDS
from stackcomp.version import __version__

__all__ = ["ClusterPool", "render_frame", "require_scheduler"]

#: Before the name of a package with kinds, among versions.
_KINDS = "kinds of "
_EXAMPLE = "give it as tcp://10.0.0.5:8786"
_PROTOCOLS = ("tcp", "tls", "ws", "wss", "ucx", "ucxx")
#: How often a frame is tried after its worker is gone.
_RETRIES = 2
#: Seconds to wait for the scheduler, and for the report of a frame that it calls finished.
_PATIENCE = 10
#: Frames that are handed to the scheduler for each thread of a worker.
_AHEAD = 2
#: Seconds after which the loop looks whether it was stopped.
_GLANCE = 0.5


def render_frame(spec: ShotSpec, frame: int, program: str = __version__) -> FrameRecord:
    """Render one frame in this process; what was opened for the shot is kept for its next frame.

    Nothing is raised: what went wrong is in the record. A process with another version of stackcomp than
    ``program`` renders nothing, since its files would have its own mark.
    """
    try:
        if program != __version__:
            message = f"the worker {_own_address()} has stackcomp {__version__}, and this is {program}"
            return FrameRecord(spec.name, frame, reason=Reason(message, kind="other-version"))
        with _shot_lock:
            renderer = _renderer(spec)
            (record,) = renderer.frames([frame])
        return record
    except Exception as error:
        return FrameRecord(spec.name, frame, reason=reason_of(error))


def _own_address() -> str:
    from distributed import get_worker

    try:
        return str(get_worker().address)
    except ValueError:
        return "here"


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
        self._specs, self._log, self._address = specs, log, address
        self._stopping = self._at_once = False
        # Workers of another version, which joined after the check.
        self._unfit: set[str] = set()
        self._told_of_none = False
        self._client = _connected(address)
        try:
            self._check_workers(address)
        except BaseException:
            _close(self._client)
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
                if self._scheduler_is_gone():
                    self._log(f"the scheduler at {self._address} is gone: no further frames are begun")
                    for task in running.values():
                        message = f"the scheduler at {self._address} is gone"
                        yield FrameRecord(task.shot, task.frame, reason=Reason(message, kind="worker"))
                    return
                fit = self._fit_workers()
                while waiting and fit and not self._stopping and len(running) < _AHEAD * sum(fit.values()):
                    task = waiting.pop()
                    running[self._submit(task, list(fit))] = task
                if self._at_once:
                    return
                if not running:
                    time.sleep(_GLANCE)
                for future in self._ended(list(running)):
                    task = running.pop(future)
                    if self._lost_by_no_fault(future):
                        waiting.append(task)
                        continue
                    record = self._record(future, task)
                    if record is None:
                        running[future] = task
                        continue
                    if record.reason is not None and record.reason.kind == "other-version":
                        self._put_aside(record.reason.message)
                        waiting.append(task)
                        continue
                    tries[task.shot, task.frame] = tries.get((task.shot, task.frame), 0) + 1
                    passing = record.reason is not None and record.reason.kind == "passing"
                    if passing and tries[task.shot, task.frame] < _RETRIES and not self._stopping:
                        waiting.insert(0, task)
                    else:
                        yield record
        finally:
            with contextlib.suppress(Exception):
                self._client.cancel(list(running), force=True)
            _close(self._client)

    # -- parts ---------------------------------------------------------------------------------------------------

    def _scheduler_is_gone(self) -> bool:
        """Whether the scheduler stayed away for as long as the client tries to reach it again."""
        return self._client.status in ("closing", "closed")

    def _fit_workers(self) -> dict[str, int]:
        """Threads of each worker that may be asked for frames."""
        if self._client.status != "running":
            return {}
        try:
            workers = self._client.scheduler_info()["workers"]
        except (OSError, TimeoutError):
            return {}
        fit = {worker: int(known["nthreads"]) for worker, known in workers.items() if worker not in self._unfit}
        if not fit and not self._told_of_none:
            self._log(f"no workers at {self._address}; frames wait for one (dask worker {self._address})")
        self._told_of_none = not fit
        return fit

    def _put_aside(self, message: str) -> None:
        """Ask a worker of another version no more."""
        worker = message.split()[2]
        if worker not in self._unfit:
            self._log(f"{message}: it is not used")
            self._unfit.add(worker)

    def _submit(self, task: Task, workers: list[str]) -> Any:
        # While all workers will do, the scheduler may also choose one that joins later.
        chosen = {"workers": workers, "allow_other_workers": False} if self._unfit else {}
        return self._client.submit(
            render_frame, self._specs[task.shot], task.frame, __version__, pure=False, retries=_RETRIES,
            key=f"stackcomp-{task.shot}-{task.frame}-{time.monotonic_ns()}", **chosen,
        )  # fmt: skip

    def _lost_by_no_fault(self, future: Any) -> bool:
        """Whether a task has to be handed out again, since the scheduler was away or its workers are gone."""
        return bool(future.cancelled()) and not self._at_once

    def _ended(self, futures: list[Any]) -> list[Any]:
        from distributed import wait

        with contextlib.suppress(TimeoutError, CancelledError), self._client.as_current():
            wait(futures, timeout=_GLANCE, return_when="FIRST_COMPLETED")
        return [future for future in futures if future.done()]

    def _record(self, future: Any, task: Task) -> FrameRecord | None:
        """What became of a task; None where its report cannot be fetched now.

        A report may be lost with its worker after the frame was finished. The scheduler then has the frame made
        again by itself, as soon as it has a worker.
        """
        try:
            record: FrameRecord = future.result(timeout=_PATIENCE)
        except TimeoutError as error:
            if future.status != "error":
                return None
            return _lost(task, error)
        except Exception as error:
            return _lost(task, error)
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
            packages = [name for name in ours if name.startswith(_KINDS) and theirs.get(name) != ours[name]]
            if packages:
                package = packages[0].removeprefix(_KINDS)
                has = f"{package} {theirs[packages[0]]}" if packages[0] in theirs else f"no {package}"
                message = f"the worker {worker} has {has}, and this is {ours[packages[0]]}"
                raise _refused(message, "install the same version on all machines: it has kinds of node")
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


def _lost(task: Task, error: Exception) -> FrameRecord:
    message = f"its worker was lost: {type(error).__name__}: {error}"
    return FrameRecord(task.shot, task.frame, reason=Reason(message.splitlines()[0], kind="worker"))


def _versions() -> dict[str, str]:
    """Versions of what decides about pixels."""
    import platform
    from importlib.metadata import version

    names = ("numpy", "llvmlite", "OpenEXR", "opencolorio")
    python = ".".join(platform.python_version_tuple()[:2])
    kinds = {f"{_KINDS}{origin.package}": origin.version for origin in map(KINDS.origin, KINDS) if origin}
    return {"stackcomp": __version__, "Python": python, **{name: version(name) for name in names}, **kinds}


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
    # What goes wrong is said here, in few words.
    for name in [known for known in logging.root.manager.loggerDict if known.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        return Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise _unanswered(address, error) from None


def require_scheduler(address: str) -> None:
    """Check that a scheduler answers at an address, before anything is written.

    A client that cannot be made leaves threads and tracebacks behind; a single connection does not.

    Raises:
        RequestError: it is not an address, or no scheduler answers.
    """
    host, port = _place(address)
    try:
        socket.create_connection((host, port), timeout=_PATIENCE).close()
        asyncio.run(_greet(address))
    except Exception as error:
        # Where something else answers, the library takes its bytes for messages of a scheduler.
        raise _unanswered(address, error) from None


async def _greet(address: str) -> None:
    """Open a connection as a client does, and close it."""
    try:
        from distributed.comm import connect
    except ImportError:
        return
    connection = await connect(address, timeout=_PATIENCE)
    await connection.close()


def _unanswered(address: str, error: Exception) -> RequestError:
    reason = str(error).splitlines()[0] if str(error) else type(error).__name__
    return _refused(f"no scheduler answers at {address}: {reason}", "start one: dask scheduler")


def _place(address: str) -> tuple[str, int]:
    """Host and port of an address."""
    try:
        parts = urlsplit(address if "://" in address else f"tcp://{address}")
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise _refused(f'"{address}" is no address: {error}', _EXAMPLE) from None
    if parts.scheme not in _PROTOCOLS:
        raise _refused(f'"{address}": {parts.scheme} is not a protocol of a scheduler', _EXAMPLE)
    if not host or not port:
        raise _refused(f'"{address}" has no {"port" if host else "host"}', _EXAMPLE)
    return host, port


def _close(client: Any) -> None:
    """Close a client, whose scheduler may be gone."""
    with contextlib.suppress(Exception):
        client.close(timeout=2)
