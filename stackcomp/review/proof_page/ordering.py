"""The order of boxes in a row: few wires cross.

The usual way of drawing graphs in layers (Sugiyama, Tagawa and Toda 1981): a wire that passes rows has a
place in each of them, and rows are sorted by the middle of their neighbours, down and up in turn; the arrangement
with the fewest crossings is kept.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

__all__ = ["Item", "Layered", "layered"]

_SWEEPS = 12


class Item(NamedTuple):
    """A place in a row: of a node's box, or of a wire of it that passes the row."""

    row: int
    node: str
    passes: bool = False


@dataclass(frozen=True)
class Layered:
    """Rows in order, and what is wired to what between a row and the next.

    Attributes:
        rows: items from left to right.
        down: item → the items of the next row that its wire goes to.
    """

    rows: tuple[tuple[Item, ...], ...]
    down: Mapping[Item, tuple[Item, ...]]


def layered(names: Sequence[str], sources: Mapping[str, Sequence[str]], rows: Mapping[str, int]) -> Layered:
    """Put the boxes and wires of each row in order."""
    count = max(rows.values(), default=-1) + 1
    items: list[list[Item]] = [[] for _ in range(count)]
    down: dict[Item, list[Item]] = {}
    for name in names:
        items[rows[name]].append(Item(rows[name], name))
    consumers: dict[str, list[str]] = {name: [] for name in names}
    for name in names:
        for source in dict.fromkeys(sources[name]):
            consumers[source].append(name)
    for name in names:
        last = max((rows[c] for c in consumers[name]), default=rows[name])
        here = Item(rows[name], name)
        for row in range(rows[name] + 1, last + 1):
            taken = [Item(row, c) for c in consumers[name] if rows[c] == row]
            goes_on = row < last
            after = Item(row, name, passes=True)
            down[here] = [*taken, *([after] if goes_on else [])]
            if goes_on:
                items[row].append(after)
                here = after
    best = arranged = items
    fewest = _crossings(items, down)
    for sweep in range(_SWEEPS):
        if fewest == 0:
            break
        arranged = _swept(arranged, down, downwards=sweep % 2 == 0)
        crossings = _crossings(arranged, down)
        if crossings < fewest:
            best, fewest = arranged, crossings
    return Layered(tuple(tuple(row) for row in best), {item: tuple(to) for item, to in down.items()})


def _swept(rows: list[list[Item]], down: Mapping[Item, Sequence[Item]], *, downwards: bool) -> list[list[Item]]:
    near: dict[Item, list[Item]] = {}
    for item, targets in down.items():
        for target in targets:
            a, b = (target, item) if downwards else (item, target)
            near.setdefault(a, []).append(b)
    swept = [list(row) for row in rows]
    order = range(1, len(rows)) if downwards else range(len(rows) - 2, -1, -1)
    for number in order:
        fixed = {item: k for k, item in enumerate(swept[number - 1 if downwards else number + 1])}
        size = max(1, len(fixed))
        own = {item: k for k, item in enumerate(swept[number])}

        def middle(
            item: Item, fixed: dict[Item, int] = fixed, own: dict[Item, int] = own, size: int = size
        ) -> float:
            places = [fixed[n] for n in near.get(item, ()) if n in fixed]
            return sum(places) / len(places) if places else own[item] * size / max(1, len(own))

        swept[number].sort(key=middle)
    return swept


def _crossings(rows: list[list[Item]], down: Mapping[Item, Sequence[Item]]) -> int:
    total = 0
    for upper, lower in pairwise(rows):
        place = {item: k for k, item in enumerate(lower)}
        seen: list[int] = []
        for item in upper:
            ends = sorted(place[target] for target in down.get(item, ()) if target in place)
            total += sum(len(seen) - bisect_left(seen, end + 1) for end in ends)
            for end in ends:
                insort(seen, end)
    return total
