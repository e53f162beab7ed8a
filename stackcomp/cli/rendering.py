"""What ``stackcomp render`` does: which nodes, where to, frame by frame, and what became of each."""

from __future__ import annotations

import functools
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stackcomp.check.checked import CheckedGraph
from stackcomp.cli.endings import HOW_TO_REPORT, show_traceback
from stackcomp.cli.frame_warnings import FrameWarnings
from stackcomp.cli.progress import Reporter
from stackcomp.cli.request import folder_of, require_path
from stackcomp.composition import Composition, Prepared
from stackcomp.data.window import Window
from stackcomp.errors import (
    BugError,
    GraphError,
    Problem,
    RenderError,
    RequestError,
    WorkError,
    unknown_node,
)
from stackcomp.execute import fuse
from stackcomp.nodes.base import SinkNode
from stackcomp.review.names import file_names
from stackcomp.review.pictures import PictureWriter, keep_originals

__all__ = ["Job", "Outcome", "announced_compiling", "run"]


@dataclass(frozen=True)
class Job:
    """What was asked for: frames (the graph's own when None), nodes, where to, how large, which pixels.

    ``replace_foreign`` as in `Composition.deliver`; ``overlap`` too; ``viewing_stops`` is the exposure of
    stills of nodes.
    """

    frames: list[int] | None
    nodes: tuple[str, ...]
    to: str | None
    scale: float
    window: Window | None
    replace_foreign: bool = False
    viewing_stops: float = 0.0
    overlap: bool = True


@dataclass
class Outcome:
    """The result: all frames, files in the order written, and the errors of frames that failed."""

    frames: list[int]
    files: list[str] = field(default_factory=list)
    failures: dict[int, WorkError | BugError] = field(default_factory=dict)

    @property
    def done(self) -> list[int]:
        """Frames of which everything was written."""
        return [frame for frame in self.frames if frame not in self.failures]

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        failed = [{"frame": frame, "reason": str(error)} for frame, error in self.failures.items()]
        return {"frames": self.frames, "done": self.done, "failed": failed, "files": self.files}


def run(composition: Composition, job: Job, report: Reporter) -> Outcome:
    """Render.

    Raises:
        RequestError: an option is wrong; nothing was written.
        GraphError: the graph is wrong; nothing was written.
    """
    frames = composition.frames if job.frames is None else job.frames
    if not frames:
        raise RequestError(
            Problem(
                "frames",
                "the graph names no frames",
                'say which with --frames, or write "frames": "1001-1008" into the graph',
            )
        )
    sinks, others = _sorted(composition, job)
    outcome = Outcome(frames)
    wanted = (*sinks, *others)
    replace_foreign = job.replace_foreign
    prepared = (
        composition.prepare(wanted, frames, delivered=sinks, replace_foreign=replace_foreign) if wanted else None
    )
    writers: list[PictureWriter] = []
    if prepared is not None:
        for problem in prepared.checked.warnings:
            report.warn(str(problem), node=problem.node)
        writers = _writers(composition, job, prepared.checked, others, frames, report)
    doubts = FrameWarnings(report)
    with announced_compiling(report) as compiling:
        if prepared is not None:
            _compile_ahead(prepared.checked, job.scale, compiling)
        if sinks or not others:
            _deliver(composition, sinks, outcome, report, doubts, job, prepared)
        if prepared is not None and writers:
            _write(composition, prepared, job, writers, outcome, report, doubts)
    doubts.close()
    return outcome


