"""A shot of a sequence: a graph with its variables and changed parameters, and frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stackcomp.data.frames import format_frames
from stackcomp.document.graph import Graph
from stackcomp.errors import DocumentError, Problem, pointer_to, unknown_node

__all__ = ["Shot"]


@dataclass(frozen=True)
class Shot:
    """A shot.

    Attributes:
        name: its name; empty for a graph that stands alone.
        graph: the graph file.
        root: folder for relative paths.
        frames: its frames without handles; None where the graph says which.
        handles: frames rendered beyond either end.
        available: first and last frame of the media that a cut tells; handles end there.
        variables: values for ``${name}``, the shot's name among them.
        own: names of the variables that were given for this shot, so that unused ones are a mistake.
        variable_files: files that variables were read from.
        set: changed parameters, as ``"node.parameter"``.
        common: those of them that the sequence sets for all shots.
        place: the sequence file.
    """

    name: str
    graph: Path
    root: Path
    frames: tuple[int, ...] | None
    variables: Mapping[str, Any]
    handles: int = 0
    available: tuple[int, int] | None = None
    own: frozenset[str] = frozenset()
    variable_files: tuple[Path, ...] = ()
    set: Mapping[str, Any] | None = None
    common: frozenset[str] = frozenset()
    place: str = ""

    def open(self) -> Graph:
        """The graph with the shot's parameters and frames in it.

        Raises:
            DocumentError: the graph cannot be understood, or has no such node or parameter; every problem of the
                parameters is in it.
        """
        graph = Graph.open(self.graph)
        if self.frames is not None:
            graph.set_frames(format_frames(self.frames))
        problems: list[Problem] = []
        changes: dict[str, dict[str, Any]] = {}
        for key, value in (self.set or {}).items():
            node, dot, parameter = key.rpartition(".")
            if not dot or not node or not parameter:
                message, way_out = f'"{key}" does not name a parameter of a node', 'write "node.parameter": value'
                problems.append(self._at(key, Problem("set-parameter", message, way_out)))
            elif node not in graph.nodes:
                problem = unknown_node(node, list(graph.nodes))
                problems.append(self._at(key, replace(problem, message=f"{problem.message} in {self.graph}")))
            elif parameter == "kind":
                problem = Problem("set-parameter", "the kind of a node cannot be changed", "use another graph")
                problems.append(self._at(key, problem))
            else:
                changes.setdefault(node, {})[parameter] = value
        for node, fields in changes.items():
            # All of a node at once: some parameters fit only together.
            try:
                graph.change(node, fields)
            except DocumentError as error:
                for problem in error.problems:
                    parameter = problem.field.split(".")[0]
                    known = parameter if parameter in fields else next(iter(fields))
                    problems.append(self._at(f"{node}.{known}", problem))
        if problems:
            order = [self._pointer(key) for key in self.set or {}]
            raise DocumentError(sorted(problems, key=lambda problem: order.index(problem.pointer)))
        return graph

    def _at(self, key: str, problem: Problem) -> Problem:
        """The finding about a changed parameter, at its place in the sequence file."""
        shot = "" if key in self.common or not self.name else f'shot "{self.name}": '
        return replace(
            problem,
            message=f"{shot}{problem.message}",
            field="",
            place=self.place,
            pointer_override=self._pointer(key),
        )

    def _pointer(self, key: str) -> str:
        return pointer_to(("set", key) if key in self.common else ("shots", self.name, "set", key))

    def with_handles(self, frames: Iterable[int]) -> tuple[int, ...]:
        """Frames in rising order, and the handles before the first and behind the last."""
        ordered = sorted(set(frames))
        if not ordered:
            return ()
        first, last = ordered[0], ordered[-1]
        low, high = first - self.handles, last + self.handles
        if self.available is not None:
            low, high = max(low, min(first, self.available[0])), min(high, max(last, self.available[1]))
        return (*range(low, first), *ordered, *range(last + 1, high + 1))

    def variables_for(self, graph: Graph) -> dict[str, Any]:
        """The variables that the graph uses, and those that were given for this shot alone."""
        known = graph.known_variables(self.variables)
        return {name: value for name, value in self.variables.items() if name in known or name in self.own}
