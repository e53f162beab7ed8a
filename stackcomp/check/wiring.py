"""Rules of the wiring: every wire begins at a node, and there is no cycle."""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx

from stackcomp.check.state import CheckState
from stackcomp.data.cycles import cycles, in_cycles
from stackcomp.errors import did_you_mean

__all__ = ["check_wiring", "inputs_first"]


def check_wiring(state: CheckState) -> None:
    """Report wires from nodes that do not exist, and cycles."""
    _dangling(state)
    _cycles(state)


def _dangling(state: CheckState) -> None:
    nodes = state.document.nodes
    for name in state.only:
        for port, source in state.inputs(name).items():
            if source in nodes:
                continue
            if not source:
                state.say(name, port, "dangling", f'port "{port}" is empty', "give it the name of a node")
                continue
            others = [other for other in nodes if other != name]
            near = did_you_mean(source, others) or f"name one of the {len(others)} other nodes"
            message = f'port "{port}" is fed by "{source}", but there is no such node'
            state.say(name, port, "dangling", message, near)


def _cycles(state: CheckState) -> None:
    feeds: dict[str, list[str]] = {name: [] for name in state.document.nodes if name in state.only}
    for name in feeds:
        for source in state.inputs(name).values():
            if source in feeds:
                feeds[source].append(name)
    for path in cycles(feeds):
        port = next(port for port, source in state.inputs(path[0]).items() if source == path[-2])
        message = f"cycle in the graph: {' → '.join(path)}"
        state.say(path[0], port, "cycle", message, "disconnect one of these inputs")


def inputs_first(state: CheckState) -> Iterator[str]:
    """Yield the nodes to check, inputs first, without those in cycles; else in the order of the document."""
    free = state.graph.subgraph(state.only).copy()
    free.remove_nodes_from(in_cycles({name: list(free.successors(name)) for name in free}))
    yield from nx.lexicographical_topological_sort(free, key=state.order().__getitem__)
