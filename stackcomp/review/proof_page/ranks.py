"""The rows of the drawing: every picture flows down, from a row to one below it.

Nodes without consumers go as high as their inputs let them, everything else as low as its consumers let it, so
that what belongs together is close. A row that is full sends the next node to the row above.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

__all__ = ["ranks"]


def ranks(
    names: Sequence[str], sources: Mapping[str, Sequence[str]], widths: Mapping[str, float], most: float
) -> dict[str, int]:
    """The row of each node, 0 on top.

    Args:
        names: in the order of the data's way: sources stand before what they feed.
        sources: node → the nodes it takes pictures from.
        widths: of the boxes, with the space between two.
        most: width of a row; a box that is wider has a row to itself.
    """
    consumers: dict[str, list[str]] = {name: [] for name in names}
    for name in names:
        for source in sources[name]:
            consumers[source].append(name)
    up: dict[str, int] = {}
    filled: dict[int, float] = {}

    def settle(name: str, lowest: int) -> None:
        level = lowest
        while filled.get(level, 0.0) > 0 and filled[level] + widths[name] > most:
            level += 1
        up[name] = level
        filled[level] = filled.get(level, 0.0) + widths[name]

    ends = [name for name in names if not consumers[name] and sources[name]]
    chain = _depth(names, consumers)
    for name in reversed(names):
        # A node that nobody takes is placed last, just below its inputs.
        if name in ends and len(names) > 1 and chain > 1:
            continue
        settle(name, max((up[c] + 1 for c in consumers[name] if c in up), default=1))
    for name in ends:
        if name not in up:
            _sink(name, sources, up, filled, widths, most)
    top = max(up.values(), default=0)
    used = sorted({top - level for level in up.values()})
    rows = {row: number for number, row in enumerate(used)}
    return {name: rows[top - up[name]] for name in names}


def _depth(names: Sequence[str], consumers: Mapping[str, Sequence[str]]) -> int:
    depth: dict[str, int] = {}
    for name in reversed(names):
        depth[name] = 1 + max((depth[c] for c in consumers[name]), default=0)
    return max(depth.values(), default=0)


def _sink(
    name: str,
    sources: Mapping[str, Sequence[str]],
    up: dict[str, int],
    filled: dict[int, float],
    widths: Mapping[str, float],
    most: float,
) -> None:
    level = min(up[source] for source in sources[name]) - 1
    while filled.get(level, 0.0) > 0 and filled[level] + widths[name] > most:
        level -= 1
    up[name] = level
    filled[level] = filled.get(level, 0.0) + widths[name]
