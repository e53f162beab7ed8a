"""A process that renders frames, for the pool.

Messages to it: ``("shot", spec)``, ``("frame", number)``, ``("end",)`` behind the last one, and ``("stop",)``,
which goes before all that wait. Messages from it: ``("ready", pid)``, ``("begun", number)``, ``("record",
FrameRecord)``, ``("broken", Reason)`` where a shot cannot be opened. No pixel travels between processes.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from multiprocessing.connection import Connection
from typing import Any

__all__ = ["work"]


def work(connection: Connection) -> None:
    """Render what comes through the connection until it says that this was all, or the other side is gone."""
    # Whoever started this process decides what a press of Ctrl-C means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _end_with_parent()
    from stackcomp.batch.record import reason_of
    from stackcomp.batch.renderer import Renderer

    inbox = _Inbox(connection)
    connection.send(("ready", os.getpid()))
    try:
        while (spec := inbox.next_shot()) is not None:
            try:
                renderer = Renderer(spec)
            except Exception as error:
                connection.send(("broken", reason_of(error)))
                inbox.drop_frames()
                continue
            for record in renderer.frames(inbox):
                connection.send(("record", record))
            del renderer
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        # A frame that is being written has only its hidden name.
        os._exit(1)

    threading.Thread(target=wait, name="stackcomp-parent", daemon=True).start()


class _Inbox:
    """Messages that have come; a queue of the frames of the current shot."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._waiting: deque[tuple[Any, ...]] = deque()

    def next_shot(self) -> Any:
        """The next shot; None where there is no further one."""
        message = self._first(wait=True)
        assert message is not None
        if message[0] != "shot":
            # The end stays there, for whoever asks again.
            return None
        self._waiting.popleft()
        return message[1]

    def take(self, *, wait: bool) -> int | None:
        """The next frame of the shot, as in `stackcomp.execute.overlap.FrameQueue`."""
        message = self._first(wait=wait)
        if message is None or message[0] != "frame":
            return None
        self._waiting.popleft()
        self._connection.send(("begun", message[1]))
        return int(message[1])

    def drop_frames(self) -> None:
        """Forget the frames of a shot that cannot be opened."""
        while (message := self._first(wait=True)) is not None and message[0] == "frame":
            self._waiting.popleft()

    def _first(self, *, wait: bool) -> tuple[Any, ...] | None:
        """The first message, which stays; None where none has come."""
        while self._connection.poll() or (wait and not self._waiting):
            message = self._connection.recv()
            if message[0] == "stop":
                # Frames that are not begun are not wanted any more.
                self._waiting.clear()
            self._waiting.append(message)
        return self._waiting[0] if self._waiting else None
