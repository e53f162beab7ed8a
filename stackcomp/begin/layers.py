"""The layers of a file: channels grouped by name, each group with what it is taken for."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from stackcomp.begin.layer_words import Role, role_of

__all__ = ["Layer", "layers_of"]

#: What channels are called in files, folded, and the plane that each is.
_PLANES = {
    "r": "R", "red": "R", "g": "G", "green": "G", "b": "B", "blue": "B", "a": "A", "alpha": "A",
}  # fmt: skip
_NAMES_OF_IDS = re.compile(r"cryptomatte/[^/]+/name")


@dataclass(frozen=True)
class Layer:
    """A layer.

    Attributes:
        name: the text before the last dot of its channels; empty for the file's own R G B A; the channel's whole
            name where it has no dot and is none of these.
        channels: full names, in the file's order.
        role: what it is taken for.
        plainness: 0 where its name is the plainest for the role, 2 where only a word in it tells.
        declared: whether the header declares it, as it does ID mattes.
    """

    name: str
    channels: tuple[str, ...]
    role: Role
    plainness: int = 0
    declared: bool = False

    @property
    def planes(self) -> dict[str, str]:
        """R, G, B, A → channel, as far as there are such channels, whatever their case."""
        named = {_PLANES.get(_tail(channel)): channel for channel in self.channels}
        return {plane: named[plane] for plane in "RGBA" if plane in named}

    @property
    def has_colour(self) -> bool:
        """Whether it has R, G and B."""
        return {"R", "G", "B"} <= set(self.planes)

    @property
    def plain(self) -> bool:
        """Whether its planes can be picked by the layer's name alone."""
        prefix = f"{self.name}." if self.name else ""
        return all(channel == prefix + plane for plane, channel in self.planes.items())

    def __str__(self) -> str:
        return f'layer "{self.name}"' if self.name else "the file's own R G B"


def layers_of(channels: Sequence[str], metadata: Mapping[str, Any]) -> list[Layer]:
    """The layers of a file.

    Args:
        channels: full names, as `stackcomp.files.picture_file` gives them.
        metadata: attributes of the header; those that begin with ``cryptomatte/`` declare ID mattes (the open
            ID-matte specification, version 1.2.0).
    """
    groups: dict[str, list[str]] = {}
    for channel in channels:
        layer, dot, _ = channel.rpartition(".")
        own = not dot and _tail(channel) in _PLANES
        groups.setdefault(layer if dot else "" if own else channel, []).append(channel)
    ids = [str(value) for name, value in metadata.items() if _NAMES_OF_IDS.fullmatch(name)]
    return [_layer(name, tuple(members), ids) for name, members in groups.items()]


def _layer(name: str, channels: tuple[str, ...], ids: Sequence[str]) -> Layer:
    if any(name == id or re.fullmatch(re.escape(id) + r"\d+", name) for id in ids):
        return Layer(name, channels, "ids", declared=True)
    if not name:
        return Layer(name, channels, "beauty")
    role, plainness = role_of(name)
    if role == "unknown" and len(channels) == 1:
        # Only a single channel is named by its own name: P.z is one of three coordinates.
        role, plainness = role_of(channels[0].rpartition(".")[2])
    if role == "beauty" and not {"r", "red"} & set(map(_tail, channels)):
        role = "unknown"
    return Layer(name, channels, role, plainness)


def _tail(channel: str) -> str:
    return channel.rpartition(".")[2].casefold()
