"""Capture what libraries print, so that it does not get into our output.

The OpenEXR bindings print a warning to `sys.stdout` when they drop a part. It would stand in the middle of output
that another program parses. `tifffile` logs what is wrong with a file; without logging set up, that reaches the
terminal. The OpenEXR library itself writes to the error output of the process, past Python.
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

__all__ = ["captured_log", "captured_stdout", "filtered_stderr"]

_lock = threading.Lock()
_captures: dict[int, list[str]] = {}
_proxy: _StdoutByThread | None = None
#: Marks of the libraries' lines on the error output.
_LIBRARIES = (b"(EXR_ERR", b"PNG warning", b"libpng")
_redirect: _StderrRedirect | None = None
_redirect_count = 0


class _StdoutByThread:
    """Replaces `sys.stdout`: captures the output of registered threads and passes on all other output."""

    def __init__(self, real: Any) -> None:
        self.real = real

    def write(self, text: str) -> int:
        captured = _captures.get(threading.get_ident())
        if captured is None:
            return int(self.real.write(text) or 0)
        captured.append(text)
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)


@contextlib.contextmanager
def captured_stdout() -> Iterator[list[str]]:
    """Yield a list that collects what this thread prints inside; other threads print as before."""
    global _proxy
    thread = threading.get_ident()
    captured: list[str] = []
    with _lock:
        if _proxy is None:
            _proxy = _StdoutByThread(sys.stdout)
            sys.stdout = _proxy
        _captures[thread] = captured
    try:
        yield captured
    finally:
        with _lock:
            _captures.pop(thread, None)
            if not _captures and _proxy is not None:
                # Only the last capture restores it, and only if no one else has replaced it since.
                if sys.stdout is _proxy:
                    sys.stdout = _proxy.real
                _proxy = None


@contextlib.contextmanager
def captured_log(name: str) -> Iterator[list[str]]:
    """Yield a list that collects the warnings that this thread logs inside; other threads log as before.

    Args:
        name: of the logger.
    """
    thread = threading.get_ident()
    captured: list[str] = []

    def capture(record: logging.LogRecord) -> bool:
        if record.thread != thread:
            return True
        if record.levelno >= logging.WARNING:
            captured.append(record.getMessage())
        return False

    logger = logging.getLogger(name)
    logger.addFilter(capture)
    try:
        yield captured
    finally:
        logger.removeFilter(capture)


class _StderrRedirect:
    """The error output of the process, redirected to a temporary file."""

    def __init__(self) -> None:
        # In memory where the system supports it: this happens for every file.
        in_memory = hasattr(os, "memfd_create")
        self.file = os.fdopen(os.memfd_create("kept"), "w+b") if in_memory else tempfile.TemporaryFile()  # noqa: SIM115
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.flush()
        self.real = os.dup(2)
        os.dup2(self.file.fileno(), 2)

    def restore(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.flush()
        os.dup2(self.real, 2)
        self.file.seek(0)
        # All lines that are not from the libraries are for the user.
        others = b"".join(line for line in self.file if not any(mark in line for mark in _LIBRARIES))
        if others:
            os.write(2, others)
        os.close(self.real)
        self.file.close()


@contextlib.contextmanager
def filtered_stderr() -> Iterator[None]:
    """Remove what the file libraries write to the error output of the process inside.

    Other lines written meanwhile, by any thread, are passed on at the end.
    """
    global _redirect, _redirect_count
    with _lock:
        if _redirect_count == 0:
            with contextlib.suppress(OSError):  # there is no error output to filter
                _redirect = _StderrRedirect()
        _redirect_count += 1
    try:
        yield
    finally:
        with _lock:
            _redirect_count -= 1
            if _redirect_count == 0 and _redirect is not None:
                _redirect.restore()
                _redirect = None
