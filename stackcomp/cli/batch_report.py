"""What a batch prints: progress, the states of frames, and the summary."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stackcomp.cli.endings import DONE, HOW_TO_REPORT, announce, print_json, say
from stackcomp.cli.frame_warnings import FrameWarnings
from stackcomp.cli.progress import Reporter, reporter
from stackcomp.cli.request import count
from stackcomp.data.frames import format_frames

if TYPE_CHECKING:
    from stackcomp.batch.due import FrameState
    from stackcomp.batch.record import FrameRecord
    from stackcomp.batch.watch import Summary
    from stackcomp.cli.batch_pages import MadePage
    from stackcomp.errors import Problem

__all__ = ["print_states", "print_summary", "watching"]

_STYLES = {"done": "green", "failed": "red", "damaged": "red"}


@contextlib.contextmanager
def watching(*, as_json: bool) -> Iterator[_Printed]:
    """What prints the events of a batch."""
    with reporter(as_json=as_json) as report:
        printed = _Printed(report, as_json)
        yield printed
        printed.close()


class _Printed:
    """Prints what a batch says, see `stackcomp.batch.run.Watch`."""

    def __init__(self, report: Reporter, as_json: bool) -> None:
        self._report, self._as_json = report, as_json
        self._warnings = FrameWarnings(report)
        self._reasons: dict[tuple[str, str], str] = {}

    def begin(self, due: Sequence[FrameState], done: int, workers: int, threads: int) -> None:
        if self._as_json:
            event = {"event": "begin", "due": len(due), "up_to_date": done, "workers": workers, "threads": threads}
            print_json(event | {"frames": [_state(state) for state in due]})
            return
        if due:
            where = f", {count(workers, 'worker')} with {count(threads, 'thread')}" if workers else ""
            up_to_date = f"; {done} are up to date" if done else ""
            self._report.note(f"{count(len(due), 'frame')} to render{up_to_date}{where}")
            for line in _grouped([state for state in due if state.status not in ("missing", "again")]):
                self._report.note(f"  {line}")
            self._report.begin("batch", len(due))

    def warn(self, problem: Problem) -> None:
        self._report.warn(str(problem), node=problem.node)

    def note(self, text: str) -> None:
        if self._as_json:
            print_json({"event": "note", "text": text})
        else:
            self._report.note(text)

    def frame(self, record: FrameRecord) -> None:
        for node, message in record.warnings:
            self._warnings.warn(node, record.frame, message, shot=record.shot)
        reason = record.reason
        if self._as_json:
            event: dict[str, Any] = {"shot": record.shot, "frame": record.frame}
            if reason is None:
                event |= {"event": "frame", "files": [file.path for file in record.files]}
                event |= {"seconds": record.seconds, "peak_memory": record.peak_memory}
            else:
                event |= {"event": "failed", "node": reason.node, "reason": reason.message}
            print_json(event)
            return
        if reason is None:
            self._report.done(
                _where(record.shot, record.frame), [_short(file.path) for file in record.files], record.seconds
            )
        else:
            self._fail(record)
        self._report.step(failed=reason is not None)

    def _fail(self, record: FrameRecord) -> None:
        assert record.reason is not None
        where = _where(record.shot, record.frame)
        key = (record.reason.node, record.reason.message)
        if key in self._reasons:
            self._report.note(f"{where} failed for the same reason as {self._reasons[key]}")
            return
        self._reasons[key] = where
        node = f'node "{record.reason.node}": ' if record.reason.node else ""
        self._report.problem(f"{where} failed: {node}{record.reason.message}")
        if record.reason.kind == "bug":
            self._report.note(HOW_TO_REPORT)
            from stackcomp.cli.endings import debugging

            if debugging():
                self._report.note(record.reason.traceback)

    def interrupted(self, presses: int) -> None:
        if presses == 1:
            self.note("stopping: frames in flight are finished; press Ctrl-C again to stop at once")

    def delivery(self, name: str, shot: str, path: Path, seconds: float) -> None:
        if self._as_json:
            print_json({"event": "delivery", "name": name, "shot": shot, "file": str(path), "seconds": seconds})
        else:
            self._report.note(f"{_short(str(path))} ({seconds:.1f} s)")

    def delivery_failed(self, name: str, shot: str, reason: str) -> None:
        if self._as_json:
            print_json({"event": "delivery-failed", "name": name, "shot": shot, "reason": reason})
        else:
            where = f' of shot "{shot}"' if shot else ""
            self._report.problem(f'delivery "{name}"{where} failed: {reason}')

    def page(self, made: MadePage) -> None:
        """Say that the page of a shot was made, or why it was not."""
        path = "" if made.path is None else str(made.path)
        if self._as_json:
            told = {"event": "page", "shot": made.shot, "file": path}
            print_json({**told, "failures": made.failures, "notes": made.notes})
            return
        for message in (*made.failures, *made.notes):
            self._report.problem(f"page{f' of {made.shot}' if made.shot else ''}: {message}")
        if path:
            self._report.note(_short(path))

    def close(self) -> None:
        """End the report."""
        self._warnings.close()


def print_states(states: Sequence[FrameState], *, as_json: bool) -> None:
    """Print the state of every frame."""
    due = sum(state.due for state in states)
    if as_json:
        print_json(
            {
                "event": "list",
                "frames": [_state(state) for state in states],
                "due": due,
                "up_to_date": len(states) - due,
            }
        )
        return
    for state in states:
        why = f": {state.why}" if state.why else ""
        say(f"{_where(state.shot, state.frame)}  {state.status}{why}", style=_STYLES.get(state.status))
    say(f"{count(len(states), 'frame')}: {len(states) - due} up to date, {due} to render")


def print_summary(summary: Summary, code: int, ledger: Path, *, as_json: bool) -> None:
    """Print what became of a batch."""
    if as_json:
        print_json(
            {
                "event": "summary",
                "ok": code == DONE,
                "exit_code": code,
                "frames": summary.total,
                "up_to_date": summary.up_to_date,
                "done": len(summary.done),
                "failed": [
                    {"shot": record.shot, "frame": record.frame, "reason": record.reason.message}
                    for record in summary.failed
                    if record.reason is not None
                ],
                "not_begun": [{"shot": shot, "frame": frame} for shot, frame in summary.left],
                "deliveries": [str(path) for path in summary.deliveries],
                "ledger": str(ledger),
                "seconds": summary.seconds,
            }
        )
        return
    parts = [f"{count(len(summary.done), 'frame')} done"]
    if summary.up_to_date:
        parts.append(f"{summary.up_to_date} up to date before")
    if summary.deliveries:
        parts.append(f"{len(summary.deliveries)} movies and sheets")
    parts.append(f"{summary.seconds:.1f} s")
    if summary.failed:
        announce(
            f"{len(summary.failed)} of {count(summary.total, 'frame')} failed: "
            f"{_listed((record.shot, record.frame) for record in summary.failed)}",
            style="red",
        )
    if summary.deliveries_failed:
        names = ", ".join(
            f'"{name}"' + (f" of {shot}" if shot else "") for name, shot, _ in summary.deliveries_failed
        )
        announce(f"not made: {names}", style="red")
    if summary.left:
        announce(
            f"stopped; {count(len(summary.left), 'frame')} not begun: {_listed(summary.left)}", style="yellow"
        )
    say(("the rest is whole: " if code else "") + ", ".join(parts))


def _state(state: FrameState) -> dict[str, Any]:
    return {
        "shot": state.shot,
        "frame": state.frame,
        "status": state.status,
        "why": state.why,
        "files": list(map(str, state.outputs)),
    }


def _grouped(states: Sequence[FrameState]) -> Iterator[str]:
    """A line for each shot and reason."""
    groups: dict[tuple[str, str], list[int]] = {}
    for state in states:
        groups.setdefault((state.shot, state.why), []).append(state.frame)
    for (shot, why), frames in groups.items():
        where = f"{shot} " if shot else ""
        yield f"{where}{format_frames(frames)}: {why}"


def _where(shot: str, frame: int) -> str:
    return f"{shot} {frame}" if shot else f"frame {frame}"


def _listed(pairs: Any) -> str:
    frames: dict[str, list[int]] = {}
    for shot, frame in pairs:
        frames.setdefault(shot, []).append(frame)
    return "; ".join(f"{shot} {format_frames(numbers)}".strip() for shot, numbers in frames.items())


def _short(path: str) -> str:
    """A path as seen from the current folder, where it lies below it."""
    with contextlib.suppress(ValueError, OSError):
        return str(Path(path).relative_to(Path.cwd()))
    return path
