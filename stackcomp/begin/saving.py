"""A begun graph as a file, and as a shot of a sequence file."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from stackcomp.begin.new_graph import Begun
from stackcomp.check.originals import Writing, refusals
from stackcomp.check.outputs import readings
from stackcomp.data.frames import format_frames
from stackcomp.document.sequence import Sequence
from stackcomp.errors import DocumentError, GraphError, Problem, RequestError
from stackcomp.files.mark import Mark

__all__ = ["ShotPlace", "save_graph", "shot_place"]


def save_graph(begun: Begun, path: Path, root: Path, *, replace_foreign: bool = False) -> None:
    """Write the graph.

    Raises:
        GraphError: another file is there, and may not be replaced; one that the graph reads never is.
        FileError: the file cannot be written.
    """
    document = begun.graph.document()
    # The graph itself is what is written, so that it is not counted as something that is read.
    read = (
        reading for reading in readings(document, root, begun.frames) if reading.description != "the graph itself"
    )
    problems = refusals([Writing(path, Mark("report"))], read, root, replace_foreign=True)
    if problems:
        raise GraphError(problems)
    try:
        begun.graph.save(path, replace=replace_foreign)
    except GraphError as error:
        raise GraphError(_reworded(problem, path) for problem in error.problems) from None


def _reworded(problem: Problem, path: Path) -> Problem:
    if problem.rule != "replaces-foreign":
        return problem
    return replace(
        problem,
        message=f"would replace {path}, which holds something else",
        way_out="write to another name; --replace-foreign lets it be replaced",
    )


class ShotPlace:
    """A place for a shot in a sequence file, looked at before anything is written.

    Attributes:
        name: of the shot.
        path: the sequence file.
        sequence: the file as it is; None where it is not there yet.
        root: folder for relative paths.
    """

    def __init__(self, name: str, path: Path, root: Path) -> None:
        self.name, self.path, self.root = name, path, root
        _require_name(name)
        self.sequence = Sequence.open(path) if os.path.lexists(path) else None
        if self.sequence is None:
            return
        if name in self.sequence.shots:
            raise RequestError(
                Problem("shot-name", f'--shot: there is a shot "{name}" in {path} already', "choose another name")
            )
        if os.path.realpath(self.sequence.root) != os.path.realpath(root):
            message = f"--root: the paths of {path} start at {self.sequence.root}, those of the graph at {root}"
            raise RequestError(Problem("root", message, f"give --root {self.sequence.root}"))

    def add(self, begun: Begun, graph: Path) -> None:
        """Add the shot and save the file.

        Args:
            begun: the graph that was begun.
            graph: the file that it was saved to.

        Raises:
            DocumentError: the name cannot be that of a shot.
            FileError: the file cannot be written.
        """
        file = _relative(graph, self.root)
        folder = self.path.parent
        sequence = self.sequence or Sequence.new(
            graph=file, root=_relative(self.root, folder), place=str(self.path)
        )
        sequence.add_shot(
            self.name,
            graph=None if sequence.head.graph == file else file,
            frames=format_frames(begun.frames),
            variables=begun.variables or None,
        )
        sequence.save(self.path)


def shot_place(name: str | None, sequence: str | None, root: Path) -> ShotPlace | None:
    """The place for a shot; None where none is wanted.

    Raises:
        RequestError: only one of the two is given, the shot is there already, or paths start at another folder.
        DocumentError: the sequence file cannot be understood.
    """
    if name is None and sequence is None:
        return None
    if name is None or sequence is None:
        missing, given = ("--shot", "--sequence") if name is None else ("--sequence", "--shot")
        raise RequestError(Problem("request", f"{given} is given without {missing}", f"give {missing} too"))
    return ShotPlace(name, Path(sequence), root)


def _require_name(name: str) -> None:
    """Let a sequence judge the name; that the shot has no graph yet is no matter.

    Raises:
        RequestError: it cannot be that of a shot.
    """
    try:
        Sequence.new().add_shot(name)
    except DocumentError as error:
        wrong = [problem for problem in error.problems if problem.rule == "shot-name"]
        if wrong:
            raise RequestError(
                replace(problem, message=f"--shot: {problem.message}", place="", pointer_override="")
                for problem in wrong
            ) from None


def _relative(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path, folder)).as_posix()
