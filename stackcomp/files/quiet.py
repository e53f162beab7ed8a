"""Keep what a library prints out of our output.

The OpenEXR bindings print a warning to `sys.stdout` when they drop a part. There it would stand in the
middle of what a command prints for another program, and say nothing to whom it concerns.
"""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Iterator
from typing import Any

__all__ = ["printed"]

_lock = threading.Lock()
_listening: dict[int, list[str]] = {}
_proxy: _ByThread | None = None


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
