"""Second stage: every wire gets a type, and every mistake is found before a pixel is read.

`check_graph` never stops at the first finding. Where a wire carries the right kind of picture in the wrong
state, it reports that and goes on as if it had been mended, so that one mistake does not hide the next; where
the kind itself is wrong, what depends on it is left unchecked rather than blamed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import networkx as nx

from stackcomp.check.checked import CheckedGraph, CheckedNode, Wire
from stackcomp.check.declared import declared_by, file_behind
from stackcomp.check.outputs import Outputs
from stackcomp.check.wording import alpha_way_out, as_word, counted, gives, kind_way_out, required, some_of
from stackcomp.data.cycles import cycles, in_cycles
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Encoding, Layers, Matte, PortType, Ratio
from stackcomp.document.model import Document
from stackcomp.errors import BugError, CheckError, FileError, Problem, StackcompError, did_you_mean, unknown_node
from stackcomp.nodes.base import Context, Node, Pick, Port, SinkNode, SourceNode, ViewNode
from stackcomp.nodes.pick_channels import PickChannels

__all__ = ["check_graph"]


def check_graph(
    document: Document,
    root: Path,
    *,
    frames: Collection[int] | None = None,
    wanted: Collection[str] | None = None,
    given: Mapping[str, Image] | None = None,
    outputs: Outputs | None = None,
) -> tuple[CheckedGraph | None, list[Problem]]:
    """All findings, and the checked graph when none of them is an error.

    Args:
        document: typed nodes.
        root: folder for relative paths.
        frames: frames that will be rendered; the document's own when None.
        wanted: check only these nodes and what they depend on; all when None.
        given: pictures that stand in for the results of nodes.
        outputs: which files will be written, and over what; when None, all those of the wanted deliver nodes.
    """
    return _Check(document, root, frames, wanted, given or {}, outputs or Outputs()).run()


class _Check:
    def __init__(
        self,
        document: Document,
        root: Path,
        frames: Collection[int] | None,
        wanted: Collection[str] | None,
        given: Mapping[str, Image],
        outputs: Outputs,
    ) -> None:
        self.document, self.root, self.given, self.outputs = document, root, given, outputs
        self.frames = tuple(document.frames if frames is None else frames)
        self.problems: list[Problem] = []
        self.done: dict[str, CheckedNode] = {}
        self.unsized: set[str] = set()
        self.mended: Encoding = _MendedEncoding("", "scene-linear")
        self.working_space: Encoding = self.mended
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
            known = list(self.document.nodes)
            raise CheckError(unknown_node(name, known, place=self.document.place) for name in unknown)
        needed = set(wanted)
        for name in wanted:
            needed |= nx.ancestors(self.graph, name)
        return needed

    def _dangling(self) -> None:
        """Wires that begin nowhere."""
        for name in self.only:
            for port, source in self._inputs(name).items():
                if source not in self.document.nodes:
                    others = [n for n in self.document.nodes if n != name]
                    if source:
                        message = f'port "{port}" is fed by "{source}", but there is no such node'
                        near = did_you_mean(source, others) or f"name one of the {len(others)} other nodes"
                        self.say(name, port, "dangling", message, near)
                    else:
                        self.say(name, port, "dangling", f'port "{port}" is empty', "give it the name of a node")

    def _cycles(self) -> None:
        feeds: dict[str, list[str]] = {name: [] for name in self.document.nodes if name in self.only}
        for name in feeds:
            for source in self._inputs(name).values():
                if source in feeds:
                    feeds[source].append(name)
        for path in cycles(feeds):
            port = next(port for port, source in self._inputs(path[0]).items() if source == path[-2])
            self.say(path[0], port, "cycle", f"cycle in the graph: {' → '.join(path)}",
                     "disconnect one of these inputs")  # fmt: skip

    # -- the walk ------------------------------------------------------------------------------------------

    def say(self, node: str, field: str, rule: str, message: str, way_out: str = "", **more: str) -> None:
        self.problems.append(
            _tidy(Problem(rule, message, way_out, node=node, field=field, place=self.document.place, **more))  # type: ignore[arg-type]
        )

    def run(self) -> tuple[CheckedGraph | None, list[Problem]]:
        order = {name: k for k, name in enumerate(self.document.nodes)}
        self._dangling()
        self._cycles()
        context = self._context()
        if context is not None:
            self.working_space = context.working_space
            self.mended = _MendedEncoding(context.working_space.name, "scene-linear")
            skipped = self._without_frames()
            for name in self._inputs_first(order):
                if name not in skipped:
                    self._visit(name, context)
            self._frames_alike(context)
        self._outputs()
        if not any(problem.severity == "error" for problem in self.problems):
            # While something is wrong, nobody knows what will be unused once it is mended.
            self._unused()
        self.problems = sorted(dict.fromkeys(self.problems), key=lambda p: (order.get(p.node, -1), p.severity))
        if context is None or any(problem.severity == "error" for problem in self.problems):
            return None, self.problems
        checked = CheckedGraph(self.document, context, self.done, dict(self.given), tuple(self.problems))
        return checked, self.problems

    def _frames_alike(self, context: Context) -> None:
        """Files of all frames against each other, as far as the graph uses them."""
        for name, checked in self.done.items():
            if isinstance(checked.node, SourceNode) and name not in self.given:
                used = self._channels_used(name, checked.type, context)
                for problem in checked.node.look_at_frames(used, context):
                    self.problems.append(_tidy(replace(problem, node=name, place=self.document.place)))

    def _channels_used(self, name: str, type: PortType, context: Context) -> set[str]:
        readers = [(other, w) for other in self.done.values() for w in other.wires.values() if w.source == name]
        if not readers:
            return set(type.planes)
        blamed = {problem.node for problem in self.problems if problem.severity == "error"}
        used: set[str] = set()
        for other, wire in readers:
            if other.name in blamed:
                continue  # It may well ask for what is in no file; that has been said.
            picks = wire.picks
            if picks is None and isinstance(other.node, ViewNode):
                picks = tuple(other.node.picks(other.types, context))
            used |= set(type.planes) if picks is None else {pick.channel for pick in picks if pick.channel}
        return used

    def _inputs_first(self, order: Mapping[str, int]) -> Iterator[str]:
        """Nodes in an order in which inputs come first; those in cycles, and what depends on them, never."""
        free = self.graph.subgraph(self.only).copy()
        free.remove_nodes_from(in_cycles({name: list(free.successors(name)) for name in free}))
        yield from nx.lexicographical_topological_sort(free, key=order.__getitem__)

    def _context(self) -> Context | None:
        from stackcomp.files import colour

        head = self.document.head
        try:
            config = colour_config(head.colour_config, self.root)
            colour.config(config)
        except colour.UnknownEncoding as error:
            self.say("", "colour_config", "colour-config", str(error))
            return None
        try:
            space = colour.encoding(head.working_space, config)
        except colour.UnknownEncoding as error:
            self.say("", "working_space", "encoding-unknown", str(error))
        else:
            if space.linear:
                return Context(space, config, self.root, self.frames)
            way_out = "comps are made in scene-linear light; choose a scene-linear space such as ACEScg"
            self.say("", "working_space", "working-space", f'"working_space" is {space}', way_out)
        try:
            # A role that configs have for scene-linear light.
            stand_in = colour.encoding("scene_linear", config)
        except colour.UnknownEncoding:
            return None
        return Context(_MendedEncoding(stand_in.name, "scene-linear"), config, self.root, self.frames)

    def _without_frames(self) -> set[str]:
        """Nodes that read a file a frame while nobody says which frames."""
        if self.frames:
            return set()
        skipped = {
            name
            for name in self.only - set(self.given)
            if isinstance(node := self.document.nodes[name], SourceNode)
            and node.files(1, self.root) != node.files(2, self.root)
        }
        if skipped:
            first = next(name for name in self.document.nodes if name in skipped)
            self.say("", "frames", "frames-missing",
                     f'the graph says no frames, but node "{first}" reads one file for each',
                     'write "frames": "1001-1008" into the graph, or ask for frames')  # fmt: skip
        return skipped

    def _visit(self, name: str, context: Context) -> None:
        node = self.document.nodes[name]
        if name in self.given:
            image = self.given[name]
            self.done[name] = CheckedNode(name, node, image.type, image.display, {})
            return
        ports = node.ports()
        wires: dict[str, Wire] = {}
        for port, source in node.inputs().items():
            wire = self._arrive(name, port, ports[port], self.done[source]) if source in self.done else None
            if wire is not None:
                wires[port] = wire
        wires = self._one_space(name, wires)
        self._one_size(name, ports, wires)
        if len(wires) < len(node.inputs()):
            return
        types = {port: wire.type for port, wire in wires.items()}
        before = len(self.problems)
        try:
            windows = {port: self.done[wire.source].display for port, wire in wires.items()}
            looked = node.look(types, windows, context)
            problems = [_tidy(replace(p, node=name, place=self.document.place)) for p in looked]
            self.problems += [q for p in problems if (q := self._with_origin(p, wires)) is not None]
            wrong = any(problem.severity == "error" for problem in self.problems[before:])
            if wrong and (isinstance(node, SourceNode) or self._unfinished(node, before)):
                return
            type = node.result(types, context)
            if isinstance(type, Colour) and any(p.rule == "encoding-unknown" for p in self.problems[before:]):
                type = replace(type, encoding=self.mended)
            display = node.frame_window(windows, context)
        except (StackcompError, OSError) as error:
            # Where something has been said about the node already, this is only its consequence.
            if len(self.problems) == before:
                self._failed(name, error)
            return
        except Exception as error:
            raise BugError("check", error, node=name) from error
        self.done[name] = CheckedNode(name, node, type, display, wires)

    def _unfinished(self, node: Node, before: int) -> bool:
        """Whether colour is chosen from channels that are not there: nobody knows if it will have alpha."""
        rules = {problem.rule for problem in self.problems[before:]}
        missing = not rules.isdisjoint(("channel-missing", "layer-missing", "planes"))
        return isinstance(node, PickChannels) and node.as_ == "colour" and missing

    def _with_origin(self, problem: Problem, wires: Mapping[str, Wire]) -> Problem | None:
        """The finding, and where the encoding that it speaks of was declared; None where nobody knows that one."""
        if problem.rule != "converts-nothing" or "declared" not in problem.message:
            return problem
        (wire,) = wires.values()
        encodings = (getattr(wire.type, "encoding", None), self.working_space)
        if any(isinstance(encoding, _MendedEncoding) for encoding in encodings):
            return None
        origin, node = declared_by(wire.source, self.done)
        if not origin:
            return replace(problem, way_out="leave this node out")
        way_out = problem.way_out
        if node:
            way_out = f'set "encoding" of node "{node}" to what the file is really in, or leave this node out'
        return replace(problem, message=f"{problem.message}, {origin}", way_out=way_out)

    def _failed(self, name: str, error: StackcompError | OSError) -> None:
        field = "path" if "path" in type(self.document.nodes[name]).model_fields else ""
        if isinstance(error, FileError):
            self.say(name, field, "file", f"{error.path}: {error.reason}", error.way_out)
        elif isinstance(error, OSError):
            self.say(name, field, "file", f"cannot be read: {(error.strerror or str(error)).lower()}")
        else:
            self.say(name, "", "value", str(error))

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
                near = did_you_mean(missing[0], [c for c in layers.channels if c.rpartition(".")[2] == missing[0]])
                message = (
                    f'port "{port}" takes R G B of "{source.name}", but the file has no {" ".join(missing)}; '
                    f"it has {some_of(layers.channels)}"
                )
                way_out = f"put a pick_channels node between them that says which channels to take; {near}".rstrip(
                    "; "
                )
                self.say(name, port, "channel-missing", message, way_out)
                return None
            if layers.encoding is None:
                message = layers.no_encoding
                way_out = 'give it "encoding": what the camera or renderer wrote; `stackcomp encodings` lists them'
                self.say(source.name, "encoding", "encoding-unknown", message, way_out)
                return None
            colour = Colour(layers.alpha, layers.encoding)
            return colour, tuple(Pick(plane, plane) for plane in colour.planes)
        if Matte in spec.accepts and len(layers.channels) == 1:
            return Matte(), (Pick("A", layers.channels[0]),)
        self.say(name, port, "file-into-port",
                 f'port "{port}" requires {required(spec)}, but "{source.name}" is a file with '
                 f"{counted(len(layers.channels), 'channel')} ({some_of(layers.channels)})",
                 f"put a pick_channels node between them that says which to take ({as_word(spec)})")  # fmt: skip
        return None

    def _wrong_kind(self, name: str, port: str, spec: Port, source: str, type: PortType) -> None:
        mattes = [other for other, its in self.document.nodes[name].ports().items() if Matte in its.accepts]
        message = f'port "{port}" requires {required(spec)}, but "{source}" gives {gives(type)}'
        way_out = "" if Colour in spec.accepts else self._other_as(source, spec)
        self.say(name, port, "wrong-kind", message, way_out or kind_way_out(type, spec, mattes))

    def _state(self, name: str, port: str, spec: Port, source: str, type: Colour) -> Colour:
        given = type
        if spec.alpha is not None and type.alpha not in spec.alpha:
            rule, way_out = alpha_way_out(type.alpha, spec)
            way_out = self._better(source, spec, rule) or way_out
            self.say(
                name, port, rule, f'port "{port}" requires {required(spec)}, but "{source}" gives {given}', way_out
            )
            type = replace(type, alpha="premultiplied" if "premultiplied" in spec.alpha else spec.alpha[0])
        if spec.linear and not type.encoding.linear:
            self.say(name, port, "not-linear",
                     f'port "{port}" requires scene-linear light, but "{source}" gives {given}',
                     "put a convert_colour node between them")  # fmt: skip
            type = replace(type, encoding=self.mended)
        return type

    def _better(self, source: str, spec: Port, rule: str) -> str:
        """The way out where the graph itself shows what to change; empty where it does not."""
        if rule != "no-alpha":
            return ""
        if Ratio in spec.accepts:
            return self._other_as(source, spec)
        file = file_behind(source, self.done)
        layers = self.done[file].type if file else None
        if isinstance(layers, Layers) and layers.unused_alpha and "A" in layers.channels:
            return f'its file has an A, but "alpha" of node "{file}" is "none": remove that setting to use it'
        return ""

    def _other_as(self, source: str, spec: Port) -> str:
        """What to set at a pick_channels node that says something else of its channels than a port wants."""
        node = self.document.nodes.get(source)
        wanted = next((type.name for type in spec.accepts if type is not Colour), "")
        alone = self.graph.out_degree(source) == 1  # Nobody else would miss what it gives now.
        if not isinstance(node, PickChannels) or source in self.given or not wanted or not alone:
            return ""
        return f'set "as" of node "{source}" to "{wanted}", or feed another node'

    # -- rules of one node ---------------------------------------------------------------------------------

    def _one_space(self, name: str, wires: Mapping[str, Wire]) -> dict[str, Wire]:
        """The wires, as if all colour on them were in one space."""
        colours = [(p, w.source, w.type) for p, w in wires.items() if isinstance(w.type, Colour)]
        wrong = False
        for port, source, type in colours[1:]:
            first_port, first_source, first = colours[0]
            if type.encoding != first.encoding:
                wrong = True
                self.say(name, port, "two-spaces",
                         f'"{first_source}" at port "{first_port}" is in {first.encoding}, but "{source}" '
                         f'at port "{port}" is in {type.encoding}',
                         "put a convert_colour node behind one of them")  # fmt: skip
        if not wrong:
            return dict(wires)
        return {port: replace(wire, type=replace(wire.type, encoding=self.mended))
                if isinstance(wire.type, Colour) else wire for port, wire in wires.items()}  # fmt: skip

    def _one_size(self, name: str, ports: Mapping[str, Port], wires: Mapping[str, Wire]) -> None:
        """All pictures have one frame; where they have not, nothing more is said about what comes of them."""
        sized = [(port, wire.source) for port, wire in wires.items() if not ports[port].any_size]
        if any(source in self.unsized for _, source in sized):
            self.unsized.add(name)
            return
        frames = [self.done[source].display for _, source in sized]
        if len(set(frames)) < 2:
            return
        usual = max(frames, key=frames.count)
        for (port, source), frame in zip(sized, frames, strict=True):
            if frame != usual:
                self.unsized.add(name)
                other_port, other = sized[frames.index(usual)]
                usually = f'"{other}" at port "{other_port}" one of {usual}'
                message = f'"{source}" at port "{port}" has a frame of {frame}, but {usually}'
                way_out = "read the file of the right resolution, or bring it to that frame with a place node"
                self.say(name, port, "resolution", message, way_out)

    # -- rules of the whole --------------------------------------------------------------------------------

    def _outputs(self) -> None:
        sinks = [
            name
            for name, node in self.document.nodes.items()
            if name in self.only and name not in self.given and isinstance(node, SinkNode)
        ]
        reported = {problem.node for problem in self.problems if problem.rule == "output-twice"}
        for problem in self.outputs.clashes(self.document, self.root, self.frames or (1,), sinks):
            if problem.rule != "output-twice" or problem.node not in reported:
                self.problems.append(replace(problem, place=self.document.place))

    def _unused(self) -> None:
        sinks = [name for name in self.only if isinstance(self.document.nodes[name], SinkNode)]
        if not sinks or self.only != set(self.document.nodes):
            return
        used = set(sinks).union(*(nx.ancestors(self.graph, sink) for sink in sinks))
        for name in self.document.nodes:
            if name not in used:
                self.say(name, "", "unused", "no deliver node depends on it, so it is not rendered",
                         "connect it, or remove it", severity="warning")  # fmt: skip


class _MendedEncoding(Encoding):
    """Stands in for a colour space that has been complained about: it differs from no other."""

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Encoding)

    def __hash__(self) -> int:
        return 0


def _tidy(problem: Problem) -> Problem:
    """With the way out in its own place, where a message that came from elsewhere ends with it."""
    message, dash, way_out = problem.message.partition(" — ")
    return replace(problem, message=message, way_out=way_out) if dash and not problem.way_out else problem


def colour_config(name: str, root: Path) -> str:
    """The config of a graph: a built-in one by its name, or a file whose relative path starts at ``root``."""
    file = root / name
    return str(file) if name and file.is_file() else name
