"""Memory for planes, used again.

A fresh 3840×2160 plane costs the operating system longer to hand out than a fused loop takes to fill it, so
planes that nobody holds any more go back to a pool. Whether somebody does is read from the reference count:
a plane that is part of any other image, or of a view, stays with its holder.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterable

import numpy as np

from stackcomp.data.image import Plane

__all__ = ["PlanePool"]


class PlanePool:
    """A bounded store of float32 planes of any shape. Safe to use from several threads."""

    def __init__(self, most: int = 16) -> None:
        self._most = most
        self._free: list[Plane] = []
        self._lock = threading.Lock()

    def take(self, shape: tuple[int, int]) -> Plane:
        """A C-contiguous float32 plane with undefined values."""
        with self._lock:
            for k, plane in enumerate(self._free):
                if plane.shape == shape:
                    return self._free.pop(k)
        return np.empty(shape, np.float32)

    def clear(self) -> None:
        """Let go of all planes that lie here unused."""
        with self._lock:
            self._free.clear()

    def give_back(self, planes: Iterable[Plane]) -> None:
        """Take planes whose last user is the caller; those with other users are left alone.

        The caller must pass an iterator that drops its own reference to each plane, such as
        ``map(planes.pop, list(planes))``.
        """
        for plane in planes:
            # References: the loop variable and the argument of getrefcount.
            mine = sys.getrefcount(plane) <= 2 and plane.base is None and plane.flags.writeable
            if mine and plane.dtype == np.float32:
                with self._lock:
                    self._free.append(plane)
                    if len(self._free) > self._most:
                        del self._free[0]
