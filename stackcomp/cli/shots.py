"""The shots of a sequence file, or of a graph that stands alone, as commands open them."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Sequence as List
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stackcomp.errors import DocumentError, Problem, RequestError, did_you_mean

if TYPE_CHECKING:
    from stackcomp.batch.run import Batch
    from stackcomp.batch.work import Work
    from stackcomp.document.sequence import Sequence

__all__ = ["holds_sequence", "open_batch"]


def holds_sequence(path: str) -> bool:
    """Whether a file is a sequence; what is wrong with it is reported by whoever opens it."""
    from stackcomp.document.sequence import is_sequence
    from stackcomp.files.read_json import read_json

    try:
        return is_sequence(read_json(path))
    except DocumentError:
        return False


def open_batch(path: str, root: str | None, variable_files: List[str] | None, sets: List[str] | None) -> Batch:
    """Open a sequence file or a graph with variables from files and from ``--set``, which win over its own.

    Raises:
        RequestError: an option does not fit.
        DocumentError: the file, a graph or a variable is wrong; all problems of all shots are in it.
    """
    if holds_sequence(path):
        return _open_sequence(path, root, variable_files, sets)
    from stackcomp.batch.run import Batch
    from stackcomp.batch.work import Work
    from stackcomp.cli.request import open_graph

    request = open_graph(path, root or ".", variable_files, sets)
    composition = request.composition
    variables = composition.given
    work = Work("", composition.graph, composition, tuple(sorted(composition.frames)), variables)
    return Batch([work], stem=Path(path).stem, root=composition.root, about=composition.document.head.about)


def _open_sequence(path: str, root: str | None, variable_files: List[str] | None, sets: List[str] | None) -> Batch:
    from stackcomp.batch.run import Batch
    from stackcomp.batch.work import open_shot
    from stackcomp.cli.request import variables_of
    from stackcomp.document.sequence import Sequence

    if root is not None:
        raise RequestError(
            Problem("request", "--root: a sequence file says itself where its paths start", 'change its "root"')
        )
    given = variables_of(variable_files, sets)
    if "shot_name" in given:
        message, way_out = "shot_name is the name of each shot, and cannot be given", "use --shot to choose shots"
        raise RequestError(Problem("variable-name", message, way_out))
    sequence = Sequence.open(path)
    works: list[Work] = []
    problems: list[Problem] = []
    for shot in sequence.shots.values():
        variables: dict[str, Any] = {**shot.variables, **given, "shot_name": shot.name}
        files = (*shot.variable_files, *map(Path, variable_files or ()))
        try:
            works.append(open_shot(replace(shot, variables=variables, variable_files=files)))
        except DocumentError as error:
            problems += [_of_shot(problem, shot.name) for problem in error.problems]
    if problems:
        raise DocumentError(dict.fromkeys(problems))
    if not works:
        message, way_out = "the sequence has no shots", 'add one under "shots", or name a "cut"'
        raise DocumentError(Problem("shots", message, way_out, field="shots", place=path))
    return Batch(
        works,
        stem=Path(path).stem,
        root=sequence.root,
        deliveries=sequence.deliveries,
        about=sequence.head.about,
        place=path,
        variables={**sequence.variables, **given},
        warnings=(
            *sequence.warnings,
            *_unused({**sequence.own_variables, **variables_of((), sets)}, sequence, works),
        ),
    )


def _unused(given: Mapping[str, Any], sequence: Sequence, works: List[Work]) -> List[Problem]:
    """One warning about variables for all shots that none of them uses, nor a delivery."""
    from stackcomp.document.variables import references

    paths = [delivery.path for delivery in sequence.deliveries.values()]
    known = {"shot_name", *references(paths)}.union(
        *(work.graph.known_variables(work.variables) for work in works)
    )
    names = [name for name in given if name not in known]
    if not names:
        return []
    plural = "s" if len(names) > 1 else ""
    listed = ", ".join(f'"{name}"' for name in names)
    near = [hint for name in names if (hint := did_you_mean(name, sorted(known))).startswith("did")]
    message = f"variable{plural} {listed}: given a value, but not used by any shot"
    return [Problem("variable-unused", message, " ".join(near), place=sequence.place, severity="warning")]


def _of_shot(problem: Problem, name: str) -> Problem:
    prefix = f'shot "{name}": '
    if problem.pointer.startswith("/set/"):
        return problem  # The sequence says it for all shots.
    return problem if problem.message.startswith(prefix) else replace(problem, message=prefix + problem.message)
