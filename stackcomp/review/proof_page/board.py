"""The drawing of a graph: boxes in rows, and wires that lead down from row to row.

Everything is in pixels of the page, from the upper left corner of the drawing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from stackcomp.review.proof_page.columns import columns
from stackcomp.review.proof_page.ordering import Item, layered
from stackcomp.review.proof_page.ranks import ranks
from stackcomp.review.proof_page.routes import Net, tracks

__all__ = ["Board", "Box", "Measures", "Wire", "Word", "drawn"]

_LANE = 14.0
_TRACK = 11.0
_CORNER = 7.0
_INSET = 14.0  # of the first of several wires from the edge of its box


@dataclass(frozen=True)
class Measures:
    """Sizes of the drawing.

    Attributes:
        across: width that a drawing should not exceed.
        box: width of a box; of one with many inputs, ``port`` for each of them.
        port: width that the words of an input take.
        gap: between two boxes.
        picture: height of the picture in a box.
        text: height of the words below it.
        words: height of the words on a wire.
    """

    across: float
    box: float
    picture: float
    port: float = 112.0
    gap: float = 28.0
    text: float = 74.0
    words: float = 48.0


@dataclass(frozen=True)
class Box:
    """A node: its upper left corner, and its size."""

    name: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Word:
    """The words on a wire just above the box it goes into."""

    node: str
    port: str
    x: float
    y: float
    width: float


@dataclass(frozen=True)
class Wire:
    """A wire from a node to a port of another, as the path of an SVG."""

    source: str
    target: str
    port: str
    path: str
    end: tuple[float, float]


@dataclass(frozen=True)
class Board:
    """The drawing."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    wires: tuple[Wire, ...]
    words: tuple[Word, ...]
    branches: tuple[tuple[float, float], ...] = field(default=())


def drawn(names: Sequence[str], inputs: Mapping[str, Mapping[str, str]], measures: Measures) -> Board:
    """Draw a graph.

    Args:
        names: in the order of the data's way: what feeds a node stands before it.
        inputs: node → port → the node it is fed by; those that stand later are left out.
        measures: sizes.
    """
    first = _Drawing(names, inputs, measures, measures.across).board()
    if first.width <= measures.across:
        return first
    # Wires that pass rows need room as well: with fewer boxes in a row there are fewer wires beside each other.
    limits = (measures.across - part * measures.box for part in (0.5, 1.0))
    others = (_Drawing(names, inputs, measures, limit).board() for limit in limits)
    return next((other for other in others if other.width <= measures.across), first)


