"""Memory for planes, used again.

A fresh 3840×2160 plane costs the operating system longer to hand out than a fused loop takes to fill it, so planes
that nobody holds any more go back to a pool. Who holds a plane is counted by the frame that computes, in
`PlaneLedger`: only planes that it took from the pool itself, and never handed out, are used again.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import Any

import numpy as np

from stackcomp.data.image import Plane

__all__ = ["PlaneLedger", "PlanePool"]

#: Bytes that a processor moves at once.
_CACHE_LINE = 64


class PlanePool:
    """A bounded store of planes of floats of any shape. Safe to use from several threads.

    Args:
        capacity: planes kept at most.

    Attributes:
        allocated: planes that were allocated so far, since none of their shape lay in the pool.
    """

    def __init__(self, capacity: int = 16) -> None:
        self._capacity = capacity
        self._free: list[Plane] = []
        self._lock = threading.Lock()
        self.allocated = 0

    def take(self, shape: tuple[int, int], *, half: bool = False) -> Plane:
        """A C-contiguous plane of float32, or of 16-bit floats, with undefined values."""
        dtype = np.float16 if half else np.float32
        with self._lock:
            for k, plane in enumerate(self._free):
                if plane.shape == shape and plane.dtype == dtype:
                    return self._free.pop(k)
            self.allocated += 1
        return _aligned(shape, np.dtype(dtype))

    def give_back(self, plane: Plane) -> None:
        """Take a plane back that nobody holds any more."""
        with self._lock:
            self._free.append(plane)
            if len(self._free) > self._capacity:
                del self._free[0]

    def clear(self) -> None:
        """Free all planes that wait to be used again."""
        with self._lock:
            self._free.clear()


class PlaneLedger:
    """Which planes of one frame may go back to the pool, and when.

    A plane is owned when it was taken here. It goes back when the last value that holds it, or a view of it, is
    released, unless it was handed out: then it belongs to the caller.
    """

    def __init__(self, pool: PlanePool) -> None:
        self._pool = pool
        self._owned: dict[int, Plane] = {}
        self._holders: dict[int, int] = {}

    def take(self, shape: tuple[int, int], *, half: bool = False) -> Plane:
        """A plane from the pool, owned from now on."""
        plane = self._pool.take(shape, half=half)
        self._owned[id(_root(plane))] = plane
        return plane

    def hold(self, planes: Iterable[Plane]) -> None:
        """A value holds these planes."""
        for plane in planes:
            if (root := id(_root(plane))) in self._owned:
                self._holders[root] = self._holders.get(root, 0) + 1

    def release(self, planes: Iterable[Plane], *, reuse: bool = True) -> None:
        """A value that held these planes is gone.

        Args:
            planes: all planes of the value.
            reuse: whether they may be used again at once; False where a step still reads them.
        """
        for plane in planes:
            root = id(_root(plane))
            if root not in self._holders:
                continue  # It belongs to others.
            self._holders[root] -= 1
            if not self._holders[root]:
                del self._holders[root]
                owned = self._owned.pop(root, None)
                if owned is not None and reuse:
                    self._pool.give_back(owned)

    def hand_out(self, plane: Plane) -> Plane:
        """A read-only view for the caller; the plane is never used again."""
        self._owned.pop(id(_root(plane)), None)
        view: Plane = plane.view()
        view.flags.writeable = False
        return view

    def disown(self, planes: Iterable[Plane]) -> None:
        """These planes are kept by others; their memory is never used again."""
        for plane in planes:
            self._owned.pop(id(_root(plane)), None)

    def free_memory(self) -> None:
        """Free planes that wait to be used again."""
        self._pool.clear()


def _aligned(shape: tuple[int, int], dtype: np.dtype[Any]) -> Plane:
    """A new plane that starts at a cache line: a vector that is stored across two of them takes twice as long."""
    size = shape[0] * shape[1] * dtype.itemsize
    memory = np.empty(size + _CACHE_LINE, np.uint8)
    start = -memory.__array_interface__["data"][0] % _CACHE_LINE
    plane: Plane = memory[start : start + size].view(dtype).reshape(shape)
    return plane


def _root(plane: Plane) -> Plane:
    """The array that owns a plane's memory: itself, or what it is a view of."""
    while isinstance(plane.base, np.ndarray):
        plane = plane.base
    return plane
