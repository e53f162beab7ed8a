"""Cycles among things that refer to each other: variables, and nodes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import networkx as nx

__all__ = ["cycles", "in_cycles"]


def cycles(edges: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """One cycle for each strongly connected component that has any.

    Args:
        edges: each name, in the order of the document, and the names that it leads to.

    Returns:
        The shortest cycle through the first name of each component, that name at both ends; in document order.
    """
    graph = _graph(edges)
    graph.add_nodes_from(edges)
    order = {name: k for k, name in enumerate(edges)}
    paths = []
    for component in _cyclic_components(graph):
        first = min(component, key=order.__getitem__)
        ways = [nx.shortest_path(graph, other, first)
                for other in sorted(graph[first], key=order.__getitem__) if other in component]  # fmt: skip
        paths.append([first, *min(ways, key=len)])
    return sorted(paths, key=lambda path: order[path[0]])


def in_cycles(edges: Mapping[str, Sequence[str]]) -> set[str]:
    """Every name that is part of a cycle."""
    return {name for component in _cyclic_components(_graph(edges)) for name in component}


def _graph(edges: Mapping[str, Sequence[str]]) -> Any:
    graph = nx.DiGraph()
    graph.add_edges_from((one, other) for one, others in edges.items() for other in others if other in edges)
    return graph


def _cyclic_components(graph: Any) -> list[set[str]]:
    components = nx.strongly_connected_components(graph)
    return [names for names in components if len(names) > 1 or any(graph.has_edge(name, name) for name in names)]
