"""A compiler that assumes that planes do not overlap.

A fused loop reads and writes many planes. Without this assumption the compiler adds an overlap test for every pair
of planes, and does not vectorise a loop over too many of them. The engine guarantees it: an output plane is never
an input of the same loop.
"""

from __future__ import annotations

from typing import Any

from numba.core.compiler import Compiler

__all__ = ["NoAlias"]


class NoAlias(Compiler):  # type: ignore[misc]
    """numba's ordinary compiler with pointer arguments marked ``noalias``."""

    def define_pipelines(self) -> Any:
        """Return the usual passes."""
        self.state.flags.noalias = True
        return super().define_pipelines()
