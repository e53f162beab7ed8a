"""Tells the compiler that planes do not overlap.

A fused loop reads and writes many planes. Without this promise the compiler guards the vectorised loop with
an overlap test for every pair of planes, and with enough planes it gives up vectorising. The engine keeps the
promise: an output plane is never an input of the same loop.
"""

from __future__ import annotations

from typing import Any

from numba.core.compiler import Compiler

__all__ = ["NoAlias"]


class NoAlias(Compiler):  # type: ignore[misc]
    """numba's ordinary compiler with pointer arguments marked ``noalias``."""

    def define_pipelines(self) -> Any:
        """The usual passes."""
        self.state.flags.noalias = True
        return super().define_pipelines()
