"""The check of shots before a batch: each alone, their frames, and what they would do to each other's files.

What is wrong with single frames (a file that is missing, or has other channels) does not stop the others. So a
shot is judged at one frame at which all is well; if there is none, it is wrong as a whole.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain
from pathlib import Path

from stackcomp.batch.work import Work
from stackcomp.check.check_graph import check_graph
from stackcomp.check.checked import CheckedGraph
from stackcomp.check.originals import RealPaths, Writing, refusals
from stackcomp.check.outputs import Outputs, mark_of, readings
from stackcomp.errors import Problem

__all__ = ["CheckedShot", "check_everything", "check_shot", "check_shots", "clashes", "of_shot"]

#: Threads that read headers; on a network share most of the time is waiting.
_THREADS = 8
#: Frames of a shot that are looked at alone before it counts as wrong as a whole.
_CANDIDATES = 9


@dataclass(frozen=True)
class CheckedShot:
    """What the check found.

    Attributes:
        work: the shot.
        checked: its graph at a frame at which all is well; None where there is none.
        problems: what is wrong with the shot as a whole; warnings are among them.
        bad: what is wrong with single frames.
    """

    work: Work
    checked: CheckedGraph | None
    problems: tuple[Problem, ...]
    bad: dict[int, tuple[Problem, ...]]

    @property
    def frame(self) -> int:
        """The frame at which it was judged."""
        assert self.checked is not None
        return self.checked.context.frame

    @property
    def errors(self) -> list[Problem]:
        """Why it cannot be rendered at all."""
        return [problem for problem in self.problems if problem.severity == "error"]


def check_shots(
    works: Sequence[Work],
    frames: Sequence[Sequence[int]],
    *,
    replace_foreign: bool,
    damaged: Collection[Path] = (),
) -> list[CheckedShot]:
    """Check several shots side by side; arguments as for `check_shot`, in the same order."""
    with ThreadPoolExecutor(min(_THREADS, max(1, len(works)))) as pool:
        check = partial(check_shot, replace_foreign=replace_foreign, damaged=damaged)
        return list(pool.map(check, works, frames))


def check_shot(
    work: Work, frames: Sequence[int], *, replace_foreign: bool, damaged: Collection[Path] = ()
) -> CheckedShot:
    """Check a shot from headers alone.

    Args:
        work: the shot.
        frames: frames that will be rendered.
        replace_foreign: whether files of others, and deliveries of other graphs, may be replaced.
        damaged: files of this program that are known to be damaged, and may be replaced.
    """
    problems: list[Problem] = list(work.composition.unused_variables)
    if problem := _nothing_to_do(work, frames):
        return CheckedShot(work, None, (*problems, problem), {})
    outputs = Outputs(work.sinks, replace_foreign, work.composition.variable_files, frozenset(damaged))
    checked, found = _check(work, frames, outputs)
    if checked is not None:
        return CheckedShot(work, checked, (*problems, *found), {})
    bad: dict[int, tuple[Problem, ...]] = {}
    others = [frame for frame in work.frames if frame not in set(frames)]
    for reference in [*_candidates(frames), *_candidates(others)]:
        checked, alone = _check(work, [reference], outputs)
        if checked is not None:
            bad = dict(_bad_frames(work, reference, [frame for frame in frames if frame != reference], outputs))
            return CheckedShot(work, checked, (*problems, *alone), bad)
    return CheckedShot(work, None, (*problems, *found), bad)


def check_everything(chosen: Sequence[tuple[Work, Sequence[int]]], *, replace_foreign: bool) -> list[Problem]:
    """Every finding about some shots and all their frames, each frame's own among them."""
    works, frames = [work for work, _ in chosen], [frames for _, frames in chosen]
    found: dict[Problem, None] = {}
    for shot in check_shots(works, frames, replace_foreign=replace_foreign):
        found |= dict.fromkeys(of_shot(problem, shot.work) for problem in shot.problems)
        if shot.bad:
            # All frames together, so that one finding lists all frames of its kind.
            together = check_graph(
                shot.work.composition.document,
                shot.work.root,
                frames=[shot.frame, *(frame for frame in frames[works.index(shot.work)] if frame != shot.frame)],
                wanted=shot.work.sinks,
                outputs=Outputs(shot.work.sinks, replace_foreign, shot.work.composition.variable_files),
            )[1]
            found |= dict.fromkeys(of_shot(problem, shot.work) for problem in together)
    return [*found, *clashes(works, frames)]