def _sorted(composition: Composition, job: Job) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The requested nodes: deliver nodes that write their files, and nodes whose pictures are written."""
    nodes = tuple(dict.fromkeys(job.nodes))
    unknown = [name for name in nodes if name not in composition.nodes]
    if unknown:
        raise RequestError(unknown_node(name, composition.nodes, option="--node") for name in unknown)
    sinks = tuple(composition.sinks) if not nodes else tuple(n for n in nodes if n in composition.sinks)
    others = tuple(name for name in nodes if name not in sinks)
    reduced = job.scale != 1 or job.window is not None
    if reduced:
        # Deliveries are always whole and full size, so this is a preview of their pictures.
        return (), (*sinks, *others)
    if not others and job.to is not None:
        raise RequestError(
            Problem(
                "needs-node",
                "--to without --node: deliver nodes have a path of their own",
                "name the node whose picture is wanted, with --node",
            )
        )
    if not others and job.viewing_stops != 0:
        raise RequestError(
            Problem(
                "needs-node",
                "--viewing-stops without --node: deliver nodes have viewing_stops of their own",
                'name the node whose picture is wanted, with --node, or set "viewing_stops" at the deliver node',
            )
        )
    return sinks, others


@contextmanager
def announced_compiling(report: Reporter) -> Iterator[Callable[[str], None]]:
    """Says what is compiled, because that takes seconds and happens the first time only.

    Gives what says it, for what is compiled elsewhere.
    """
    from stackcomp.kernels import compiled

    announced: set[str] = set()

    def say(what: str) -> None:
        if what not in announced:
            report.note(f"compiling {what}, once …")
        announced.add(what)

    fuse.on_compile.append(say)
    compiled.on_compile.append(say)
    try:
        yield say
    finally:
        fuse.on_compile.remove(say)
        compiled.on_compile.remove(say)


def _compile_ahead(checked: CheckedGraph, scale: float, tell: Callable[[str], None]) -> None:
    """Compile what the area nodes will run, where it is missing, before the first frame."""
    nodes = [checked_node.node for checked_node in checked.nodes.values()]
    names = {name for node in nodes for name in node.kernels()}
    if scale != 1:
        names.add("resample")
    if names:
        from stackcomp.kernels.ahead import compile_ahead

        compile_ahead(names, tell)


def _deliver(
    composition: Composition,
    sinks: tuple[str, ...],
    outcome: Outcome,
    report: Reporter,
    doubts: FrameWarnings,
    job: Job,
    prepared: Prepared | None,
) -> None:
    started = time.perf_counter()
    ended_frames = 0

    def warn(node: str, message: str) -> None:
        doubts.warn(node, outcome.frames[min(ended_frames, len(outcome.frames) - 1)], message)

    def finished(frame: int, node: str) -> None:
        nonlocal started
        now = time.perf_counter()
        sink = composition.document.nodes[node]
        assert isinstance(sink, SinkNode)
        paths = [str(path) for path in sink.outputs(frame, composition.root)]
        outcome.files += paths
        report.file(frame, node, paths, now - started)
        started = now

    def ended(frame: int, error: WorkError | BugError | None) -> None:
        nonlocal started, ended_frames
        started = time.perf_counter()
        ended_frames += 1
        if error is not None:
            _fail(outcome, report, frame, error)
        report.step()

    report.begin("deliver", len(outcome.frames))
    composition.deliver(
        outcome.frames,
        nodes=sinks,
        replace_foreign=job.replace_foreign,
        overlap=job.overlap,
        warn=warn,
        finished=finished,
        ended=ended,
        prepared=prepared,
    )


def _fail(outcome: Outcome, report: Reporter, frame: int, error: WorkError | BugError) -> None:
    like = next((other for other, before in outcome.failures.items() if _why(before) == _why(error)), None)
    outcome.failures.setdefault(frame, error)
    if like is not None and not report.every_event:
        report.note(f"frame {frame} failed for the same reason as frame {like}")
        return
    node, reason = _why(error)
    report.fail(frame, node, reason)
    if isinstance(error, BugError):
        report.note(HOW_TO_REPORT)
        show_traceback(error)


def _why(error: WorkError | BugError) -> tuple[str, str]:
    return (error.node, error.reason) if isinstance(error, RenderError | BugError) else ("", str(error))


# -- nodes that are not deliver nodes ------------------------------------------------------------------------


def _writers(
    composition: Composition,
    job: Job,
    checked: CheckedGraph,
    others: tuple[str, ...],
    frames: list[int],
    report: Reporter,
) -> list[PictureWriter]:
    paths, stops = _paths(composition, job, others), job.viewing_stops
    try:
        writers = [PictureWriter(checked, name, path, viewing_stops=stops) for name, path in paths.items()]
    except RequestError as error:
        raise RequestError(_of_option("--to", error.problems)) from None
    problems = [problem for writer in writers for problem in writer.look()]
    for problem in problems:
        if problem.severity == "warning":
            report.warn(str(problem), node=problem.node)
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors:
        raise RequestError(_of_option("--to", errors))
    files = [writer.writing(frame) for writer in writers for frame in frames]
    keep_originals(composition, frames, files, replace_foreign=job.replace_foreign)
    return writers


def _of_option(option: str, problems: Iterable[Problem]) -> list[Problem]:
    """Findings about the value of an option: without a place in the graph."""
    return [
        Problem(
            problem.rule,
            f'{option}: node "{problem.node}": {problem.message}'
            if problem.node
            else f"{option}: {problem.message}",
            problem.way_out,
            severity=problem.severity,
        )
        for problem in problems
    ]


def _paths(composition: Composition, job: Job, others: tuple[str, ...]) -> dict[str, str]:
    """The path of each node's pictures."""
    names = file_names(composition.nodes)
    # Previews have a folder of their own, so that none can take the place of a delivery.
    preview = any(name in composition.sinks for name in others)
    to = ("out/preview/" if preview else "out/") if job.to is None else job.to
    require_path("--to", to)
    if to.endswith(("/", "\\")):
        folder_of("--to", to.rstrip("/\\") or "/")
    if to.endswith(("/", "\\")) or Path(to).is_dir():
        return {name: f"{to.rstrip('/')}/{names[name]}.{{frame:04d}}.exr" for name in others}
    if len(others) > 1:
        raise RequestError(
            Problem(
                "output-twice",
                f"--to: {len(others)} nodes would all write {to}",
                'give a folder, as in --to "out/"',
            )
        )
    return dict.fromkeys(others, to)


