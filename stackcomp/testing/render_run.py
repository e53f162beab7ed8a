"""A run of tests, and a test in it, as far as renders are concerned."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

__all__ = ["RenderDiffersError", "RunningTest", "Settings"]


class RenderDiffersError(AssertionError):
    """A render differs from its reference, or has none; the message is for a person."""


@dataclass(frozen=True)
class RunningTest:
    """A test that compares renders.

    Attributes:
        id: as the user runs it, such as ``tests/test_shots.py::test_final[wide]``.
        file: its file.
        parts: names of its classes and of the function.
    """

    id: str
    file: Path
    parts: tuple[str, ...]


@dataclass(frozen=True)
class Settings:
    """What holds for a run.

    Attributes:
        base: folder for relative paths of graphs, variables and roots.
        failed: makes and gives the folder for the folders of failed comparisons.
        claims: folder of `Claims`.
        update: write references.
        replace_foreign: files that are no references of this program may be replaced.
    """

    base: Path
    failed: Callable[[], Path]
    claims: Path
    update: bool = False
    replace_foreign: bool = False

    def shown(self, path: Path) -> str:
        """A path as a person reads it: from pytest's root folder where it lies in there."""
        return str(path.relative_to(self.base) if path.is_relative_to(self.base) else path)