class _Drawing:
    """The drawing of a graph whose rows hold boxes up to a width."""

    def __init__(
        self, names: Sequence[str], inputs: Mapping[str, Mapping[str, str]], sizes: Measures, most: float
    ) -> None:
        self.names, self.sizes = names, sizes
        place = {name: number for number, name in enumerate(names)}
        self.fed = {
            name: {port: s for port, s in inputs.get(name, {}).items() if s in place and place[s] < place[name]}
            for name in names
        }
        sources = {name: tuple(self.fed[name].values()) for name in names}
        self.widths = {name: max(sizes.box, sizes.port * len(self.fed[name])) for name in names}
        spaced = {name: width + sizes.gap for name, width in self.widths.items()}
        self.rows = ranks(names, sources, spaced, most + sizes.gap)
        self.graph = layered(names, sources, self.rows)
        self.ports = {name: list(self.fed[name]) for name in names}
        self.middle = self._columns()
        # Inputs are wired in the order in which their wires arrive, so that they need not cross.
        for name in names:
            self.ports[name].sort(key=partial(self._arrival, name))
        self.middle = self._columns()
        self.nets = [self._nets(row) for row in self.graph.rows[:-1]]
        self.tracks = [tracks(nets) for nets in self.nets]
        self.box_height = sizes.picture + sizes.text
        self.tops, self.height = self._heights()

    # -- across -------------------------------------------------------------------------------------------------

    def _width(self, item: Item) -> float:
        return _LANE if item.passes else self.widths[item.node]

    def _columns(self) -> dict[Item, float]:
        return columns(self.graph, self._width, self._ports_off, self.sizes.gap, self.sizes.across)

    def _port_off(self, name: str, port: str) -> float:
        """How far right of a box's middle the wire of a port arrives."""
        count = len(self.ports[name])
        if count == 1:
            return 0.0
        cell = self.widths[name] / count
        return _INSET + self.ports[name].index(port) * cell - self.widths[name] / 2

    def _ports_off(self, item: Item, source: str) -> float:
        """The same of all ports that a node feeds."""
        if item.passes:
            return 0.0
        offsets = [self._port_off(item.node, port) for port, s in self.fed[item.node].items() if s == source]
        return sum(offsets) / len(offsets)

    def _arrival(self, name: str, port: str) -> float:
        """Where the wire of a port comes from."""
        source, row = self.fed[name][port], self.rows[name] - 1
        return self.middle[Item(row, source, passes=self.rows[source] < row)]

    # -- down ---------------------------------------------------------------------------------------------------

    def _nets(self, row: Sequence[Item]) -> list[Net]:
        """From one row to the next: who comes down where, and goes on where."""
        nets = []
        for item in row:
            ends: list[float] = []
            for target in self.graph.down.get(item, ()):
                fed = {} if target.passes else self.fed[target.node]
                offsets = [self._port_off(target.node, port) for port, s in fed.items() if s == item.node] or [0.0]
                ends += [self.middle[target] + off for off in offsets]
            if ends:
                nets.append(Net(item.node, self.middle[item], tuple(ends)))
        return nets

    def _heights(self) -> tuple[list[float], float]:
        """The top of each row, and the height of all."""
        tops, y = [], 0.0
        for number in range(len(self.graph.rows)):
            tops.append(y)
            y += self.box_height
            if number < len(self.tracks):
                count = max(self.tracks[number].values(), default=-1) + 1
                y += 16 + _TRACK * count + self.sizes.words
        return tops, y

    def _level(self, row: int, name: str) -> float | None:
        """The height of a wire's track below a row."""
        track = self.tracks[row].get(name)
        return None if track is None else self.tops[row] + self.box_height + 12 + _TRACK * track

    # -- all of it ----------------------------------------------------------------------------------------------

    def board(self) -> Board:
        """The drawing."""
        boxes = tuple(
            Box(name, self.middle[item] - width / 2, self.tops[item.row], width, self.box_height)
            for name, width in self.widths.items()
            for item in (Item(self.rows[name], name),)
        )
        wires = tuple(self._wire(name, port, s) for name in self.names for port, s in self.fed[name].items())
        branches = {
            (x, level)
            for row, nets in enumerate(self.nets)
            for net in nets
            for level in (self._level(row, net.name),)
            if level is not None and len(net.ends) > 1
            for x in _forks(net)
        }
        across = max((box.x + box.width for box in boxes), default=0.0)
        return Board(across, self.height, boxes, wires, tuple(map(self._word, wires)), tuple(sorted(branches)))

    def _wire(self, name: str, port: str, source: str) -> Wire:
        first, last = self.rows[source], self.rows[name]
        x = self.middle[Item(first, source)]
        corners = [(x, self.tops[first] + self.box_height)]
        for row in range(first, last):
            goes_on = row + 1 < last
            to = (
                self.middle[Item(row + 1, source, passes=True)]
                if goes_on
                else self.middle[Item(last, name)] + self._port_off(name, port)
            )
            level = self._level(row, source)
            if level is not None and abs(to - x) >= 0.5:
                corners += [(x, level), (to, level)]
            x = to
        end = (x, self.tops[last])
        return Wire(source, name, port, _path([*corners, end]), end)

    def _word(self, wire: Wire) -> Word:
        count = len(self.ports[wire.target])
        width = self.widths[wire.target]
        room = (width / 2 if count == 1 else width / count - _INSET) - 10
        return Word(wire.target, wire.port, wire.end[0] + 7, wire.end[1] - self.sizes.words + 2, room)


def _forks(net: Net) -> list[float]:
    """Where a wire on its track branches."""
    places = sorted({round(x, 1) for x in (net.start, *net.ends)})
    return [
        x
        for x in places
        if places[0] < x < places[-1] or (x == round(net.start, 1) and x in map(_tenth, net.ends))
    ]


def _tenth(value: float) -> float:
    return round(value, 1)


def _path(corners: Sequence[tuple[float, float]]) -> str:
    """A line with rounded corners."""
    parts = [f"M{corners[0][0]:.1f} {corners[0][1]:.1f}"]
    for (ax, ay), (bx, by), (cx, cy) in zip(corners, corners[1:], corners[2:], strict=False):
        before = max(abs(bx - ax), abs(by - ay))
        after = max(abs(cx - bx), abs(cy - by))
        radius = min(_CORNER, before / 2, after / 2)
        sx, sy = _towards(bx, by, ax, ay, radius)
        ex, ey = _towards(bx, by, cx, cy, radius)
        parts.append(f"L{sx:.1f} {sy:.1f}Q{bx:.1f} {by:.1f} {ex:.1f} {ey:.1f}")
    parts.append(f"L{corners[-1][0]:.1f} {corners[-1][1]:.1f}")
    return "".join(parts)


def _towards(x: float, y: float, to_x: float, to_y: float, distance: float) -> tuple[float, float]:
    length = max(abs(to_x - x), abs(to_y - y))
    if not length:
        return x, y
    return x + (to_x - x) * distance / length, y + (to_y - y) * distance / length
