"""Names of nodes from names of files."""

from __future__ import annotations

import re
import unicodedata
from pathlib import PurePath

from stackcomp.files.paths import FramePath

__all__ = ["Names", "stem_of"]

_LONGEST = 60
_VERSION = re.compile(r"(?:^|[._\- ])v\d+$", re.IGNORECASE)
_FRAME = re.compile(r"[._\- ]*\d{3,}$")


def stem_of(path: str) -> str:
    """The name of a file or sequence as a name of a node: without ending, frame number and version.

    Args:
        path: as a graph writes it, with or without a frame token.
    """
    pattern = FramePath(path)
    name = PurePath(pattern.for_frame(987_654_321)).name
    stem = re.sub(r"[._\- ]*0*987654321", "", name.rpartition(".")[0] or name)
    if not pattern.has_frame:
        stem = _FRAME.sub("", stem) or stem
    stem = _VERSION.sub("", stem) or stem
    words = re.sub(r"[^\w]+", "_", unicodedata.normalize("NFC", stem)).strip("_")
    return words[:_LONGEST] or "matte"


class Names:
    """Names that are taken in a graph."""

    def __init__(self, *taken: str) -> None:
        self._taken = set(taken)

    def take(self, wanted: str) -> str:
        """The name itself, or with the first number behind it that is free."""
        name, number = wanted, 2
        while name in self._taken:
            name, number = f"{wanted}_{number}", number + 1
        self._taken.add(name)
        return name