def _write(
    composition: Composition,
    prepared: Prepared,
    job: Job,
    writers: list[PictureWriter],
    outcome: Outcome,
    report: Reporter,
    doubts: FrameWarnings,
) -> None:
    by_node = {writer.node: writer for writer in writers}
    report.begin("render", len(outcome.frames))
    for frame in outcome.frames:
        try:
            _write_frame(composition, prepared, job, by_node, frame, outcome, report, doubts)
        except (WorkError, BugError) as error:
            _fail(outcome, report, frame, error)
        except (GraphError, RequestError) as error:
            # A wrong option is found at the first frame. At later frames, pixels beyond the frame may be missing.
            if frame == outcome.frames[0]:
                if all(problem.rule == "window" for problem in error.problems):
                    raise RequestError(_of_option("--window", error.problems)) from None
                raise
            _fail(outcome, report, frame, RenderError("", frame, error.problems[0].message))
        report.step()


def _write_frame(
    composition: Composition,
    prepared: Prepared,
    job: Job,
    writers: dict[str, PictureWriter],
    frame: int,
    outcome: Outcome,
    report: Reporter,
    doubts: FrameWarnings,
) -> None:
    def warn(node: str, message: str) -> None:
        doubts.warn(node, frame, message)

    crop = None if job.window is None else job.window.scaled(job.scale)
    started = time.perf_counter()
    for result in composition.results(
        list(writers), frame, window=job.window, scale=job.scale, warn=warn, prepared=prepared
    ):
        name, image = result.node, result.image
        if job.window is not None and image.window.empty:
            warn(name, f"has no pixels in the window {job.window}")
        path = writers[name].write(image, frame, scale=job.scale, crop=crop, warn=functools.partial(warn, name))
        outcome.files.append(str(path))
        now = time.perf_counter()
        report.file(frame, name, [str(path)], now - started)
        started = now
