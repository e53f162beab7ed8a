"""Progress of long commands: a bar on a terminal, lines in a log, or JSON for a program.

Bar and lines go to standard error; JSON events go to standard output, one a line.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from stackcomp.cli.endings import announce, print_json, visible

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

__all__ = ["Events", "Lines", "Reporter", "reporter"]


class Reporter:
    """Base of reporters: prints nothing. Used as a context around the work."""

    #: Whether a program reads the output: then every event is written, even where it repeats another.
    every_event = False

    def __init__(self) -> None:
        self.started = time.perf_counter()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def seconds(self) -> float:
        """Seconds since the work began."""
        return time.perf_counter() - self.started

    def begin(self, what: str, total: int) -> None:
        """Begin a series of steps."""

    def step(self, *, failed: bool = False) -> None:
        """A step has ended, done or failed."""

    def note(self, text: str) -> None:
        """Report something that a person may want to know."""

    def warn(self, message: str, **details: Any) -> None:
        """Report a warning."""

    def file(self, frame: int, node: str, files: Sequence[str], seconds: float) -> None:
        """Report that the files of a node at a frame are whole."""

    def fail(self, frame: int, node: str, reason: str) -> None:
        """Report that a frame failed."""

    def done(self, what: str, files: Sequence[str], seconds: float) -> None:
        """Report that the files of something are whole."""

    def problem(self, text: str) -> None:
        """Report that something failed, in words."""

    def close(self) -> None:
        """End the report."""


class Lines(Reporter):
    """Prints a line for each event."""

    def note(self, text: str) -> None:
        """Print the text."""
        self.line(text)

    def warn(self, message: str, **details: Any) -> None:
        """Print the message as a warning."""
        self.line(f"warning: {message}", "yellow")

    def file(self, frame: int, node: str, files: Sequence[str], seconds: float) -> None:
        """Print a line for each file."""
        for path in files:
            self.line(f"frame {frame}: {path} ({seconds:.2f} s)")

    def fail(self, frame: int, node: str, reason: str) -> None:
        """Print a line."""
        self.line(
            f'frame {frame} failed: node "{node}": {reason}' if node else f"frame {frame} failed: {reason}", "red"
        )

    def done(self, what: str, files: Sequence[str], seconds: float) -> None:
        """Print a line."""
        self.line(f"{what}: {', '.join(files)} ({seconds:.2f} s)")

    def problem(self, text: str) -> None:
        """Print the text as a failure."""
        self.line(text, "red")

    def line(self, text: str, style: str | None = None) -> None:
        """Print a line to standard error."""
        announce(text, style=style)


class Bar(Lines):
    """A bar with finished steps, rate and remaining time; warnings and failures are printed above it."""

    def __init__(self) -> None:
        super().__init__()
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        self._console = Console(stderr=True)
        self._bar: Progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.fields[rate]}", markup=False),
            TimeRemainingColumn(),
            console=self._console,
            redirect_stdout=False,
            redirect_stderr=False,
        )
        self._task: TaskID | None = None
        self._begun, self._done, self._failed = 0.0, 0, 0

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def begin(self, what: str, total: int) -> None:
        self._begun, self._done, self._failed = time.perf_counter(), 0, 0
        self._task = self._bar.add_task(what, total=total, rate="")

    def step(self, *, failed: bool = False) -> None:
        assert self._task is not None
        self._done += 1
        self._failed += failed
        rate = self._done / max(time.perf_counter() - self._begun, 1e-9)
        words = f"{rate:.2f}/s" if rate >= 0.1 else f"{1 / rate:.0f} s each"
        if self._failed:
            words += f", {self._failed} failed"
        self._bar.update(self._task, advance=1, rate=words)

    def file(self, frame: int, node: str, files: Sequence[str], seconds: float) -> None:
        """Print nothing: the bar shows it."""

    def done(self, what: str, files: Sequence[str], seconds: float) -> None:
        """Print nothing: the bar shows it."""

    def line(self, text: str, style: str | None = None) -> None:
        self._console.print(visible(text), style=style, markup=False, highlight=False, emoji=False, soft_wrap=True)

    def close(self) -> None:
        self._bar.stop()


class Events(Reporter):
    """JSON on standard output, one object in each line."""

    every_event = True

    def warn(self, message: str, **details: Any) -> None:
        """Print an event ``warning``, with the details."""
        print_json({"event": "warning", "message": message, **details})

    def file(self, frame: int, node: str, files: Sequence[str], seconds: float) -> None:
        """Print an event ``frame``."""
        print_json({"event": "frame", "frame": frame, "node": node, "files": list(files), "seconds": seconds})

    def fail(self, frame: int, node: str, reason: str) -> None:
        """Print an event ``failed``."""
        print_json({"event": "failed", "frame": frame, "node": node, "reason": reason})


def reporter(*, as_json: bool, lines: bool = True) -> Reporter:
    """Return the reporter: JSON if requested, a bar on a terminal, else lines (or only warnings and notes)."""
    if as_json:
        return Events()
    from rich.console import Console

    return Bar() if Console(stderr=True).is_terminal else Lines() if lines else _Warnings()


class _Warnings(Lines):
    """Prints only warnings, notes and failures."""

    def file(self, frame: int, node: str, files: Sequence[str], seconds: float) -> None:
        """Write nothing."""
