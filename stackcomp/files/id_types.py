"""Types of ids in a file: which channels are ranked pairs of id and coverage, and where their names are.

By the open ID-matte specification (Cryptomatte 1.2.0), a header declares each type under a key of its own:

    cryptomatte/KEY/name        the type, such as CryptoObject; its layers are CryptoObject00, CryptoObject01, …
    cryptomatte/KEY/hash        how names become ids: MurmurHash3_32
    cryptomatte/KEY/manifest    JSON: name → the id's bits, 8 hexadecimal digits
    cryptomatte/KEY/manif_file  or the name of such a JSON file, from the folder of the picture

Each layer has up to two pairs: r is an id and g its coverage, b an id and a its coverage (or red, green, blue and
alpha). In a file of several parts the name of a part may come before that of the layer, with a dot between.

A file whose header declares nothing still has its channels. So a type may also be named that only its layers show;
then there is no manifest.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from stackcomp.files.id_hash import HASH

__all__ = ["IdType", "id_types", "is_layer_of_ids", "keys_apart", "undeclared_types"]

_DECLARES = re.compile(r"cryptomatte/([^/]+)/name")
_LAYER = re.compile(r"(.+?)(\d\d)")
_PLACES = {"r": 0, "red": 0, "g": 1, "green": 1, "b": 2, "blue": 2, "a": 3, "alpha": 3}


@dataclass(frozen=True)
class IdType:
    """A type of ids in a file.

    Attributes:
        name: as it is chosen by; with the name of the part or view before it where several hold the type.
        pairs: names of the channels, id and coverage, rank by rank.
        flaw: what is missing, so that coverage would be wrong, and how it can be got; None where all is there.
        hash: how names become ids; that of the specification where the header does not say.
        manifest: the JSON in the header; None where there is none.
        manifest_file: name of the JSON file; None where there is none.
        declared: whether the header declares it.
    """

    name: str
    pairs: tuple[tuple[str, str], ...]
    flaw: tuple[str, str] | None = None
    hash: str = HASH
    manifest: str | None = None
    manifest_file: str | None = None
    declared: bool = True

    @property
    def channels(self) -> tuple[str, ...]:
        """All channels, in order."""
        return tuple(channel for pair in self.pairs for channel in pair)


def id_types(channels: Iterable[str], metadata: Mapping[str, Any]) -> dict[str, IdType]:
    """The types that a header declares, by name; a declared type without channels has no pairs.

    Args:
        channels: full names.
        metadata: attributes of the header.
    """
    layers = _layers(channels)
    declared = _declared(metadata)
    types: dict[str, IdType] = {}
    for key, name in declared.items():
        held = {own: ranks for own, ranks in layers.items() if _type_of(own, declared.values()) == name}
        for own, ranks in held.items() or [(name, {})]:
            # The name of a part says nothing where it is the only one that holds the type.
            shown = own if len(held) > 1 else name
            pairs, flaw = _pairs(ranks)
            types.setdefault(
                shown,
                IdType(
                    shown,
                    pairs,
                    flaw,
                    _text(metadata, key, "hash") or HASH,
                    _text(metadata, key, "manifest"),
                    _text(metadata, key, "manif_file"),
                ),
            )
    return types


def is_layer_of_ids(layer: str, metadata: Mapping[str, Any]) -> bool:
    """Whether a layer belongs to a type that a header declares."""
    match = _LAYER.fullmatch(layer)
    return match is not None and _type_of(match[1], _declared(metadata).values()) is not None


def keys_apart(known: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """Attributes of a part, with other keys for types of ids whose keys stand for other types already.

    Args:
        known: attributes of the parts before it.
        own: attributes of the part.
    """
    renamed: dict[str, str] = {}
    for attribute in own:
        match = _DECLARES.fullmatch(attribute)
        if match is None or known.get(attribute, own[attribute]) == own[attribute]:
            continue
        number = 2
        while f"cryptomatte/{match[1]}.{number}/name" in {**known, **own}:
            number += 1
        renamed[f"cryptomatte/{match[1]}/"] = f"cryptomatte/{match[1]}.{number}/"
    made = {}
    for attribute, value in own.items():
        before = next((prefix for prefix in renamed if attribute.startswith(prefix)), "")
        made[renamed[before] + attribute[len(before) :] if before else attribute] = value
    return made


def undeclared_types(channels: Iterable[str]) -> dict[str, IdType]:
    """What layers show that are named as those of ids are, whatever the header says."""
    found = {}
    for name, ranks in _layers(channels).items():
        pairs, flaw = _pairs(ranks)
        if pairs:
            found[name] = IdType(name, pairs, flaw, declared=False)
    return found


def _declared(metadata: Mapping[str, Any]) -> dict[str, str]:
    """Names of the types by their keys."""
    keys = (match[1] for match in map(_DECLARES.fullmatch, metadata) if match)
    return {key: name for key in keys if (name := _text(metadata, key, "name"))}


def _type_of(own: str, declared: Collection[str]) -> str | None:
    """The declared type of layers, by their name without its number; the longest where several names end alike."""
    fitting = (name for name in declared if own == name or own.endswith("." + name))
    return max(fitting, key=len, default=None)


def _text(metadata: Mapping[str, Any], key: str, what: str) -> str | None:
    value = metadata.get(f"cryptomatte/{key}/{what}")
    # Text that is not UTF-8 arrives as bytes.
    value = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
    return value if isinstance(value, str) else None


def _layers(channels: Iterable[str]) -> dict[str, dict[str, dict[int, str]]]:
    """Name before the number → number → place in the layer → channel."""
    found: dict[str, dict[str, dict[int, str]]] = {}
    for channel in channels:
        layer, _, last = channel.rpartition(".")
        match, place = _LAYER.fullmatch(layer), _PLACES.get(last.lower())
        if match is not None and place is not None:
            found.setdefault(match[1], {}).setdefault(match[2], {})[place] = channel
    return found


def _pairs(ranks: Mapping[str, Mapping[int, str]]) -> tuple[tuple[tuple[str, str], ...], tuple[str, str] | None]:
    """Pairs of channels by rank, and what is missing among them."""
    pairs, flaw = [], None
    for number, (digits, layer) in enumerate(sorted(ranks.items())):
        if number != int(digits):
            own = next(iter(layer.values())).rpartition(".")[0]
            lost = f"it has layer {own}, but no layer {own[:-2]}{number:02d}, so ids of some ranks are missing"
            flaw = flaw or (lost, "render it with all of these layers")
        for one in (0, 2):
            if one in layer and one + 1 in layer:
                pairs.append((layer[one], layer[one + 1]))
            elif one in layer:
                lost = f"channel {layer[one]} has ids, but their coverage is missing"
                flaw = flaw or (lost, "render it with all channels")
            elif one + 1 in layer:
                lost = f"channel {layer[one + 1]} has coverage, but its ids are missing"
                flaw = flaw or (lost, "render it with all channels")
    return tuple(pairs), flaw
