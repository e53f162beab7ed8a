"""How loops of this package are compiled.

Every loop releases the interpreter lock, divides as numpy does, keeps the order of its arithmetic (no fast-math:
NaN and infinity propagate, and tiles equal the whole), and is cached on disk. A cached loop is recompiled when
*its own* file changes, so a loop and the functions that it calls are in one file.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
from numba import njit
from numba.core import event

__all__ = ["Array", "compiled", "inlined", "on_compile", "plane_of"]

Array = npt.NDArray[Any]
_Function = TypeVar("_Function", bound=Callable[..., Any])


#: Called with a function's name before it is compiled, which takes a second or so; not when it comes from disk.
on_compile: list[Callable[[str], object]] = []


class _Listener(event.Listener):  # type: ignore[misc]
    """Passes on which of our functions numba compiles, without those that they are made of."""

    def on_start(self, event: Any) -> None:
        function = event.data["dispatcher"].py_func
        if function.__module__.startswith(__package__):
            for tell in on_compile:
                tell(f"{function.__module__.rpartition('.')[2]}.{function.__name__.strip('_')}")

    def on_end(self, event: Any) -> None:
        """Nobody is told when it ends."""


event.register("numba:compile", _Listener())


def compiled(function: _Function) -> _Function:
    """Return the function compiled to machine code, at the first call with each set of argument types."""
    return cast(_Function, njit(nogil=True, error_model="numpy", cache=True)(function))


def inlined(function: _Function) -> _Function:
    """Return the function for use in innermost loops of compiled ones, which take its code into theirs.

    Calls count references to arrays, with atomic additions; a loop that makes such a call for every few pixels
    spends a twelfth of its time on that.
    """
    return cast(_Function, njit(nogil=True, error_model="numpy", inline="always")(function))


def plane_of(array: npt.ArrayLike) -> Array:
    """Return the array as a C-contiguous float32 plane, copied only if needed, so that loops compile once.

    Raises:
        ValueError: not two-dimensional.
    """
    plane = np.ascontiguousarray(array, dtype=np.float32)
    if plane.ndim != 2:
        raise ValueError(f"a plane has two dimensions, not {plane.ndim}")
    return plane
