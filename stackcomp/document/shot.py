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
        for key, value in (self.set or {}).items():
            problems += self._set(graph, key, value)
        if problems:
            raise DocumentError(problems)
        return graph

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

    def _set(self, graph: Graph, key: str, value: Any) -> list[Problem]:
        pointer = pointer_to(("shots", self.name, "set", key))

        def here(problem: Problem, message: str) -> Problem:
            return replace(problem, message=message, field="", place=self.place, pointer_override=pointer)

        node, dot, parameter = key.rpartition(".")
        shot = f'shot "{self.name}": '
        if not dot or not node or not parameter:
            message = f'{shot}"{key}" under "set" does not name a parameter of a node'
            return [Problem("set-parameter", message, 'write "node.parameter": value', place=self.place,
                            pointer_override=pointer)]  # fmt: skip
        if node not in graph.nodes:
            problem = unknown_node(node, list(graph.nodes))
            return [here(problem, f"{shot}{problem.message} in {self.graph}")]
        if parameter == "kind":
            message = f"{shot}the kind of a node cannot be changed"
            return [Problem("set-parameter", message, "give the shot a graph of its own", place=self.place,
                            pointer_override=pointer)]  # fmt: skip
        try:
            graph.set(node, **{parameter: value})
        except DocumentError as error:
            return [here(problem, f"{shot}{problem.message}") for problem in error.problems]
        return []
