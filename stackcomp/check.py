"""Second stage: every wire gets a type, and every mistake is found before a pixel is read.

`check_graph` never stops at the first finding. Where a wire carries the right kind of picture in the wrong
state, it reports that and goes on as if it had been mended, so that one mistake does not hide the next; where
the kind itself is wrong, what hangs on it is left unchecked rather than blamed.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import networkx as nx

from stackcomp.document.model import Document
from stackcomp.errors import CheckError, FileError, Problem, did_you_mean
from stackcomp.image import Image
from stackcomp.nodes.base import Context, Node, Pick, Port, SinkNode, SourceNode
from stackcomp.port_types import Colour, Encoding, Layers, Matte, PortType
from stackcomp.window import Window

__all__ = ["CheckedGraph", "CheckedNode", "Wire", "check_graph"]


@dataclass(frozen=True)
class Wire:
    """What arrives at a port: from which node, as what, and which planes where a file feeds it directly."""

    source: str
    type: PortType
    picks: tuple[Pick, ...] | None = None


@dataclass(frozen=True)
class CheckedNode:
    """A node whose output type and frame are known."""

    name: str
    node: Node
    type: PortType
    display: Window
    wires: Mapping[str, Wire]

    @property
    def types(self) -> dict[str, PortType]:
        """Types at the connected ports."""
        return {port: wire.type for port, wire in self.wires.items()}


@dataclass(frozen=True)
class CheckedGraph:
    """A graph that may be rendered: nodes in an order in which inputs come first."""

    document: Document
    context: Context
    nodes: Mapping[str, CheckedNode]
    given: Mapping[str, Image]
    warnings: tuple[Problem, ...]


def check_graph(
    document: Document,
    root: Path,
    *,
    frames: Collection[int] | None = None,
    wanted: Collection[str] | None = None,
    given: Mapping[str, Image] | None = None,
) -> tuple[CheckedGraph | None, list[Problem]]:
    """All findings, and the checked graph when none of them is an error.

    Args:
        document: typed nodes.
        root: folder for relative paths.
        frames: frames that will be rendered; the document's own when None.
        wanted: check only these nodes and what they hang on; all when None.
        given: pictures that stand in for the results of nodes.
    """
    return _Check(document, root, frames, wanted, given or {}).run()


class _Check:
    def __init__(
        self,
        document: Document,
        root: Path,
        frames: Collection[int] | None,
        wanted: Collection[str] | None,
        given: Mapping[str, Image],
    ) -> None:
        self.document, self.root, self.given = document, root, given
        self.frames = tuple(document.frames if frames is None else frames)
        self.problems: list[Problem] = []
        self.done: dict[str, CheckedNode] = {}
        self.graph = nx.DiGraph()
        self._wire_up()
        self.only = self._upstream(wanted)

    # -- the drawing of wires ------------------------------------------------------------------------------

    def _inputs(self, name: str) -> dict[str, str]:
        return {} if name in self.given else self.document.nodes[name].inputs()

    def _wire_up(self) -> None:
        self.graph.add_nodes_from(self.document.nodes)
        for name in self.document.nodes:
            self.graph.add_edges_from(
                (source, name) for source in self._inputs(name).values() if source in self.document.nodes
            )

    def _upstream(self, wanted: Collection[str] | None) -> set[str]:
        if wanted is None:
            return set(self.document.nodes)
        unknown = [name for name in wanted if name not in self.document.nodes]
        if unknown:
            raise CheckError(
                Problem("node-unknown", f'there is no node "{name}"',
                        did_you_mean(name, list(self.document.nodes)), place=self.document.place)
                for name in unknown
            )  # fmt: skip
        found = set(wanted)
        for name in wanted:
            found |= nx.ancestors(self.graph, name)
        return found

    def _dangling(self) -> None:
        for name in self.only:
            for port, source in self._inputs(name).items():
                if source not in self.document.nodes:
                    self.say(name, port, "dangling", f'port "{port}" is fed by "{source}", but there is no such node',
                             did_you_mean(source, [n for n in self.document.nodes if n != name]))  # fmt: skip

    def _circles(self) -> set[str]:
        caught: set[str] = set()
        for part in nx.strongly_connected_components(self.graph.subgraph(self.only)):
            some = self.graph.subgraph(part)
            if len(part) == 1 and not some.has_edge(*(2 * tuple(part))):
                continue
            first = min(part, key=list(self.document.nodes).index)
            path = [first, *(edge[1] for edge in nx.find_cycle(some, first))]
            self.say(first, "", "cycle", f"the graph runs in a circle: {' → '.join(path)}",
                     "cut one of these wires")  # fmt: skip
            caught |= part
        return caught

    # -- the walk ------------------------------------------------------------------------------------------

    def say(self, node: str, field: str, rule: str, message: str, way_out: str = "", **more: str) -> None:
        self.problems.append(
            Problem(rule, message, way_out, node=node, field=field, place=self.document.place, **more)  # type: ignore[arg-type]
        )

    def run(self) -> tuple[CheckedGraph | None, list[Problem]]:
        context = self._context()
        self._dangling()
        caught = self._circles()
        if context is not None:
            free = self.graph.subgraph(self.only - caught)
            order = {name: k for k, name in enumerate(self.document.nodes)}
            for name in nx.lexicographical_topological_sort(free, key=lambda name: order[name]):
                self._visit(name, context)
            self._outputs(context)
        self._unused()
        order_of = {name: k for k, name in enumerate(self.document.nodes)}
        self.problems.sort(key=lambda p: (order_of.get(p.node, -1), p.severity))
        if context is None or any(problem.severity == "error" for problem in self.problems):
            return None, self.problems
        checked = CheckedGraph(self.document, context, self.done, dict(self.given), tuple(self.problems))
        return checked, self.problems

    def _context(self) -> Context | None:
        from stackcomp.files import colour

        head = self.document.head
        try:
            space = colour.encoding(head.working_space, head.colour_config)
        except ValueError as error:
            field = "working_space" if isinstance(error, colour.UnknownEncoding) else "colour_config"
            self.say("", field, "encoding-unknown", f'"{field}": {error}')
            return None
        if not space.linear:
            self.say("", "working_space", "working-space", f"the working space is {space}",
                     "comps are made in scene-linear light; choose a scene-linear space such as ACEScg")  # fmt: skip
        return Context(space, head.colour_config, self.root, self.frames)

    def _visit(self, name: str, context: Context) -> None:
        node = self.document.nodes[name]
        if name in self.given:
            image = self.given[name]
            self.done[name] = CheckedNode(name, node, image.type, image.display, {})
            return
        inputs = node.inputs()
        if any(source not in self.done for source in inputs.values()):
            return
        ports = node.ports()
        wires: dict[str, Wire] = {}
        for port, source in inputs.items():
            wire = self._arrive(name, port, ports[port], self.done[source])
            if wire is None:
                return
            wires[port] = wire
        self._one_space(name, wires)
        self._one_size(name, ports, wires)
        types = {port: wire.type for port, wire in wires.items()}
        try:
            found = [replace(p, node=name, place=self.document.place) for p in node.look(types, context)]
            self.problems += found
            if any(p.severity == "error" for p in found) and isinstance(node, SourceNode):
                return
            type = node.result(types, context)
            displays = {port: self.done[wire.source].display for port, wire in wires.items()}
            display = node.frame_window(displays, context)
        except FileError as error:
            self.say(name, "path", "file", f"{error.path}: {error.reason}", error.way_out)
            return
        except ValueError as error:
            self.say(name, "", "value", str(error))
            return
        self.done[name] = CheckedNode(name, node, type, display, wires)

    # -- rules of one wire ---------------------------------------------------------------------------------

    def _arrive(self, name: str, port: str, spec: Port, source: CheckedNode) -> Wire | None:
        type, picks = source.type, None
        if isinstance(type, Layers) and not issubclass(Layers, spec.accepts):
            taken = self._take(name, port, spec, source, type)
            if taken is None:
                return None
            type, picks = taken
        if not isinstance(type, spec.accepts):
            self._wrong_kind(name, port, spec, source.name, type)
            return None
        if isinstance(type, Colour):
            type = self._state(name, port, spec, source.name, type)
        return Wire(source.name, type, picks)

    def _take(
        self, name: str, port: str, spec: Port, source: CheckedNode, layers: Layers
    ) -> tuple[PortType, tuple[Pick, ...]] | None:
        """A file straight into a port: its R G B [A] as colour, or its only channel as a matte."""
        if Colour in spec.accepts:
            missing = [c for c in "RGB" if c not in layers.channels]
            if missing:
                near = did_you_mean(missing[0], layers.channels)
                self.say(name, port, "channel-missing",
                         f'port "{port}" takes R G B of "{source.name}", but the file has no {" ".join(missing)}; '
                         f"it has {_some(layers.channels)}",
                         f"put a shuffle node between them that says which channels to take ({near})" if near
                         else "put a shuffle node between them that says which channels to take")  # fmt: skip
                return None
            if layers.encoding is None:
                self.say(source.name, "encoding", "encoding-unknown",
                         "neither the graph nor the file says which colour space its colours are in",
                         'give the read node "encoding": "ACEScg", or whatever the camera or renderer wrote')  # fmt: skip
                return None
            colour = Colour(layers.alpha, layers.encoding)
            return colour, tuple(Pick(plane, plane) for plane in colour.planes)
        if Matte in spec.accepts and len(layers.channels) == 1:
            return Matte(), (Pick("A", layers.channels[0]),)
        self.say(name, port, "file-into-port",
                 f'port "{port}" wants {_words(spec)}, but "{source.name}" is a file with '
                 f"{len(layers.channels)} channels ({_some(layers.channels)})",
                 "put a shuffle node between them that says which channels to take, and as what")  # fmt: skip
        return None

    def _wrong_kind(self, name: str, port: str, spec: Port, source: str, type: PortType) -> None:
        if isinstance(type, Matte) and Colour in spec.accepts:
            way_out = "feed a picture, or connect the matte to a matte port such as \"within\""
        elif isinstance(type, Colour) and Matte in spec.accepts:
            way_out = "take the matte from the file with a shuffle node (\"as\": \"matte\")"
        else:
            way_out = f"{type.name} is not a picture to be filtered or laid over; take {_words(spec)} from the file " \
                      "with a shuffle node"  # fmt: skip
        self.say(name, port, "wrong-kind", f'port "{port}" wants {_words(spec)}, but "{source}" gives {type}', way_out)

    def _state(self, name: str, port: str, spec: Port, source: str, type: Colour) -> Colour:
        if spec.alpha is not None and type.alpha not in spec.alpha:
            rule, way_out = _ALPHA_WAYS_OUT[(type.alpha, spec.alpha[0])]
            self.say(name, port, rule, f'port "{port}" wants {_words(spec)}, but "{source}" gives {type}', way_out)
            type = replace(type, alpha=spec.alpha[0])
        if spec.linear and not type.encoding.linear:
            self.say(name, port, "not-linear",
                     f'port "{port}" wants scene-linear light, but "{source}" gives {type}',
                     "put a convert_colour node between them")  # fmt: skip
            linear = Encoding(self.document.head.working_space, "scene-linear")
            type = replace(type, encoding=linear)
        return type

    # -- rules of one node ---------------------------------------------------------------------------------

    def _one_space(self, name: str, wires: Mapping[str, Wire]) -> None:
        colours = [(p, w.source, w.type) for p, w in wires.items() if isinstance(w.type, Colour)]
        for port, source, type in colours[1:]:
            first_port, first_source, first = colours[0]
            if type.encoding != first.encoding:
                self.say(name, port, "two-spaces",
                         f'"{first_source}" at port "{first_port}" is in {first.encoding}, but "{source}" '
                         f'at port "{port}" is in {type.encoding}',
                         "put a convert_colour node behind one of them")  # fmt: skip

    def _one_size(self, name: str, ports: Mapping[str, Port], wires: Mapping[str, Wire]) -> None:
        sized = [(port, wire.source) for port, wire in wires.items() if not ports[port].any_size]
        for port, source in sized[1:]:
            first_port, first_source = sized[0]
            first, other = self.done[first_source].display, self.done[source].display
            if first != other:
                self.say(name, port, "resolution",
                         f'"{first_source}" at port "{first_port}" has a frame of {first}, but "{source}" '
                         f'at port "{port}" one of {other}',
                         "read the file of the right resolution, or bring it to that frame with a place node")  # fmt: skip

    # -- rules of the whole --------------------------------------------------------------------------------

    def _outputs(self, context: Context) -> None:
        inputs: dict[str, str] = {}
        for name, checked in self.done.items():
            if isinstance(checked.node, SourceNode):
                for frame in context.frames or (context.frame,):
                    inputs.update((_real(path), name) for path in checked.node.files(frame, self.root))
        taken: dict[str, tuple[str, int]] = {}
        for name, checked in self.done.items():
            if not isinstance(checked.node, SinkNode):
                continue
            for frame in context.frames or (context.frame,):
                clash = self._clash(name, frame, checked.node.outputs(frame, self.root), inputs, taken)
                if clash:
                    break

    def _clash(
        self, name: str, frame: int, paths: list[Path], inputs: Mapping[str, str], taken: dict[str, tuple[str, int]]
    ) -> bool:
        for path in paths:
            real = _real(path)
            if real in inputs:
                self.say(name, "path", "overwrites-input",
                         f'would write {path} over what node "{inputs[real]}" reads',
                         "originals are never overwritten; deliver to another folder or name")  # fmt: skip
                return True
            if real in taken:
                other, other_frame = taken[real]
                cause = (f"frames {other_frame} and {frame} both write {path}", "put {frame:04d} into the path") \
                    if other == name else (f'would write {path}, as node "{other}" does', "give one another path")  # fmt: skip
                self.say(name, "path", "output-twice", *cause)
                return True
            taken[real] = (name, frame)
        return False

    def _unused(self) -> None:
        sinks = [name for name in self.only if isinstance(self.document.nodes[name], SinkNode)]
        if not sinks or self.only != set(self.document.nodes):
            return
        used = set(sinks).union(*(nx.ancestors(self.graph, sink) for sink in sinks))
        for name in self.document.nodes:
            if name not in used:
                self.say(name, "", "unused", "no deliver node hangs on it, so it is not rendered",
                         "connect it, or delete it", severity="warning")  # fmt: skip


_ALPHA_WAYS_OUT: dict[tuple[str, str], tuple[str, str]] = {
    ("straight", "premultiplied"): ("straight-alpha", "put a premultiply node between them"),
    ("none", "premultiplied"): (
        "no-alpha", "its file or shuffle node must give an A channel; nothing can be laid over without coverage"),
    ("premultiplied", "straight"): (
        "premultiplied-twice", "it is premultiplied already: connect it directly, without this node"),
    ("none", "straight"): ("no-alpha", "without alpha there is nothing to multiply by: leave this node out"),
    ("premultiplied", "none"): ("has-alpha", "take R G B alone with a shuffle node"),
    ("straight", "none"): ("has-alpha", "take R G B alone with a shuffle node"),
}  # fmt: skip


def _words(spec: Port) -> str:
    """What a port accepts, in words."""
    parts = []
    for type in spec.accepts:
        if type is not Colour:
            parts.append({"matte": "a matte", "ratio": "a ratio"}.get(type.name, type.name))
        elif spec.alpha is None:
            parts.append("colour")
        else:
            words = {"none": "colour without alpha"}
            parts.append(" or ".join(words.get(state, f"{state} colour") for state in spec.alpha))
    return " or ".join(parts)


def _some(names: Collection[str]) -> str:
    shown = list(names)[:12]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def _real(path: Path) -> str:
    return os.path.normcase(os.path.realpath(path))


def walk_back(checked: CheckedGraph, names: Collection[str]) -> Iterator[str]:
    """The named nodes and all they hang on, inputs first, each once."""
    seen: set[str] = set()
    stack: list[tuple[str, bool]] = [(name, False) for name in reversed(list(names))]
    while stack:
        name, opened = stack.pop()
        if opened:
            yield name
        elif name not in seen:
            seen.add(name)
            stack.append((name, True))
            stack += [(w.source, False) for w in reversed(list(checked.nodes[name].wires.values()))]
