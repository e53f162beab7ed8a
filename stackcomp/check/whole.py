"""Rules of the whole graph: frames of a sequence are alike, outputs do not clash, every node is used."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx

from stackcomp.check.bugs import bugs_of
from stackcomp.check.checked import CheckedNode
from stackcomp.check.state import CheckState
from stackcomp.data.port_types import Layers, PortType
from stackcomp.nodes.base import Context, SinkNode, SourceNode, ViewNode
from stackcomp.nodes.named_ids import NamesIds

__all__ = ["check_frames", "check_outputs", "check_unused"]


def check_frames(state: CheckState, context: Context) -> None:
    """Report frames of a sequence whose files differ from the others, in the channels that the graph uses."""
    for name, checked in state.done.items():
        if isinstance(checked.node, SourceNode) and name not in state.given:
            used = _channels_used(state, name, checked.type, context)
            with bugs_of(name, checked.node):
                own = list(checked.node.look_at_frames(used, context))
            for problem in own:
                state.add(replace(problem, node=name))


def _channels_used(state: CheckState, name: str, type: PortType, context: Context) -> set[str]:
    """Return the channels of a node that others use; all where no node does."""
    readers = [
        (other, port) for other in state.done.values() for port, wire in other.wires.items() if wire.source == name
    ]
    if not readers:
        return set(type.planes)
    with_errors = {problem.node for problem in state.problems if problem.severity == "error"}
    used: set[str] = set()
    for other, port in readers:
        # A node with an error may use channels that are missing; that is reported there.
        if other.name not in with_errors:
            used |= _channels_of_wire(other, port, type, context)
    return used


def _channels_of_wire(reader: CheckedNode, port: str, type: PortType, context: Context) -> set[str]:
    node, picks = reader.node, reader.wires[port].picks
    if isinstance(node, NamesIds) and port == node.ids_port and isinstance(type, Layers):
        return {channel for pair in node.chosen_pairs(type) for channel in pair}
    if picks is None and isinstance(reader.node, ViewNode):
        with bugs_of(reader.name, reader.node):
            picks = tuple(reader.node.picks(reader.types, context))
    return set(type.planes) if picks is None else {pick.channel for pick in picks if pick.channel}


def check_outputs(state: CheckState) -> None:
    """Report files that would be written over inputs, over files of others, or twice."""
    sinks = [
        name
        for name, node in state.document.nodes.items()
        if name in state.only and name not in state.given and isinstance(node, SinkNode)
    ]
    reported = {problem.node for problem in state.problems if problem.rule == "output-twice"}
    for problem in state.outputs.clashes(state.document, state.root, state.frames or (1,), sinks):
        if problem.rule != "output-twice" or problem.node not in reported:
            state.problems.append(replace(problem, place=state.document.place))


def check_unused(state: CheckState) -> None:
    """Report nodes on which no deliver node depends, where the whole graph is checked."""
    sinks = [name for name in state.only if isinstance(state.document.nodes[name], SinkNode)]
    if not sinks or state.only != set(state.document.nodes):
        return
    used = set(sinks).union(*(nx.ancestors(state.graph, sink) for sink in sinks))
    for name in state.document.nodes:
        if name not in used:
            message = "no deliver node depends on it, so it is not rendered"
            state.say(name, "", "unused", message, "connect it, or remove it", severity="warning")
