"""Keep what a library prints out of our output.

The OpenEXR bindings print a warning to `sys.stdout` when they drop a part. There it would stand in the
middle of what a command prints for another program, and say nothing to whom it concerns. `tifffile` logs what it
finds wrong with a file, which without any logging set up ends on the terminal. The OpenEXR library itself writes
to the error output of the process, past Python.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from typing import Any

__all__ = ["logged", "printed", "unheard"]

_lock = threading.Lock()
_listening: dict[int, list[str]] = {}
_proxy: _ByThread | None = None
#: By these their lines are known.
_LIBRARIES = (b"(EXR_ERR", b"PNG warning", b"libpng")
_deaf: _ErrorOutput | None = None
_deaf_count = 0


class _ByThread:
    """Stands in for `sys.stdout`: keeps what listening threads print, hands on the rest."""

    def __init__(self, real: Any) -> None:
        self.real = real

    def write(self, text: str) -> int:
        heard = _listening.get(threading.get_ident())
        if heard is None:
            return int(self.real.write(text) or 0)
        heard.append(text)
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)


@contextlib.contextmanager
def printed() -> Iterator[list[str]]:
    """Gives a list of what this thread prints inside; other threads print as ever."""
    global _proxy
    me = threading.get_ident()
    heard: list[str] = []
    with _lock:
        if _proxy is None:
            _proxy = _ByThread(sys.stdout)
            sys.stdout = _proxy
        _listening[me] = heard
    try:
        yield heard
    finally:
        with _lock:
            _listening.pop(me, None)
            if not _listening and _proxy is not None:
                # Only the last one out puts it back, and only if nobody else has changed it since.
                if sys.stdout is _proxy:
                    sys.stdout = _proxy.real
                _proxy = None


@contextlib.contextmanager
def logged(name: str) -> Iterator[list[str]]:
    """Gives a list of what a library's logger is told by this thread inside; others are logged as ever.

    Args:
        name: of the logger.
    """
    me = threading.get_ident()
    heard: list[str] = []

    def keep(record: logging.LogRecord) -> bool:
        if record.thread != me:
            return True
        if record.levelno >= logging.WARNING:
            heard.append(record.getMessage())
        return False

    logger = logging.getLogger(name)
    logger.addFilter(keep)
    try:
        yield heard
    finally:
        logger.removeFilter(keep)


class _ErrorOutput:
    """The error output of the process, led into a passing file."""

    def __init__(self) -> None:
        # In memory where the system can do that: this happens at every file.
        in_memory = hasattr(os, "memfd_create")
        self.kept = os.fdopen(os.memfd_create("kept"), "w+b") if in_memory else tempfile.TemporaryFile()  # noqa: SIM115
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.flush()
        self.real = os.dup(2)
        os.dup2(self.kept.fileno(), 2)

    def give_back(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.flush()
        os.dup2(self.real, 2)
        self.kept.seek(0)
        # What others said meanwhile was for the user.
        others = b"".join(line for line in self.kept if not any(sign in line for sign in _LIBRARIES))
        if others:
            os.write(2, others)
        os.close(self.real)
        self.kept.close()


@contextlib.contextmanager
def unheard() -> Iterator[None]:
    """Holds back what the libraries for files write to the error output of the process.

    Other lines that come meanwhile, from any thread, are written when it ends.
    """
    global _deaf, _deaf_count
    with _lock:
        if _deaf_count == 0:
            with contextlib.suppress(OSError):  # no error output at all: nothing to hold back
                _deaf = _ErrorOutput()
        _deaf_count += 1
    try:
        yield
    finally:
        with _lock:
            _deaf_count -= 1
            if _deaf_count == 0 and _deaf is not None:
                _deaf.give_back()
                _deaf = None
