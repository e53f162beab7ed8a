"""A file to be measured: its header, its pixels, and the mistakes in the request.

Files are opened by a small graph of their own, which is checked once. The caller never sees that graph. So what
its check finds is worded as a problem of the file, or of an input by the name that the caller has for it: a
parameter of a Python function, or an option of a command.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

from stackcomp.composition import Composition
from stackcomp.data import arguments
from stackcomp.data.image import Image
from stackcomp.data.port_types import Encoding, Layers
from stackcomp.document.graph import Graph
from stackcomp.errors import (
    BadValueError,
    CheckError,
    DocumentError,
    FileError,
    Problem,
    RenderError,
    RequestError,
    StackcompError,
    did_you_mean,
)
from stackcomp.execute.executor import Executor
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.paths import FramePath
from stackcomp.nodes.base import Context
from stackcomp.nodes.read import Read

__all__ = [
    "PARAMETERS",
    "Names",
    "Source",
    "channels_of",
    "colour_in",
    "colour_missing",
    "frame_path",
    "listed",
    "no_such_layer",
]

_MOST_LISTED = 12


@dataclass(frozen=True)
class Names:
    """What messages call the inputs. Empty where the caller has no such input, so that no message advises it."""

    frame: str = "frame="
    layer: str = "layer="
    channel: str = ""
    encoding: str = "encoding="
    working_space: str = "working_space="
    colour_config: str = "colour_config="


PARAMETERS = Names()
"""The parameters of this package's functions."""


def frame_path(path: str) -> FramePath:
    """A path that may hold a frame token.

    Raises:
        RequestError: it cannot be the path of a file.
    """
    try:
        return FramePath(path)
    except BadValueError as error:
        raise RequestError(Problem("path", error.message, error.way_out or "name a file")) from None


@dataclass(frozen=True)
class Source:
    """A file to be measured, and the encoding in which its colours are read.

    Attributes:
        path: file, or a file sequence with a frame token.
        frame: frame number; needed where the path has a token.
        encoding: colour space of its colours; the file's own header decides when None.
        working_space: scene-linear space of the result.
        colour_config: name or path of the OCIO config.
        root: folder for relative paths.
        names: of the inputs, for messages.

    Raises:
        ArgumentError: an argument of the wrong kind.
        RequestError: a path that no file can have, or no frame for a sequence.
    """

    path: str
    frame: int | None = None
    encoding: str | None = None
    working_space: str = "ACEScg"
    colour_config: str = DEFAULT_CONFIG
    root: str | Path = "."
    names: Names = PARAMETERS

    def __post_init__(self) -> None:
        arguments.text(self.path, "path")
        arguments.file_path(self.root, "root")
        for what in ("encoding", "working_space", "colour_config"):
            value = getattr(self, what)
            if what != "encoding" or value is not None:
                arguments.text(value, what)
        if self.frame is not None:
            object.__setattr__(self, "frame", arguments.frame_number(self.frame))
        if frame_path(self.path).has_frame and self.frame is None:
            message = f"{self.path} is a sequence, and no frame was named"
            raise RequestError(Problem("frame", message, f"say which with {self.names.frame}"))

    @property
    def number(self) -> int:
        """The frame, or 1 where none is named."""
        return 1 if self.frame is None else self.frame

    @property
    def doubts(self) -> tuple[str, ...]:
        """A sentence about a frame that is named for a path without frame token; else nothing."""
        if self.frame is None or frame_path(self.path).has_frame:
            return ()
        return (f"frame {self.frame} is not used: {self.path} has no frame token, such as {{frame:04d}}",)

    def graph(self) -> Graph:
        """A graph with a node "file" that reads the file."""
        graph = Graph(working_space=self.working_space, colour_config=self.colour_config, frames=str(self.number))
        # Values that are not finite are counted and left out of the figures, never repaired unseen.
        graph.add("read", "file", path=self.path, encoding=self.encoding, non_finite="keep")
        return graph

    def header(self) -> Layers:
        """What the header says, read without a check of the graph.

        Raises:
            RequestError: no such file, a damaged one, or an encoding or config that is not known.
        """
        try:
            node = self.graph().document().nodes["file"]
        except DocumentError as error:
            raise RequestError(self.problems(error.problems)) from None
        assert isinstance(node, Read)
        # The working space has no part in the header.
        space = Encoding(self.working_space, "scene-linear")
        try:
            type = node.result({}, Context(space, self.colour_config, Path(self.root), (self.number,)))
        except (FileError, OSError):
            self._refuse()
        assert isinstance(type, Layers)
        if type.encoding is None and self.encoding is not None:
            self._refuse()
        return type

    def _refuse(self) -> NoReturn:
        """Raise what the check finds wrong with the file itself.

        Raises:
            RequestError: always.
        """
        self._executor(self.graph(), ["file"])
        message = f"{self.path} changed while its header was read"
        raise RequestError(Problem("file", message, "try again"))

    def images(self, graph: Graph, nodes: Sequence[str]) -> dict[str, Image]:
        """Pictures of nodes of a graph that begins with `graph`. The graph is checked once.

        Raises:
            RequestError: no such file, a damaged one, or a colour space or config that is not known.
            FileError: the pixels are damaged.
        """
        executor = self._executor(graph, nodes)
        try:
            results = executor.results(self.number, warn=lambda node, message: None)
            return {result.node: result.image for result in results}
        except RenderError as error:
            if isinstance(error.__cause__, FileError):
                raise error.__cause__ from None
            if isinstance(error.__cause__, OSError | StackcompError):
                raise FileError(self.path, error.reason) from error
            raise  # not a matter of the file

    def _executor(self, graph: Graph, nodes: Sequence[str]) -> Executor:
        try:
            return Composition(graph, root=self.root).executor(list(nodes), frames=(self.number,))
        except (CheckError, DocumentError) as error:
            raise RequestError(self.problems(error.problems)) from None

    def problems(self, found: Iterable[Problem]) -> list[Problem]:
        """Problems of the small graph, worded for the file and the inputs; each once."""
        worded = [self._worded(problem) for problem in found]
        return list({(problem.rule, problem.message): problem for problem in reversed(worded)}.values())[::-1]

    def _worded(self, problem: Problem) -> Problem:
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
    """The problem that a layer has no R G B, or the file itself where ``layer`` is empty; nothing where it has."""
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
    """The layers of a file: the text before the last dot of its channels' names."""
    return list(dict.fromkeys(name.rpartition(".")[0] for name in channels if "." in name))


def channels_of(layer: str, channels: Sequence[str]) -> list[str]:
    """The channels of a layer, by their full names; those without a layer where it is empty."""
    return [name for name in channels if name.rpartition(".")[0] == layer]


def colour_in(layer: str, channels: Sequence[str]) -> bool:
    """Whether a layer has R G B."""
    prefix = f"{layer}." if layer else ""
    return all(prefix + name in channels for name in "RGB")


def no_such_layer(source: Source, layer: str, channels: Sequence[str]) -> Problem | None:
    """The problem that a file has no such layer, with the layers that it has; None where it has this one."""
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
    """The names, parted by commas; the first 12 where there are more."""
    return ", ".join(names[:_MOST_LISTED]) + (" …" if len(names) > _MOST_LISTED else "")
