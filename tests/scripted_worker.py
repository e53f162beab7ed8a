"""A worker of a batch without a renderer: each frame does what its shot says.

The process is a real one, with the real messages; it starts in a fraction of the time. A shot is a dictionary:

    name     its name
    log      a folder; what happens is noted there, see `noted`
    opening  what happens when it is opened: "" (all is well), "raise" or "die"
    frames   what happens at a frame, by number: "" (it is done), "raise", "die", "die once", "passing",
             "passing once", "exit 3", or "allocate"
    seconds  how long each frame takes
"""

from __future__ import annotations

import os
import signal
import sys
import time
import types
from pathlib import Path


def work(connection) -> None:
    """What `stackcomp.batch.worker.work` does, with a scripted renderer."""
    stub = types.ModuleType("stackcomp.batch.renderer")
    stub.Renderer = _Scripted
    sys.modules["stackcomp.batch.renderer"] = stub
    from stackcomp.batch import worker

    worker.work(connection)


def cannot_start(connection) -> None:
    """A process that ends before it has said anything."""
    raise SystemExit(1)


def noted(log: Path, event: str) -> list[tuple[str, int, int]]:
    """All events of a kind in the order in which they happened: shot, frame, process.

    Events are "open" (frame 0), "taken" (from the queue) and "begun" (computing).
    """
    found = []
    for path in log.glob(f"*.{event}"):
        moment, shot, frame, process, _ = path.name.split(".")
        found.append((int(moment), (shot, int(frame), int(process))))
    return [entry for _, entry in sorted(found)]


class _Scripted:
    def __init__(self, spec) -> None:
        self._spec = spec
        self._log = Path(spec["log"])
        self._note(0, "open")
        if spec.get("opening") == "raise":
            raise ValueError("the graph has gone")
        if spec.get("opening") == "die":
            os.kill(os.getpid(), signal.SIGKILL)

    def frames(self, inbox):
        ahead = None
        while True:
            current = self._take(inbox, wait=True) if ahead is None else ahead
            if current is None:
                return
            ahead = self._take(inbox, wait=False)
            yield self._record(current)

    def _take(self, inbox, *, wait):
        frame = inbox.take(wait=wait)
        if frame is not None:
            self._note(frame, "taken")
        return frame

    def _note(self, frame, event) -> None:
        name = f"{time.monotonic_ns()}.{self._spec['name']}.{frame}.{os.getpid()}.{event}"
        (self._log / name).touch()

    def _record(self, frame):
        from stackcomp.batch.record import FrameRecord, Reason

        before = sum(entry[:2] == (self._spec["name"], frame) for entry in noted(self._log, "begun"))
        self._note(frame, "begun")
        action = self._spec["frames"].get(frame, "")
        if action == "die" or (action == "die once" and before == 0):
            os.kill(os.getpid(), signal.SIGKILL)
        if action == "exit 3":
            os._exit(3)
        if action == "allocate":
            held = bytearray(400_000_000)
            held[::4096] = b"\1" * len(held[::4096])
            time.sleep(30)
        time.sleep(self._spec.get("seconds", 0.01))
        reason = None
        if action == "raise":
            reason = Reason("a header lies")
        if action == "passing" or (action == "passing once" and before == 0):
            reason = Reason("the share is gone", kind="passing")
        return FrameRecord(
            self._spec["name"], frame, seconds=float(os.environ["STACKCOMP_THREADS"]), reason=reason
        )
