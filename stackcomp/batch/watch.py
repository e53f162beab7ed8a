"""What a batch says while it runs, and what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from stackcomp.batch.due import FrameState
from stackcomp.batch.record import FrameRecord
from stackcomp.errors import Problem

__all__ = ["Summary", "Watch"]


class Watch(Protocol):
    """Is told what happens, in the thread that called `Batch.run`; `interrupted` is called in another one."""

    def begin(self, due: Sequence[FrameState], done: int, workers: int, threads: int) -> None:
        """The frames that will be rendered, and how many are done already."""

    def warn(self, problem: Problem) -> None:
        """Something is doubtful; it stops nothing."""

    def note(self, text: str) -> None:
        """Something that a person may want to know."""

    def frame(self, record: FrameRecord) -> None:
        """A frame has ended, done or failed."""

    def interrupted(self, presses: int) -> None:
        """Ctrl-C was pressed, for the first or second time."""

    def delivery(self, name: str, shot: str, path: Path, seconds: float) -> None:
        """A movie or sheet is whole."""

    def delivery_failed(self, name: str, shot: str, reason: str) -> None:
        """A movie or sheet could not be made."""


@dataclass
class Summary:
    """What became of a batch.

    Attributes:
        total: frames that were asked for.
        up_to_date: frames that were done before.
        done: frames that were rendered.
        failed: frames that failed.
        left: frames that were not begun, because the batch was stopped.
        interrupted: whether it was stopped from the keyboard.
        deliveries: movies and sheets that were made.
        deliveries_failed: those that were not, with the reason.
        seconds: from start to end.
    """

    total: int = 0
    up_to_date: int = 0
    done: list[FrameRecord] = field(default_factory=list)
    failed: list[FrameRecord] = field(default_factory=list)
    left: list[tuple[str, int]] = field(default_factory=list)
    interrupted: bool = False
    deliveries: list[Path] = field(default_factory=list)
    deliveries_failed: list[tuple[str, str, str]] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def ok(self) -> bool:
        """Whether everything that was asked for is done."""
        return not (self.failed or self.left or self.deliveries_failed)
