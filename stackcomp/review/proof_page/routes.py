"""The wires between two rows: straight down, across on a track of their own, and down again.

All wires from one box share their track, so that a picture that goes to several nodes is one line that branches.
Where one wire comes down above the place at which another goes on, its track lies above the other's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import networkx as nx

__all__ = ["Net", "tracks"]

_NEAR = 9.0  # closer than this, two vertical lines would touch


@dataclass(frozen=True)
class Net:
    """A wire between two rows.

    Attributes:
        name: whose picture it carries.
        start: where it comes down.
        ends: where it goes on.
    """

    name: str
    start: float
    ends: tuple[float, ...]

    @property
    def straight(self) -> bool:
        """Whether it needs no track."""
        return all(abs(end - self.start) < 0.5 for end in self.ends)

    @property
    def span(self) -> tuple[float, float]:
        """Its leftmost and rightmost place."""
        return min(self.start, *self.ends), max(self.start, *self.ends)


def tracks(nets: Sequence[Net]) -> Mapping[str, int]:
    """The track of each net that needs one, 0 on top; tracks do not overlap within a row."""
    bent = [net for net in nets if not net.straight]
    above: nx.DiGraph[str] = nx.DiGraph()
    above.add_nodes_from(net.name for net in bent)
    for first in bent:
        for second in bent:
            if first is not second and any(abs(first.start - end) < _NEAR for end in second.ends):
                above.add_edge(first.name, second.name)
    while not nx.is_directed_acyclic_graph(above):
        # Two wires that change places: one of them has to cross itself over the other's end.
        above.remove_edge(*nx.find_cycle(above)[0][:2])
    by_name = {net.name: net for net in bent}
    taken: list[list[tuple[float, float]]] = []
    found: dict[str, int] = {}
    # Short wires first, so that they stay close to their boxes.
    order = nx.lexicographical_topological_sort(
        above, key=lambda name: by_name[name].span[1] - by_name[name].span[0]
    )
    for name in order:
        low, high = by_name[name].span
        track = max((found[other] + 1 for other in above.predecessors(name)), default=0)
        while track < len(taken) and any(
            low < end + _NEAR and start - _NEAR < high for start, end in taken[track]
        ):
            track += 1
        while len(taken) <= track:
            taken.append([])
        taken[track].append((low, high))
        found[name] = track
    return found
