"""Third stage: what to compute, in which order, and what may be computed in one loop.

A plan does not depend on the frame. Its values are results of nodes and what lies between them: the planes
that a port takes straight from a file, or the raw result of an area node before it is mixed with its input.

**Sweeps.** Pixel nodes that feed each other are computed in one loop. Every value gets a stage that rises by
one on the way out of anything that is not a pixel node; pixel nodes of one stage that are wired together form
a sweep. Since a path that leaves a sweep through an area node comes back at a higher stage, no sweep can ever
need its own result. Afterwards a pixel node whose only readers are in one later sweep moves there, so that its
result need not be stored.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import networkx as nx

from stackcomp.check.checked import CheckedGraph, CheckedNode, Wire, walk_back
from stackcomp.data.port_types import Ids, Layers, Matte, PortType
from stackcomp.nodes.base import Adjustable, AreaNode, PixelNode, SinkNode, SourceNode, ViewNode
from stackcomp.nodes.named_ids import NamesIds
from stackcomp.plan.adjusting import adjustable_value, area_mix, lanes_of
from stackcomp.plan.pixel_value import LaneSource, PixelValue
from stackcomp.plan.steps.area import AreaStep
from stackcomp.plan.steps.base import Key, Step
from stackcomp.plan.steps.coverage import CoverageStep
from stackcomp.plan.steps.given import GivenStep
from stackcomp.plan.steps.sink import SinkStep
from stackcomp.plan.steps.source import SourceStep
from stackcomp.plan.steps.sweep import SweepStep
from stackcomp.plan.steps.view import ViewStep

__all__ = ["Plan", "make_plan"]


@dataclass(frozen=True)
class Plan:
    """Steps in order; ``names`` are the wanted nodes and ``wanted`` their values."""

    checked: CheckedGraph
    steps: tuple[Step, ...]
    wanted: tuple[Key, ...]
    names: tuple[str, ...]
    types: Mapping[Key, PortType]

    @cached_property
    def steady(self) -> bool:
        """Whether all frames are alike: no number changes over time, and no file is read."""
        context = self.checked.context
        return not any(
            not checked.node.still or checked.node.files(context.frame, context.root)
            for checked in self.checked.nodes.values()
            if checked.name not in self.checked.given
        )

    @cached_property
    def last_reads(self) -> Mapping[Key, int]:
        """Index of the last step that needs each value."""
        return {key: k for k, step in enumerate(self.steps) for key in step.reads}


def make_plan(
    checked: CheckedGraph,
    wanted: Collection[str],
    *,
    fused: bool = True,
    sinks: bool = False,
    given: Collection[str] | None = None,
) -> Plan:
    """The steps that make the wanted nodes' results.

    Args:
        checked: a graph without errors.
        wanted: names of nodes.
        fused: compute wired pixel nodes in one loop; False stores every result.
        sinks: also write the files of wanted deliver nodes.
        given: names of nodes whose pictures are given; those in ``checked`` when None.
    """
    return _Planner(checked, wanted, fused, sinks, checked.given if given is None else given).plan()


class _Planner:
    def __init__(
        self, checked: CheckedGraph, wanted: Collection[str], fused: bool, sinks: bool, given: Collection[str]
    ) -> None:
        self.checked, self.fused, self.sinks, self.given = checked, fused, sinks, frozenset(given)
        self.names = list(wanted)
        self.steps: dict[Key, Step] = {}
        self.pixels: dict[Key, PixelValue] = {}
        self.types: dict[Key, PortType] = {}
        self.graph = nx.DiGraph()

    def plan(self) -> Plan:
        for name in walk_back(self.checked, self.names):
            self._node(self.checked.nodes[name])
        wanted = tuple(self._result(name) for name in self.names)
        self._only_used_channels(set(wanted))
        stored = self._sweeps(set(wanted))
        return Plan(self.checked, tuple(self._ordered(stored)), wanted, tuple(self.names), self.types)

    # -- values --------------------------------------------------------------------------------------------

    def _add(self, key: Key, value: Step | PixelValue, reads: Iterable[Key], type: PortType) -> None:
        if isinstance(value, PixelValue):
            self.pixels[key] = value
        else:
            self.steps[key] = value
        self.types[key] = type
        self.graph.add_node(key)
        self.graph.add_edges_from((read, key) for read in reads)

    def _result(self, name: str) -> Key:
        """Value of a node; a deliver node's result is the picture it delivers."""
        node = self.checked.nodes[name]
        if isinstance(node.node, SinkNode) and not self.sinks and name not in self.given:
            return self._arrive(next(iter(node.wires.values())))
        return Key(name)

    def _arrive(self, wire: Wire) -> Key:
        """The value at the end of a wire, as its port sees it."""
        source = self._result(wire.source)
        if wire.picks is None:
            return source
        key = Key(wire.source, "as " + wire.type.name)
        if key not in self.types:
            self._add(key, ViewStep((key,), (source,), wire.picks, wire.type), (source,), wire.type)
        return key

    def _coverage(self, key: Key, checked: CheckedNode, port: str) -> Key:
        """The matte of what a node names, made of the ids at one of its ports."""
        wire = checked.wires[port]
        source, pairs = self._arrive(wire), None
        before = self.checked.nodes[wire.source]
        if isinstance(wire.type, Ids) and isinstance(before.node, ViewNode) and wire.source not in self.given:
            # The layers behind a view are at full size; what comes out of it may be a preview already.
            channels = [pick.channel for pick in before.node.picks(before.types, self.checked.context)]
            behind = next(iter(before.wires.values()))
            if isinstance(behind.type, Layers) and None not in channels:
                names = [name for name in channels if name is not None]
                source, pairs = self._arrive(behind), tuple(zip(names[::2], names[1::2], strict=True))
        self._add(key, CoverageStep((key,), (source,), checked, pairs), (source,), Matte())
        return key

    def _node(self, checked: CheckedNode) -> None:
        key, node = Key(checked.name), checked.node
        if checked.name in self.given:
            self._add(key, GivenStep((key,), ()), (), checked.type)
            return
        ports = {port: self._arrive(wire) for port, wire in checked.wires.items()}
        if isinstance(node, NamesIds) and node.ids_port in ports:
            if node.is_coverage:
                self._coverage(key, checked, node.ids_port)
                return
            ports[node.ids_port] = self._coverage(Key(checked.name, "ids"), checked, node.ids_port)
        reads = tuple(dict.fromkeys(ports.values()))
        if isinstance(node, SourceNode):
            self._add(key, SourceStep((key,), (), checked), (), checked.type)
        elif isinstance(node, ViewNode):
            picks = tuple(node.picks(checked.types, self.checked.context))
            self._add(key, ViewStep((key,), reads, picks, checked.type), reads, checked.type)
        elif isinstance(node, SinkNode):
            if self.sinks:
                self._add(key, SinkStep((key,), reads, checked), reads, checked.type)
        elif isinstance(node, AreaNode) and not node.fuses(checked.types, self.checked.context):
            self._area(key, checked, ports)
        else:
            assert isinstance(node, PixelNode)
            self._pixel(key, checked, node, ports)

    def _only_used_channels(self, wanted: set[Key]) -> None:
        """A file with 40 channels is not decoded for the sake of four."""
        for key, step in self.steps.items():
            if isinstance(step, SourceStep) and isinstance(step.checked.type, Layers) and key not in wanted:
                views = [self.steps[reader] for reader in self.graph.successors(key)]
                used = {pick.channel for view in views if isinstance(view, ViewStep) for pick in view.picks}
                for view in views:
                    used |= view.channels(step.checked.type) if isinstance(view, CoverageStep) else frozenset()
                self.steps[key] = replace(step, channels=frozenset(name for name in used if name is not None))

    def _area(self, key: Key, checked: CheckedNode, ports: dict[str, Key]) -> None:
        node = checked.node
        mixing = node if isinstance(node, Adjustable) and node.mixes else None
        raw = Key(checked.name, "raw") if mixing else key
        within = ports.get("within")
        area_ports = {port: source for port, source in ports.items() if port != "within"}
        reads = tuple(dict.fromkeys(area_ports.values()))
        self._add(raw, AreaStep((raw,), reads, checked, area_ports), reads, checked.type)
        if mixing:
            base = ports[mixing.adjusts]
            value = area_mix(key, checked, (base, self.types[base]), (raw, self.types[raw]), within)
            self._add(key, value, value.reads, checked.type)

    def _pixel(self, key: Key, checked: CheckedNode, node: PixelNode, ports: dict[str, Key]) -> None:
        function = node.pixel_function(checked.types, self.checked.context)
        if isinstance(node, Adjustable):
            value = adjustable_value(key, checked, node, function, ports)
        else:
            lanes: list[LaneSource] = []
            for port in node.wired_ports():
                if port in ports:
                    lanes += lanes_of(ports[port], self.types[ports[port]])
                else:
                    lanes += node.open_lanes[port]
            value = PixelValue(key, checked, ports, function, tuple(lanes))
        self._add(key, value, value.reads, checked.type)

    # -- sweeps --------------------------------------------------------------------------------------------

    def _sweeps(self, wanted: set[Key]) -> dict[Key, Step]:
        """Every step by each value it makes."""
        stages = self._stages(wanted)
        wired = nx.Graph()
        wired.add_nodes_from(self.pixels)
        if self.fused:
            wired.add_edges_from(
                (a, b)
                for a, b in self.graph.edges
                if a in self.pixels and b in self.pixels and stages[a] == stages[b]
            )
        order = {key: k for k, key in enumerate(nx.topological_sort(self.graph))}
        made: dict[Key, Step] = dict(self.steps)
        for part in nx.connected_components(wired):
            values = tuple(self.pixels[key] for key in sorted(part, key=lambda key: order[key]))
            stored = tuple(
                value.key
                for value in values
                if value.key in wanted or any(reader not in part for reader in self.graph.successors(value.key))
            )
            outside = {key for value in values for key in value.reads} - part
            halved = frozenset(key for key in stored if key not in wanted and self._for_half_files(key))
            step = SweepStep(stored, tuple(sorted(outside, key=lambda key: order[key])), values, halved)
            made.update(dict.fromkeys(part, step))
        return made

    def _for_half_files(self, key: Key) -> bool:
        """Whether a value is read by nothing but deliver nodes whose files hold 16-bit floats."""
        readers = [self.steps.get(reader) for reader in self.graph.successors(key)]
        return bool(readers) and all(
            isinstance(step, SinkStep)
            and isinstance(step.checked.node, SinkNode)
            and step.checked.node.takes_half(self.types[key])
            for step in readers
        )

    def _stages(self, wanted: set[Key]) -> dict[Key, int]:
        stages: dict[Key, int] = {}
        order = list(nx.topological_sort(self.graph))
        for key in order:
            behind = [stages[source] + (source not in self.pixels) for source in self.graph.predecessors(key)]
            stages[key] = max(behind, default=0)
        for key in reversed(order):
            readers = list(self.graph.successors(key))
            if key in self.pixels and key not in wanted and readers and all(r in self.pixels for r in readers):
                later = {stages[reader] for reader in readers}
                if len(later) == 1:
                    stages[key] = later.pop()
        return stages

    # -- order ---------------------------------------------------------------------------------------------

    def _ordered(self, made: dict[Key, Step]) -> list[Step]:
        """Depth first from what is wanted, so that few values wait at the same time."""
        done: dict[int, None] = {}
        steps: list[Step] = []
        targets = [self._result(name) for name in self.names]
        stack = [(made[key], False) for key in reversed(targets)]
        while stack:
            step, ready = stack.pop()
            if id(step) in done:
                continue
            if ready:
                done[id(step)] = None
                steps.append(step)
            else:
                stack.append((step, True))
                stack += [(made[key], False) for key in reversed(step.reads) if id(made[key]) not in done]
        return steps
