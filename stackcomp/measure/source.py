"""A file that is about to be measured: found, its header read, and what is wrong with the request said once.

Files are opened by a small graph of their own. Nobody has seen that graph, so what its check finds is said here of
the file, and of the inputs by the names that the one who asks has for them: parameters of a Python function, or
options of a command.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.data.port_types import Layers
from stackcomp.document.graph import Graph
from stackcomp.errors import CheckError, FileError, Problem, RenderError, RequestError, did_you_mean
from stackcomp.execute.executor import Executor
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.paths import FramePath

__all__ = [
    "PARAMETERS",
    "Names",
    "Source",
    "channels_of",
    "colour_in",
    "colour_missing",
    "listed",
    "no_such_layer",
]

_MOST_LISTED = 12


@dataclass(frozen=True)
class Names:
    """What messages call the inputs. Empty where there is no such input, so that no message advises it."""

    frame: str = "frame="
    layer: str = "layer="
    channel: str = ""
    encoding: str = "encoding="
    working_space: str = "working_space="
    colour_config: str = "colour_config="


PARAMETERS = Names()
"""What the functions of this package call their parameters."""


@dataclass(frozen=True)
class Source:
    """Which file is to be measured, and how its colours are to be understood.

    Attributes:
        path: file, or a file sequence with a frame token.
        frame: frame number; needed where the path has a token.
        encoding: colour space of its colours; the file's own header decides when None.
        working_space: scene-linear space to which they are brought.
        colour_config: name or path of the OCIO config.
        root: folder for relative paths.
        names: of the inputs, for messages.
    """

    path: str
    frame: int | None = None
    encoding: str | None = None
    working_space: str = "ACEScg"
    colour_config: str = DEFAULT_CONFIG
    root: str | Path = "."
    names: Names = PARAMETERS

    @property
    def number(self) -> int:
        """The frame, or 1 where the path has none."""
        return 1 if self.frame is None else self.frame

    def graph(self) -> Graph:
        """A graph with a node "file" that reads it.

        Raises:
            RequestError: not a path, or no frame given for a sequence.
        """
        try:
            pattern = FramePath(self.path)
        except ValueError as error:
            message, way_out = getattr(error, "message", str(error)), getattr(error, "way_out", "name a file")
            raise RequestError(Problem("path", message, way_out)) from None
        if pattern.has_frame and self.frame is None:
            message = f"{self.path} is a sequence, and no frame was named"
            raise RequestError(Problem("frame", message, f"say which with {self.names.frame}"))
        graph = Graph(working_space=self.working_space, colour_config=self.colour_config, frames=str(self.number))
        # What is not finite is counted and left out by those who measure, never mended behind their backs.
        graph.add("read", "file", path=self.path, encoding=self.encoding, non_finite="keep")
        return graph

    def header(self) -> Layers:
        """All that the header tells.

        Raises:
            RequestError: see `graph`.
            RequestError: no such file, a damaged one, or a colour space or config that is not known.
        """
        type = self._executor(self.graph(), ["file"]).plan.checked.nodes["file"].type
        assert isinstance(type, Layers)
        return type

    def images(self, graph: Graph, nodes: Sequence[str]) -> dict[str, Image]:
        """What nodes of a graph hold that begins with `graph`.

        Raises:
            RequestError: as `header`.
            FileError: the pixels are damaged.
        """
        executor = self._executor(graph, nodes)
        try:
            results = executor.results(self.number, warn=lambda node, message: None)
            return {result.node: result.image for result in results}
        except RenderError as error:
            if isinstance(error.__cause__, FileError):
                raise error.__cause__ from None
            raise FileError(self.path, error.reason) from error

    def _executor(self, graph: Graph, nodes: Sequence[str]) -> Executor:
        try:
            return Composition(graph, root=self.root).executor(list(nodes), frames=(self.number,))
        except CheckError as error:
            raise RequestError(self.problems(error.problems)) from None

    def problems(self, found: Iterable[Problem]) -> list[Problem]:
        """Findings about the small graph, said of the file and of the inputs; each once."""
        said: dict[tuple[str, str], Problem] = {}
        for problem in found:
            mine = self._mine(problem)
            said.setdefault((mine.rule, mine.message), mine)
        return list(said.values())

    def _mine(self, problem: Problem) -> Problem:
        named = {
            "working_space": self.names.working_space,
            "colour_config": self.names.colour_config,
            "encoding": self.names.encoding,
        }
        option = named.get(problem.field, "").rstrip("=")
        message, way_out = problem.message, problem.way_out
        if problem.rule == "working-space":
            message = message.replace('"working_space" is ', "") + " is not scene-linear"
            way_out = "numbers are given in scene-linear light: choose a space such as ACEScg"
        if option:
            message = f"{option}: {message}"
        elif self.path not in message:
            message = f"{self.path}: {message}"
        return replace(problem, node="", field="", place="", message=message, way_out=way_out)


def colour_missing(source: Source, layer: str, channels: Sequence[str]) -> Iterator[Problem]:
    """What speaks against measuring R G B of a layer, or of the file itself where that is empty: one finding."""
    missing = no_such_layer(source, layer, channels)
    if missing is not None:
        yield missing
        return
    held = channels_of(layer, channels)
    if {"R", "G", "B"} <= {name.rpartition(".")[2] for name in held}:
        return
    whole = [name for name in _layers_of(channels) if colour_in(name, channels)]
    ways = []
    if whole and source.names.layer:
        ways.append(f"name a layer that has, with {source.names.layer}: {listed(whole)}")
    if source.names.channel:
        one = (held or channels)[0]
        ways.append(f"measure one channel with {source.names.channel}, such as {one}")
    what = f'layer "{layer}" of {source.path}' if layer else source.path
    yield Problem(
        "no-colour",
        f"{what} has no R G B, but {listed(held or channels)}",
        "; or ".join(ways) or "name another file",
        field="layer" if layer else "",
    )


def _layers_of(channels: Sequence[str]) -> list[str]:
    """The layers of a file: what stands before the last dot of its channels' names."""
    return list(dict.fromkeys(name.rpartition(".")[0] for name in channels if "." in name))


def channels_of(layer: str, channels: Sequence[str]) -> list[str]:
    """The channels of a layer, by their full names; those without a layer where it is empty."""
    return [name for name in channels if name.rpartition(".")[0] == layer]


def colour_in(layer: str, channels: Sequence[str]) -> bool:
    """Whether a layer has R G B."""
    prefix = f"{layer}." if layer else ""
    return all(prefix + name in channels for name in "RGB")


def no_such_layer(source: Source, layer: str, channels: Sequence[str]) -> Problem | None:
    """That a file has no such layer, with the layers that there are; None where it has it."""
    if not layer or channels_of(layer, channels):
        return None
    layers = _layers_of(channels)
    way_out = did_you_mean(layer, layers)
    if not way_out and layers:
        way_out = f"it has {listed(layers)}"
    elif not way_out:
        way_out = f"it has no layers, only {listed(channels)}: leave {source.names.layer.rstrip('=')} out"
    return Problem("layer-missing", f'{source.path} has no layer "{layer}"', way_out, field="layer")


def listed(names: Sequence[str]) -> str:
    """The names in a row, cut where there are many."""
    return ", ".join(names[:_MOST_LISTED]) + (" …" if len(names) > _MOST_LISTED else "")
