"""Where boxes stand in their row: as close as possible below what feeds them, never over each other.

Row by row, the places nearest to the wanted ones in the sense of least squares, in the given order and with the
given distances: a monotone regression, solved by pooling neighbours that violate it (Barlow, Bartholomew, Bremner
and Brunk 1972). Wires that pass a row weigh more than boxes, so that they run straight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from stackcomp.review.proof_page.ordering import Item, Layered

__all__ = ["columns", "nearest_places"]

_SWEEPS = 24
_STRAIGHT = 6.0


def nearest_places(
    wanted: Sequence[float],
    weights: Sequence[float],
    gaps: Sequence[float],
    low: float = -math.inf,
    high: float = math.inf,
) -> list[float]:
    """Places in order, at least ``gaps`` apart, that are nearest to the wanted ones.

    Args:
        wanted: from left to right.
        weights: of the squares of the distances.
        gaps: least distance of each to the next; one fewer than places.
        low: limit of the first place.
        high: limit of the last place; it gives way where there is not enough room.
    """
    offsets = [0.0]
    for gap in gaps:
        offsets.append(offsets[-1] + gap)
    blocks: list[tuple[float, float, int]] = []  # mean, weight, number of places
    for place, weight, offset in zip(wanted, weights, offsets, strict=False):
        mean, total, count = place - offset, weight, 1
        while blocks and blocks[-1][0] > mean:
            before, its, size = blocks.pop()
            mean = (mean * total + before * its) / (total + its)
            total, count = total + its, count + size
        blocks.append((mean, total, count))
    # Limits of a monotone regression only cut its result off (Robertson, Wright and Dykstra 1988, 1.3).
    most = max(low, high - offsets[-1])
    flat = [min(most, max(low, mean)) for mean, _, count in blocks for _ in range(count)]
    return [mean + offset for mean, offset in zip(flat, offsets, strict=False)]


def columns(
    graph: Layered,
    width: Callable[[Item], float],
    port: Callable[[Item, str], float],
    gap: float,
    across: float,
) -> dict[Item, float]:
    """The middle of each item; the leftmost edge is at 0.

    Args:
        graph: rows in order.
        width: of an item.
        port: of an item and the name of the node whose picture arrives: how far from its middle that is.
        gap: space between two items.
        across: width of the drawing, unless a row needs more.
    """
    number = {item: k for k, item in enumerate(item for row in graph.rows for item in row)}
    rows = [_Row([number[item] for item in row], [width(item) for item in row], gap, row) for row in graph.rows]
    # For each item: its neighbours above and below, and how far from them its middle should be.
    above: list[list[tuple[int, float]]] = [[] for _ in number]
    below: list[list[tuple[int, float]]] = [[] for _ in number]
    for item, targets in graph.down.items():
        for target in targets:
            off = port(target, item.node)
            above[number[target]].append((number[item], -off))
            below[number[item]].append((number[target], off))
    at = [0.0] * len(number)
    for row in rows:
        left = 0.0
        for k, own in zip(row.items, row.widths, strict=True):
            at[k] = left + own / 2
            left += own + gap
    for sweep in range(_SWEEPS):
        down = sweep % 2 == 0
        for row in rows if down else reversed(rows):
            wanted = [
                _wish(above[k] if down else below[k], below[k] if down else above[k], at, k) for k in row.items
            ]
            places = nearest_places(wanted, row.weights, row.gaps, row.widths[0] / 2, across - row.widths[-1] / 2)
            for k, place in zip(row.items, places, strict=True):
                at[k] = place
    left = min(
        (at[k] - own / 2 for row in rows for k, own in zip(row.items, row.widths, strict=True)), default=0.0
    )
    return {item: at[k] - left for item, k in number.items()}


class _Row:
    """A row by numbers."""

    def __init__(self, items: list[int], widths: list[float], gap: float, row: Sequence[Item]) -> None:
        self.items, self.widths = items, widths
        self.weights = [_STRAIGHT if item.passes else 1.0 for item in row]
        # Between a wire and what is beside it, half as much is enough.
        self.gaps = [
            (one + other) / 2 + (gap / 2 if a.passes or b.passes else gap)
            for one, other, a, b in zip(widths, widths[1:], row, row[1:], strict=False)
        ]


def _wish(
    first: Sequence[tuple[int, float]], second: Sequence[tuple[int, float]], at: Sequence[float], own: int
) -> float:
    """Where an item should be: between its neighbours on one side, or else on the other."""
    pull = first or second
    return sum(at[k] + off for k, off in pull) / len(pull) if pull else at[own]
