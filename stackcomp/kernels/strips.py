"""Run a function on strips of rows in a thread pool.

Compiled functions release the interpreter lock, so plain threads are enough; numba's own parallel layers are not
used, because they abort when called from several threads or after a fork.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from numbers import Integral
from typing import Any

import numpy as np

from stackcomp.errors import ArgumentError, RequestError, cut

__all__ = ["over_strips", "set_threads", "thread_count"]

#: What numpy does about special numbers in a new thread. The thread that asks may have chosen something else for
#: its own arithmetic, but results must not depend on who works on a strip.
_USUAL: dict[str, Any] = {"divide": "warn", "over": "warn", "under": "ignore", "invalid": "warn"}
_lock = threading.Lock()
_pool: ThreadPoolExecutor | None = None
_pool_owner: tuple[int, int] | None = None
_threads: int | None = None
_inside = threading.local()


def thread_count() -> int:
    """Threads in use: what `set_threads` said, else ``STACKCOMP_THREADS``, else the cores we may run on.

    Raises:
        RequestError: ``STACKCOMP_THREADS`` is set, and not to a whole number from 1.
    """
    if _threads is not None:
        return _threads
    asked = os.environ.get("STACKCOMP_THREADS", "").strip()
    if asked:
        if asked.isascii() and asked.isdecimal() and len(asked) < 10 and int(asked) > 0:
            return int(asked)
        raise RequestError(
            "STACKCOMP_THREADS",
            f'"{cut(asked, 60)}" is not a number of threads',
            "set it to a whole number from 1, such as 2, or unset it to use all cores",
        )
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def set_threads(count: int | None) -> None:
    """Set the number of threads; None restores the default.

    Raises:
        ArgumentError: not a whole number of 1 or more.
    """
    global _threads
    if count is not None and (isinstance(count, bool) or not isinstance(count, Integral) or count < 1):
        raise ArgumentError(
            "count", f"threads must be 1 or more, not {cut(repr(count), 60)}", "such as 2, or None"
        )
    _threads = count


def _executor() -> ThreadPoolExecutor:
    global _pool, _pool_owner
    # A forked child does not have the threads of its parent, so a pool belongs to the process that created it.
    owner = (os.getpid(), thread_count())
    with _lock:
        if _pool is None or _pool_owner != owner:
            _pool = ThreadPoolExecutor(owner[1], thread_name_prefix="stackcomp-strip")
            _pool_owner = owner
        return _pool


def over_strips(function: Callable[[int, int], object], rows: int, *, least: int = 16) -> None:
    """Call ``function(first, last)`` so that every row of ``range(rows)`` is covered once.

    Args:
        function: works on rows ``first <= row < last``; it runs in parallel only if it releases the interpreter
            lock.
        rows: number of rows.
        least: smallest number of rows in a strip.

    Raises:
        Exception: the first exception of ``function``, after all strips have ended.
    """
    threads = thread_count()
    edges = _edges(rows, threads, least)
    count = len(edges) - 1
    if threads == 1 or count < 2 or getattr(_inside, "busy", False):
        if rows > 0:
            with np.errstate(**_USUAL):
                function(0, rows)
        return

    strips = deque(enumerate(pairwise(edges)))
    failures: dict[int, BaseException] = {}

    def work() -> None:
        # Strips started inside a strip run in its thread, so that the pool cannot deadlock.
        _inside.busy = True
        try:
            # The next strip goes to whoever is free.
            while strips:
                try:
                    number, (first, last) = strips.popleft()
                except IndexError:  # another thread was faster
                    return
                try:
                    function(first, last)
                except Exception as error:
                    failures[number] = error
        finally:
            _inside.busy = False

    # The thread that asks works too, instead of waiting for others to wake up.
    others = [_executor().submit(work) for _ in range(min(threads, count) - 1)]
    try:
        with np.errstate(**_USUAL):
            work()
    finally:
        for other in others:
            other.result()
    if failures:
        raise failures[min(failures)]


def _edges(rows: int, threads: int, least: int) -> list[int]:
    """First rows of strips, and the row behind the last.

    The largest are a quarter of what a thread has to do, since some rows may cost much more than others. Towards
    the end they get smaller, so that all threads end at about the same time, whoever is slower.
    """
    least = max(1, least)
    smallest, largest = max(least, rows // (threads * 8)), max(least, rows // (threads * 4))
    edges = [0]
    while (left := rows - edges[-1]) > 0:
        size = min(largest, max(smallest, left // (threads * 2)))
        edges.append(rows if left - size < least else edges[-1] + size)
    return edges
