"""A shot made ready for a batch: composition, frames and deliver nodes; and what a process needs to open it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stackcomp.composition import Composition
from stackcomp.document.graph import Graph
from stackcomp.document.shot import Shot

__all__ = ["ShotSpec", "Work", "open_shot"]


@dataclass(frozen=True)
class ShotSpec:
    """What another process needs to render frames of a shot; all of it can be pickled.

    Attributes:
        name: the shot's name.
        graph: the graph as JSON text, with the shot's parameters in it.
        place: the file that the graph came from.
        root: folder for relative paths.
        variables: values for ``${name}``.
        sinks: deliver nodes.
        frame: a frame whose files are all there; wires get their types from it.
    """

    name: str
    graph: str
    place: str
    root: str
    variables: Mapping[str, Any] = field(default_factory=dict)
    sinks: tuple[str, ...] = ()
    frame: int = 1


@dataclass(frozen=True, eq=False)
class Work:
    """A shot that is to be rendered.

    Attributes:
        name: its name; empty for a graph that stands alone.
        graph: the graph with the shot's parameters in it.
        composition: the same with variables filled in.
        frames: all its frames, handles included.
        variables: values that were given.
    """

    name: str
    graph: Graph
    composition: Composition
    frames: tuple[int, ...]
    variables: Mapping[str, Any]

    def __reduce__(self) -> Any:
        raise TypeError("a Work stays in its process; send its ShotSpec")

    @property
    def sinks(self) -> tuple[str, ...]:
        """Its deliver nodes."""
        return tuple(self.composition.sinks)

    @property
    def root(self) -> Path:
        """Folder for relative paths."""
        return self.composition.root

    @property
    def words(self) -> str:
        """How messages begin that are about this shot."""
        return f'shot "{self.name}": ' if self.name else ""

    def outputs(self, frame: int) -> list[Path]:
        """Files that are delivered for a frame."""
        nodes = (self.composition.document.nodes[name] for name in self.sinks)
        return [path for node in nodes for path in node.outputs(frame, self.root)]  # type: ignore[attr-defined]

    def spec(self, frame: int) -> ShotSpec:
        """What another process needs; ``frame`` is one whose files are all there."""
        # Absolute, since another process may work in another folder; behind a link, ".." is another one.
        return ShotSpec(
            self.name,
            self.graph.to_json(),
            str(Path(self.graph.place).absolute()) if self.graph.place else "",
            str(self.root.absolute()),
            dict(self.variables),
            self.sinks,
            frame,
        )


def open_shot(shot: Shot) -> Work:
    """Open a shot's graph with its variables.

    Raises:
        DocumentError: the graph, a parameter or a variable is wrong; every problem is in it.
    """
    graph = shot.open()
    variables = shot.variables_for(graph)
    composition = Composition(graph, root=shot.root, variables=variables, variable_files=shot.variable_files)
    frames = shot.with_handles(composition.frames if shot.frames is None else shot.frames)
    return Work(shot.name, graph, composition, frames, variables)