def of_shot(problem: Problem, work: Work) -> Problem:
    """The finding, with the name of the shot in front."""
    if not work.name or problem.message.startswith(work.words):
        return problem
    return replace(problem, message=f"{work.words}{problem.message}")


def clashes(shots: Sequence[Work], frames: Sequence[Sequence[int]]) -> list[Problem]:
    """Files that two shots would write, and files of one shot that another one reads."""
    problems: list[Problem] = []
    taken: dict[str, str] = {}
    real = RealPaths()
    known = list(
        chain.from_iterable(
            readings(work.composition.document, work.root, numbers, work.composition.variable_files)
            for work, numbers in zip(shots, frames, strict=True)
        )
    )
    for work, numbers in zip(shots, frames, strict=True):
        document = work.composition.document
        mark = mark_of(document, work.root)
        for name in work.sinks:
            paths = [path for frame in numbers for path in document.nodes[name].outputs(frame, work.root)]  # type: ignore[attr-defined]
            twice = next((path for path in paths if taken.get(real(path), work.name) != work.name), None)
            if twice is not None:
                message = f'{work.words}would write {twice}, as shot "{taken[real(twice)]}" does'
                problems.append(Problem("output-twice", message, "put ${shot_name} into the path", node=name,
                                        field="path", place=document.place))  # fmt: skip
            taken.update(dict.fromkeys(map(real, paths), work.name))
            problems += [
                replace(problem, message=f"{work.words}{problem.message}", place=document.place)
                for problem in refusals(
                    (Writing(path, mark, name, "path") for path in paths), known, work.root, replace_foreign=True
                )
            ]
    return problems


def _check(work: Work, frames: Sequence[int], outputs: Outputs) -> tuple[CheckedGraph | None, list[Problem]]:
    checked, problems = check_graph(
        work.composition.document, work.root, frames=frames, wanted=work.sinks, outputs=outputs
    )
    return checked, problems


def _nothing_to_do(work: Work, frames: Sequence[int]) -> Problem | None:
    place = work.graph.place
    if not work.sinks:
        message, way_out = "the graph has no deliver node", 'add {"kind": "deliver", "image": …, "path": …}'
        return Problem("no-deliver", work.words + message, way_out, place=place)
    if not frames:
        message, way_out = "no frames to render", 'write "frames": "1001-1008" at the shot or into the graph'
        return Problem("frames", work.words + message, way_out, place=place)
    return None


def _candidates(frames: Sequence[int]) -> list[int]:
    """Frames at which all may be well: the first, and some at equal distances."""
    if not frames:
        return []
    step = max(1, (len(frames) - 1) // (_CANDIDATES - 1))
    return list(dict.fromkeys([*frames[::step], frames[-1]]))


def _bad_frames(
    work: Work, reference: int, frames: Sequence[int], outputs: Outputs
) -> Iterator[tuple[int, tuple[Problem, ...]]]:
    """Frames with something wrong; halves in which all is well are not looked at one by one."""
    if not frames:
        return
    checked, problems = _check(work, [reference, *frames], outputs)
    if checked is not None:
        return
    if len(frames) == 1:
        yield frames[0], tuple(problem for problem in problems if problem.severity == "error")
        return
    middle = len(frames) // 2
    yield from _bad_frames(work, reference, frames[:middle], outputs)
    yield from _bad_frames(work, reference, frames[middle:], outputs)
