"""What of a picture is looked at together: its colour, its matte, its depth; each layer of a file by itself.

A layer of a file is the text before the last dot of a channel's name. Red, green and blue of a layer are one
picture; ids stand with their coverage; everything else is planes by themselves.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Literal

__all__ = ["Layer", "View", "layers_of"]

View = Literal["colour", "ratio", "matte", "depth", "ids", "motion", "coordinates", "planes"]

_BY_TYPE: dict[str, View] = {
    "ratio": "ratio",
    "matte": "matte",
    "depth": "depth",
    "ids": "ids",
    "motion": "motion",
    "coordinates": "coordinates",
}
_DEPTH_NAMES = ("z", "depth")


@dataclass(frozen=True)
class Layer:
    """Channels that are looked at together.

    Attributes:
        name: of the layer; empty for the main picture.
        view: how they become a picture.
        channels: in order: R G B and perhaps A of colour; id and coverage in turn of ids.
        encoding: of colour: name and family.
        alpha: of colour: ``premultiplied``, ``straight`` or ``none``.
    """

    name: str
    view: View
    channels: tuple[str, ...]
    encoding: Mapping[str, str] | None = None
    alpha: str = "none"

    @property
    def units(self) -> tuple[tuple[str, ...], ...]:
        """Channels that are packed together: three of colour at once, everything else by itself."""
        if self.view in ("colour", "ratio"):
            rest = tuple((name,) for name in self.channels[3:])
            return (self.channels[:3], *rest)
        return tuple((name,) for name in self.channels)


def layers_of(type: Mapping[str, Any], channels: Collection[str], ids: Collection[str]) -> list[Layer]:
    """The layers of a picture.

    Args:
        type: of the node, as ``nodes.json`` has it.
        channels: of its file.
        ids: those of them whose bits are ids.
    """
    name = type.get("name")
    if name == "colour" and {"R", "G", "B"} <= set(channels):
        alpha = str(type.get("alpha", "none")) if "A" in channels else "none"
        more = () if alpha == "none" else ("A",)
        return [Layer("", "colour", ("R", "G", "B", *more), type.get("encoding"), alpha)]
    view = _BY_TYPE.get(str(name))
    ordered = _in_order(str(name), channels) if view is not None else ()
    if view is not None and ordered:
        return [Layer("", view, ordered)]
    grouped: dict[str, list[str]] = {}
    for channel in channels:
        grouped.setdefault(channel.rpartition(".")[0], []).append(channel)
    # The main picture comes first.
    found = sorted(grouped.items(), key=lambda item: item[0] != "")
    return [layer for prefix, members in found for layer in _file_layers(type, prefix, members, ids)]


def _in_order(name: str, channels: Collection[str]) -> tuple[str, ...]:
    """The channels of a type in their order; none where the file lacks one that its picture is made of."""
    orders = {"ratio": "RGB", "matte": "A", "depth": "Z", "motion": ("dx", "dy"), "coordinates": "st"}
    if name == "ids":
        ranks = sorted({int(c[2:]) for c in channels if c.startswith("id") and c[2:].isdigit()})
        pairs = tuple(f"{part}{rank}" for rank in ranks for part in ("id", "cover"))
        return tuple(c for c in pairs if c in channels)
    wanted = tuple(orders[name])
    if set(wanted) <= set(channels):
        return wanted
    return tuple(channels) if len(wanted) == 1 else ()


def _file_layers(type: Mapping[str, Any], prefix: str, members: list[str], ids: Collection[str]) -> list[Layer]:
    last = {channel.rpartition(".")[2].lower(): channel for channel in members}
    found: list[Layer] = []
    if ids and set(members) & set(ids):
        found.append(Layer(prefix, "ids", _pairs(last, members, ids)))
    elif all(letter in last for letter in "rgb"):
        state = str(type.get("alpha" if not prefix else "layer_alpha", "none"))
        alpha = state if "a" in last else "none"
        names = tuple(last[letter] for letter in ("rgb" if alpha == "none" else "rgba"))
        found.append(Layer(prefix, "colour", names, type.get("encoding"), alpha))
    taken = {name for layer in found for name in layer.channels}
    depth = [c for c in members if c.rpartition(".")[2].lower() in _DEPTH_NAMES and len(members) < 3]
    found += [Layer(prefix, "depth", (name,)) for name in depth if name not in taken]
    rest = tuple(name for name in members if name not in taken and name not in depth)
    return [*found, Layer(prefix, "planes", rest)] if rest else found


def _pairs(last: Mapping[str, str], members: list[str], ids: Collection[str]) -> tuple[str, ...]:
    """Id and coverage in turn: red and green, blue and alpha of a layer; ``id0`` and ``cover0``."""
    partner = {"r": "g", "b": "a", "red": "green", "blue": "alpha"}
    pairs: list[str] = []
    for short in sorted(last, key=lambda s: {"r": 0, "red": 0, "b": 1, "blue": 1}.get(s, 2)):
        if last[short] in ids:
            cover = last.get(partner.get(short, short.replace("id", "cover")))
            pairs += [last[short], *([cover] if cover else [])]
    return (*pairs, *(name for name in members if name not in pairs and name in ids))
