"""The check of shots before a batch: each alone, their frames, and what they would do to each other's files.

What is wrong with single frames (a file that is missing, or has other channels) does not stop the others. So a
shot is judged at one frame at which all is well; if there is none, it is wrong as a whole.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from stackcomp.batch.work import Work
from stackcomp.check.check_graph import check_graph
from stackcomp.check.checked import CheckedGraph
from stackcomp.check.originals import Reading, RealPaths, Writing, refusals
from stackcomp.check.outputs import Outputs, mark_of, readings
from stackcomp.errors import Problem
from stackcomp.nodes.base import SinkNode

__all__ = [
    "CheckedShot",
    "check_everything",
    "check_shot",
    "check_shots",
    "clashes",
    "nothing_to_do",
    "of_shot",
    "without_repeats",
]

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
        together: the same in findings about all frames, where there are bad ones.
    """

    work: Work
    checked: CheckedGraph | None
    problems: tuple[Problem, ...]
    bad: dict[int, tuple[Problem, ...]]
    together: tuple[Problem, ...] = ()

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
    if problem := nothing_to_do(work, frames):
        return CheckedShot(work, None, (*problems, problem), {})
    outputs = Outputs(work.sinks, replace_foreign, work.composition.variable_files, frozenset(damaged))
    checked, found = _check(work, frames, outputs)
    if checked is not None:
        return CheckedShot(work, checked, (*problems, *found), {})
    best = _best_reference(work, frames, outputs)
    if best is None:
        return CheckedShot(work, None, (*problems, *found), {})
    return CheckedShot(work, best[0], (*problems, *best[0].warnings), best[1], tuple(found))


def _best_reference(
    work: Work, frames: Sequence[int], outputs: Outputs
) -> tuple[CheckedGraph, dict[int, tuple[Problem, ...]]] | None:
    """The graph at a frame that is like most others, and what is wrong with these; None if no frame is right."""
    others = [frame for frame in work.frames if frame not in set(frames)]
    anywhere = replace(outputs, replace_foreign=True)
    best: tuple[CheckedGraph, dict[int, tuple[Problem, ...]]] | None = None
    for reference in [*_candidates(frames), *_candidates(others)]:
        # What it would replace is no matter of its types.
        checked, _ = _check(work, [reference], anywhere)
        if checked is None:
            continue
        bad = dict(_bad_frames(work, reference, frames, outputs))
        if best is None or len(bad) < len(best[1]):
            best = checked, bad
        if len(bad) <= len(frames) // 2:
            break
    return best


def check_everything(chosen: Sequence[tuple[Work, Sequence[int]]], *, replace_foreign: bool) -> list[Problem]:
    """Every finding about some shots and all their frames, each frame's own among them."""
    works, frames = [work for work, _ in chosen], [frames for _, frames in chosen]
    found: dict[Problem, None] = {}
    for shot in check_shots(works, frames, replace_foreign=replace_foreign):
        found |= dict.fromkeys(of_shot(problem, shot.work) for problem in shot.problems)
        found |= dict.fromkeys(of_shot(problem, shot.work) for problem in shot.together)
    return without_repeats([*found, *clashes(works, frames)])


def without_repeats(problems: Iterable[Problem]) -> list[Problem]:
    """The findings, without those that say of a field what another one says in other words."""
    kept: dict[tuple[str, ...], Problem] = {}
    for problem in problems:
        shot = problem.message.partition('": ')[0] if problem.message.startswith('shot "') else ""
        kept.setdefault((shot, problem.rule, problem.node, problem.pointer, problem.place), problem)
    return list(kept.values())


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
    known: list[Reading] = []
    writings: list[Writing] = []
    by_name = {work.name: work for work in shots}
    for work, numbers in zip(shots, frames, strict=True):
        document, mark = work.composition.document, mark_of(work.composition.document, work.root)
        # Shots of one sequence read the same graphs and variables; each is looked up once.
        known += readings(document, work.root, numbers, work.composition.variable_files)
        for name in work.sinks:
            sink = document.nodes[name]
            assert isinstance(sink, SinkNode)
            paths = [path for frame in numbers for path in sink.outputs(frame, work.root)]
            seen: dict[str, int] = {}
            pairs = [(frame, path) for frame in numbers for path in sink.outputs(frame, work.root)]
            for number, path in pairs:
                first = seen.setdefault(real(path), number)
                if first != number:
                    message = f"{work.words}frames {first} and {number} both write {path}"
                    problems.append(Problem("output-twice", message, "put {frame:04d} into the path", node=name,
                                            field="path", place=document.place))  # fmt: skip
                    break
            writings += [Writing(path, mark, f"{name}\0{work.name}", "path") for path in paths]
            twice = next((path for path in paths if taken.get(real(path), work.name) != work.name), None)
            if twice is not None:
                message = f'{work.words}would write {twice}, as shot "{taken[real(twice)]}" does'
                problems.append(Problem("output-twice", message, "put ${shot_name} into the path", node=name,
                                        field="path", place=document.place))  # fmt: skip
            taken.update(dict.fromkeys(map(real, paths), work.name))
    root = shots[0].root if shots else Path()
    for problem in refusals(writings, dict.fromkeys(known), root, replace_foreign=True):
        name, _, shot = problem.node.partition("\0")
        work = by_name[shot]
        message, place = f"{work.words}{problem.message}", work.composition.document.place
        problems.append(replace(problem, message=message, node=name, place=place))
    return problems


def _check(work: Work, frames: Sequence[int], outputs: Outputs) -> tuple[CheckedGraph | None, list[Problem]]:
    checked, problems = check_graph(
        work.composition.document, work.root, frames=frames, wanted=work.sinks, outputs=outputs
    )
    return checked, problems


def nothing_to_do(work: Work, frames: Sequence[int]) -> Problem | None:
    """The finding that a shot has no deliver node or no frames; None where it has both."""
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
    """What is wrong with some of these frames; halves in which all is well are not looked at one by one."""
    if len(frames) == 1:
        # Alone it says what is wrong with it; where it is right alone, it differs from the other one.
        for together in (frames, [reference, *frames]):
            errors = tuple(
                problem for problem in _check(work, together, outputs)[1] if problem.severity == "error"
            )
            if errors:
                yield frames[0], errors
                return
        return
    middle = len(frames) // 2
    for half in (frames[:middle], frames[middle:]):
        if _check(work, list(dict.fromkeys([reference, *half])), outputs)[0] is None:
            yield from _bad_frames(work, reference, half, outputs)
