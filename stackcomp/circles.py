"""Things that refer to each other in a circle: variables, and nodes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import networkx as nx

__all__ = ["circles"]


def circles(edges: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """One circle for each knot of things that all hang on each other.

    Args:
        edges: each thing, in the order of the document, and those that it leads to.

    Returns:
        Shortest circles through the first thing of their knot, that thing at both ends; in document order.
    """
    graph = nx.DiGraph()
    graph.add_nodes_from(edges)
    graph.add_edges_from((one, other) for one, others in edges.items() for other in others if other in edges)
    order = {name: k for k, name in enumerate(edges)}
    found = []
    for knot in nx.strongly_connected_components(graph):
        first = min(knot, key=order.__getitem__)
        if len(knot) > 1 or graph.has_edge(first, first):
            ways = [nx.shortest_path(graph, other, first)
                    for other in sorted(graph[first], key=order.__getitem__) if other in knot]  # fmt: skip
            found.append([first, *min(ways, key=len)])
    return sorted(found, key=lambda path: order[path[0]])


def in_knots(edges: Mapping[str, Sequence[str]]) -> set[str]:
    """Everything that is part of some circle."""
    graph = nx.DiGraph()
    graph.add_edges_from((one, other) for one, others in edges.items() for other in others if other in edges)
    knots = nx.strongly_connected_components(graph)
    return {name for knot in knots for name in knot if len(knot) > 1 or graph.has_edge(name, name)}
