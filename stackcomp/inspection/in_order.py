"""Work on frames side by side, with results in the order of the frames."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

__all__ = ["in_order"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def in_order(function: Callable[[_Item], _Result], items: Iterable[_Item], workers: int) -> Iterator[_Result]:
    """Results of ``function`` for each item, in their order.

    At most ``workers`` calls run at once. One more item is taken while they run, and waits, so that as many
    pictures as workers and one are in memory where items are pictures.

    Args:
        function: called in other threads.
        items: taken in this thread.
        workers: 1 or more.
    """
    with ThreadPoolExecutor(workers, thread_name_prefix="stackcomp-inspect") as pool:
        running: deque[Future[_Result]] = deque()
        try:
            for item in items:
                running.append(pool.submit(function, item))
                # The item lives in the call alone, so that its picture is freed with it.
                del item
                if len(running) > workers:
                    yield running.popleft().result()
            while running:
                yield running.popleft().result()
        finally:
            for future in running:
                future.cancel()
