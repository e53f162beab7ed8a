"""A batch from start to end: what is due, what is wrong, the processes, the ledger, what is made of the frames."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import re
import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import psutil

from stackcomp.batch.checking import (
    CheckedShot,
    check_shots,
    clashes,
    nothing_to_do,
    of_shot,
    without_repeats,
)
from stackcomp.batch.cluster import ClusterPool, require_scheduler
from stackcomp.batch.due import FrameState, states_of
from stackcomp.batch.ledger import Ledger, ledger_path
from stackcomp.batch.lock import only_batch
from stackcomp.batch.memory import available_memory, estimate
from stackcomp.batch.planned_deliveries import Planned, planned_deliveries
from stackcomp.batch.pool import Pool, Task
from stackcomp.batch.record import FrameRecord, Reason
from stackcomp.batch.watch import Summary, Watch
from stackcomp.batch.work import Work
from stackcomp.deliver.provenance import graph_hash
from stackcomp.document.deliveries import Delivery
from stackcomp.errors import CheckError, Problem, RequestError, did_you_mean
from stackcomp.kernels.ahead import compile_ahead
from stackcomp.kernels.strips import thread_count
from stackcomp.plan.planning import make_plan

__all__ = ["Batch", "Options"]


@dataclass(frozen=True)
class Options:
    """How a batch is run.

    Attributes:
        shots: names of shots; all when empty.
        frames: frame numbers, of each shot those that it has; all when None.
        workers: processes; as many as there are cores, and memory for, when None.
        worker_memory: bytes that a worker may hold; its share of what is free when None.
        again: render all, whatever the ledger says.
        checksums: compare the contents of all files, not only size and time.
        keep_going: go on after a frame has failed.
        replace_foreign: files of others, and deliveries of other graphs, may be replaced.
        cluster: address of a scheduler of dask.distributed; None for this machine.
    """

    shots: tuple[str, ...] = ()
    frames: tuple[int, ...] | None = None
    workers: int | None = None
    worker_memory: int | None = None
    again: bool = False
    checksums: bool = False
    keep_going: bool = True
    replace_foreign: bool = False
    cluster: str | None = None


class Runner(Protocol):
    """Renders tasks somewhere."""

    def run(self, tasks: list[Task]) -> Iterator[FrameRecord]:
        """What became of each task that was begun."""

    def stop(self, *, at_once: bool = False) -> None:
        """Begin no further frame; ``at_once``: end those in flight too."""


class Batch:
    """Shots that are rendered together, with one ledger.

    Args:
        works: the shots.
        stem: name of the sequence file or graph without ending, for the ledger.
        root: folder of relative paths.
        deliveries: movies and sheets by name.
        about: of the sequence, for slates.
        place: the sequence file.
        variables: those for all shots.
        warnings: what is doubtful about the sequence file.
    """

    def __init__(
        self,
        works: Sequence[Work],
        *,
        stem: str,
        root: Path,
        deliveries: Mapping[str, Delivery] | None = None,
        about: str = "",
        place: str = "",
        variables: Mapping[str, Any] | None = None,
        warnings: Sequence[Problem] = (),
    ) -> None:
        self.works = list(works)
        self.stem, self.root, self.about, self.place = stem, root, about, place
        self.deliveries = dict(deliveries or {})
        self.variables, self.warnings = dict(variables or {}), tuple(warnings)

    @property
    def ledger_path(self) -> Path:
        """Where the ledger lies."""
        # At two frames, so that a folder for each frame does not count as the one in common.
        outputs = [path for work in self.works for frame in (1, 2) for path in work.outputs(frame)]
        return ledger_path(self.stem, outputs or [Path(os.path.abspath(self.root), "out", "x")], self.root)

    def chosen(self, options: Options) -> list[tuple[Work, tuple[int, ...]]]:
        """Shots and frames that the options ask for.

        Raises:
            RequestError: there is no such shot, or no shot has such a frame.
        """
        names = [work.name for work in self.works]
        for name in options.shots:
            if name not in names:
                way_out = did_you_mean(name, names) or f"its shots are {', '.join(names[:12])}"
                raise RequestError(Problem("shot-unknown", f'--shot: there is no shot "{name}"', way_out))
        works = [work for work in self.works if not options.shots or work.name in options.shots]
        if options.frames is not None and [work.name for work in works] == [""]:
            # A graph is rendered at any frame, whatever frames it is about.
            return [(works[0], tuple(dict.fromkeys(options.frames)))]
        if options.frames is None:
            return [(work, work.frames) for work in works]
        asked = set(options.frames)
        pairs = [(work, tuple(frame for frame in work.frames if frame in asked)) for work in works]
        unknown = asked.difference(*(work.frames for work in works)) if works else set()
        if unknown:
            from stackcomp.data.frames import format_frames

            message = f"--frames: no shot has frame{'s' if len(unknown) > 1 else ''} {format_frames(unknown)}"
            have = "; ".join(f"{work.name or 'the graph'} has {format_frames(work.frames)}" for work in works[:4])
            raise RequestError(Problem("frames", message, have))
        return [pair for pair in pairs if pair[1]]

    def planned(self, *, replace_foreign: bool = False) -> tuple[list[Planned], list[Problem]]:
        """Movies and sheets that will be made, and what is wrong with them."""
        return planned_deliveries(
            self.deliveries,
            self.works,
            self.variables,
            self.root,
            place=self.place,
            replace_foreign=replace_foreign,
        )

    def states(self, options: Options) -> list[FrameState]:
        """The state of every frame that the options ask for; nothing is changed."""
        with Ledger(self.ledger_path, root=self.root, read_only=True) as ledger:
            return self._states(self.chosen(options), ledger, options)

    def run(self, options: Options, watch: Watch) -> Summary:
        """Render what is due, and make movies and sheets of it.

        Raises:
            RequestError: the options do not fit, or another batch is at work on the same output.
            GraphError: a shot is wrong as a whole; nothing was written.
            FileError: the ledger cannot be written.
        """
        started = time.perf_counter()
        chosen = self.chosen(options)
        summary = Summary(total=sum(len(frames) for _, frames in chosen))
        path = self.ledger_path
        planned, problems = self.planned(replace_foreign=options.replace_foreign)
        if problems:
            raise CheckError(problems)
        problems = [problem for work, frames in chosen if (problem := nothing_to_do(work, frames)) is not None]
        if problems:
            raise CheckError(problems)
        for problem in self.warnings:
            watch.warn(problem)
        if options.cluster is not None:
            require_scheduler(options.cluster)
        if not path.exists():
            # A request that is refused leaves nothing behind, not even an empty ledger.
            with Ledger(path, root=self.root, read_only=True) as nothing:
                self._check(self._states(chosen, nothing, options), options)
        with only_batch(path), Ledger(path, root=self.root) as ledger:
            states = self._states(chosen, ledger, options)
            due = [state for state in states if state.due]
            summary.up_to_date = len(states) - len(due)
            remove_unfinished(path for state in states for path in state.outputs)
            if due:
                self._render(due, ledger, options, watch, summary)
            else:
                watch.begin([], summary.up_to_date, 0, 0)
            if planned and not summary.interrupted:
                # Drawing and encoding are loaded by batches that make movies or sheets.
                from stackcomp.batch.made_deliveries import make_deliveries

                make_deliveries(planned, self.about, [work for work, _ in chosen], ledger, summary, watch)
        summary.seconds = time.perf_counter() - started
        return summary

    # -- steps ---------------------------------------------------------------------------------------------------

    def _states(
        self, chosen: Sequence[tuple[Work, tuple[int, ...]]], ledger: Ledger, options: Options
    ) -> list[FrameState]:
        entries, again, checksums = ledger.entries(), options.again, options.checksums
        return [
            state
            for work, frames in chosen
            for state in states_of(work, frames, ledger, entries, again=again, checksums=checksums)
        ]

    def _check(
        self, due: Sequence[FrameState], options: Options
    ) -> tuple[list[CheckedShot], dict[str, list[int]]]:
        """Shots with frames that are due, checked, and these frames.

        Raises:
            CheckError: a shot is wrong as a whole, or none of the frames may be written.
        """
        by_name = {work.name: work for work in self.works}
        frames: dict[str, list[int]] = {}
        for state in due:
            frames.setdefault(state.shot, []).append(state.frame)
        works = [by_name[name] for name in frames]
        damaged = [path for state in due for path in state.damaged]
        shots = check_shots(works, list(frames.values()), replace_foreign=options.replace_foreign, damaged=damaged)
        problems = [of_shot(problem, shot.work) for shot in shots for problem in shot.errors]
        if _refused_as_a_whole(shots, frames, known=any(state.entry is not None for state in due)):
            problems += [of_shot(problem, shot.work) for shot in shots for problem in shot.together]
        if works:
            # Also with shots that are not rendered now.
            problems += clashes(self.works, [frames.get(work.name, work.frames) for work in self.works])
        if problems:
            raise CheckError(without_repeats(problems))
        return shots, frames

    def _render(
        self, due: list[FrameState], ledger: Ledger, options: Options, watch: Watch, summary: Summary
    ) -> None:
        shots, frames = self._check(due, options)
        for shot in shots:
            for problem in shot.problems:
                watch.warn(of_shot(problem, shot.work))
        keeper = _Keeper(
            due, ledger, {shot.work.name: graph_hash(shot.work.composition.document) for shot in shots}
        )
        workers, threads, limit = _shared_out(shots, len(due), options, watch)
        watch.begin(due, summary.up_to_date, workers, threads)
        tasks: list[Task] = []
        for shot in shots:
            for frame in frames[shot.work.name]:
                if frame in shot.bad:
                    reason = Reason("; ".join(_short(problem) for problem in shot.bad[frame]))
                    self._ended(FrameRecord(shot.work.name, frame, reason=reason), keeper, watch, summary)
                else:
                    tasks.append(Task(shot.work.name, frame))
        if summary.failed and not options.keep_going:
            summary.left = [(task.shot, task.frame) for task in tasks]
            return
        _compile_ahead(shots, watch)
        specs = {shot.work.name: shot.work.spec(shot.frame) for shot in shots}
        pool: Runner
        if options.cluster is None:
            pool = Pool(specs, workers=workers, threads=threads, memory_limit=limit, log=watch.note)
        else:
            pool = ClusterPool(options.cluster, specs, log=watch.note)
        begun: set[tuple[str, int]] = set()
        with _interruptible(pool, watch, summary):
            for record in pool.run(tasks):
                begun.add((record.shot, record.frame))
                self._ended(record, keeper, watch, summary)
                if record.reason is not None and record.reason.kind == "full":
                    watch.note("the disk is full: frames in flight are finished, no further ones are begun")
                    pool.stop()
                if record.reason is not None and not options.keep_going:
                    pool.stop()
        summary.left = [(task.shot, task.frame) for task in tasks if (task.shot, task.frame) not in begun]
        remove_unfinished(path for state in due for path in state.outputs)

    def _ended(self, record: FrameRecord, keeper: _Keeper, watch: Watch, summary: Summary) -> None:
        keeper.keep(record)
        (summary.done if record.reason is None else summary.failed).append(record)
        watch.frame(record)


def _refused_as_a_whole(shots: Sequence[CheckedShot], frames: Mapping[str, Sequence[int]], *, known: bool) -> bool:
    """Whether no frame may be written: another graph delivered them, or others did before the first batch.

    Where the ledger knows the frames, somebody may have retouched them all: these fail one by one, beside others.
    """
    if not all(set(frames[shot.work.name]) <= set(shot.bad) for shot in shots):
        return False
    rules = {problem.rule for shot in shots for found in shot.bad.values() for problem in found}
    return rules <= {"replaces-delivery"} or (not known and all(rule.startswith("replaces-") for rule in rules))


class _Keeper:
    """Writes the ledger; no other process does."""

    def __init__(self, due: Sequence[FrameState], ledger: Ledger, graphs: Mapping[str, str]) -> None:
        self._states = {(state.shot, state.frame): state for state in due}
        self._ledger, self._graphs = ledger, graphs

    def keep(self, record: FrameRecord) -> None:
        state = self._states[record.shot, record.frame]
        if record.reason is not None and state.entry is not None:
            # The files of the last time are still there, and still ours.
            record = dataclasses.replace(record, files=state.entry.files)
        self._ledger.record(state.outputs, state.nodes, self._graphs[record.shot], record)


def _short(problem: Problem) -> str:
    node = f'node "{problem.node}": ' if problem.node else ""
    return node + problem.message + (f" — {problem.way_out}" if problem.way_out else "")


def _shared_out(shots: Sequence[CheckedShot], frames: int, options: Options, watch: Watch) -> tuple[int, int, int]:
    """How many workers with how many threads, and the bytes that each may hold."""
    if options.cluster is not None:
        return 0, 0, 0
    cores = thread_count()
    plans = [
        (make_plan(shot.checked, shot.work.sinks, sinks=True), shot.work.root)
        for shot in shots
        if shot.checked is not None
    ]
    free = available_memory()
    wanted = min(options.workers or cores, frames)
    needed = max(estimate(plan, root, max(1, cores // wanted)) for plan, root in plans)
    each = options.worker_memory or needed
    workers = max(1, min(wanted, free // each))
    if workers < wanted:
        memory = f"each needs about {each / 1e9:.1f} GB, and {free / 1e9:.1f} GB are free"
        watch.note(f"{workers} of {wanted} workers: {memory}")
    limit = options.worker_memory or max(needed, free // workers)
    return workers, max(1, cores // workers), limit


def _compile_ahead(shots: Sequence[CheckedShot], watch: Watch) -> None:
    """Compile once what all workers will need."""
    nodes = [node.node for shot in shots if shot.checked is not None for node in shot.checked.nodes.values()]
    names = {name for node in nodes for name in node.kernels()}
    if names:
        told: set[str] = set()

        def tell(what: str) -> None:
            if what not in told:
                watch.note(f"compiling {what}, once …")
            told.add(what)

        compile_ahead(names, tell)


@contextlib.contextmanager
def _interruptible(pool: Runner, watch: Watch, summary: Summary) -> Iterator[None]:
    """Ctrl-C: frames in flight are finished; at the second press they are not."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    tellers: list[threading.Thread] = []

    def pressed(number: int, stack: object) -> None:
        again = summary.interrupted
        summary.interrupted = True
        pool.stop(at_once=again)
        # A handler may interrupt a line that is being written; only another thread can wait for the end of it.
        tellers.append(threading.Thread(target=watch.interrupted, args=(2 if again else 1,), daemon=True))
        tellers[-1].start()

    before = signal.signal(signal.SIGINT, pressed)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        for teller in tellers:
            teller.join()


_UNFINISHED = re.compile(r"\.(?P<stem>.+)\.(?P<process>\d+)-\d+(?P<ending>\.\w+)")


def _is_running(process: int) -> bool:
    try:
        return bool(psutil.Process(process).status() != psutil.STATUS_ZOMBIE)
    except psutil.Error:
        return False


def remove_unfinished(outputs: Iterator[Path]) -> None:
    """Remove what processes that are gone have left of files that will be written now."""
    names: dict[Path, set[str]] = {}
    for path in outputs:
        names.setdefault(path.parent, set()).add(path.name)
    for folder, known in names.items():
        with contextlib.suppress(OSError):
            for item in os.scandir(folder):
                match = _UNFINISHED.fullmatch(item.name)
                ours = match is not None and match["stem"] + match["ending"] in known
                if match is not None and ours and not _is_running(int(match["process"])):
                    os.unlink(item.path)
