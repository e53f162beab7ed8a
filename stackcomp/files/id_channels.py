"""Which channels of a file hold ids: bit patterns that are stored as floats.

By the open ID-matte specification (Cryptomatte 1.2.0): a header attribute ``cryptomatte/KEY/name`` names a type;
its layers are called after it with a number of two digits; red and blue are ids, green and alpha their coverage.
In a file of several parts, the name of a part may come before the name of the layer, with a dot between.
Dumps and other files of this program say in ``stackcomp/type`` that they hold ids.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

__all__ = ["id_channels"]

_NAME = re.compile(r"cryptomatte/[^/]+/name")
_IDS = ("r", "red", "b", "blue")
_OWN = re.compile(r"(?:.*\.)?id\d+")


def id_channels(channels: Iterable[str], metadata: Mapping[str, Any]) -> frozenset[str]:
    """Names of the channels whose bits are ids.

    Args:
        channels: full names.
        metadata: attributes of the header.
    """
    types = [str(value) for name, value in metadata.items() if _NAME.fullmatch(name)]
    own = str(metadata.get("stackcomp/type", "")).startswith("ids")
    found = set()
    for channel in channels:
        layer, _, last = channel.rpartition(".")
        ranked = any(re.fullmatch(rf"(?:.*\.)?{re.escape(name)}\d\d+", layer) for name in types)
        if (ranked and last.lower() in _IDS) or (own and _OWN.fullmatch(channel)):
            found.add(channel)
    return frozenset(found)
