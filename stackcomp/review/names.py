"""File names for nodes, whose own names may hold any printable character."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

__all__ = ["file_names"]

_LONGEST = 100  # bytes; every file system takes that with an ending and a number
_RESERVED = frozenset(("con", "prn", "aux", "nul", *(f"{word}{k}" for word in ("com", "lpt") for k in range(10))))


def file_names(nodes: Iterable[str]) -> dict[str, str]:
    """Return a file name, without an ending, for each node.

    Letters, marks and digits of any script, ``-`` and ``_`` stay; everything else becomes ``_``. Names that
    would be the same file, also where capitals do not count, get a number. A node keeps its name when others
    are added behind it.
    """
    names: dict[str, str] = {}
    taken: set[str] = set()
    for node in nodes:
        plain = _plain(node)
        name, number = plain, 1
        while _folded(name) in taken:
            number += 1
            name = f"{plain}-{number}"
        taken.add(_folded(name))
        names[node] = name
    return names


def _plain(node: str) -> str:
    text = "".join(c if c in "-_" or _is_letter(c) else "_" for c in unicodedata.normalize("NFC", node))
    text = text.encode("utf-8", "replace")[:_LONGEST].decode("utf-8", "ignore")
    # A leading "-" would be read as an option, and some systems reserve a few names for devices.
    return f"_{text}" if not text or text[0] == "-" or text.casefold() in _RESERVED else text


def _is_letter(character: str) -> bool:
    return unicodedata.category(character)[0] in "LMN"


def _folded(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()
