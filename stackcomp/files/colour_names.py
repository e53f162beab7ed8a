"""Search names of colour spaces by a part of the name.

Case, spaces and all characters except letters and digits are ignored: ``S-Log3``, ``slog3`` and ``s_log3`` are one
word. Aliases count as names.
"""

from __future__ import annotations

import difflib
import re
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from stackcomp.data.port_types import EncodingFamily

__all__ = ["Space", "hint", "matching"]

#: Largest number of names in a message; a command lists the others.
_MOST_SHOWN = 4

#: Up to this number, a message lists all names.
_FEW = 12


@dataclass(frozen=True)
class Space:
    """A colour space of a config.

    Attributes:
        name: its official name.
        family: scene-linear, log, display or data.
        group: its group in the config, such as ``Input/Sony``; may be empty.
        aliases: its other names, and its roles in the config.
    """

    name: str
    family: EncodingFamily
    group: str = ""
    aliases: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON data."""
        return {**asdict(self), "aliases": list(self.aliases)}


def folded(text: str) -> str:
    """Return the letters and digits of a text, case-folded, with ``BT.`` of ITU-R recommendations as ``rec``."""
    return re.sub(r"^bt(?=\d)", "rec", "".join(c for c in text.casefold() if c.isalnum()))


#: A word begins after a character that is not a letter or digit, at a capital, or at the first digit.
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+|[^\W\d_a-zA-Z]+")


def _tails(text: str) -> list[str]:
    """Return the ends of a name that begin at each of its words, folded."""
    return [folded(text), *(folded(text[word.start() :]) for word in _WORD.finditer(text))]


def matching(word: str, names: Mapping[str, Sequence[str]], *, anywhere: bool = False) -> list[str]:
    """Return the names that contain a word, best first.

    Args:
        word: as the user wrote it.
        names: official name → its other names and search words.
        anywhere: whether the word may begin in the middle of a name's word.

    Returns:
        The single name that equals the word except for case and spacing; else names that begin with it, then those
        that contain it, then those with an alias that contains it. If there are none, those that contain every
        part of a word of several parts.
    """
    wanted = folded(word)
    if not wanted:
        return []
    exact = [name for name, others in names.items() if wanted in map(folded, (name, *others))]
    if len(exact) == 1:
        return exact

    def within(text: str) -> bool:
        return wanted in folded(text) if anywhere else any(tail.startswith(wanted) for tail in _tails(text))

    def rank(name: str) -> int:
        return 0 if folded(name).startswith(wanted) else 1 if within(name) else 2

    matches = [name for name, others in names.items() if any(map(within, (name, *others)))]
    if not matches:
        parts = [part for part in map(folded, re.split(r"[\s_-]+", word)) if len(part) > 1]
        whole = {name: " ".join(map(folded, (name, *others))) for name, others in names.items()}
        matches = [name for name, text in whole.items() if len(parts) > 1 and all(part in text for part in parts)]
    return sorted(matches, key=rank)


def hint(word: str, names: Mapping[str, Sequence[str]], command: str) -> str:
    """Return a hint about an unknown name.

    Args:
        word: the name.
        names: official name → its other names.
        command: a command that lists names; it takes the word as an argument.

    Returns:
        Text for a message.
    """
    matches = matching(word, names) or matching(word, names, anywhere=True)
    if matches:
        quoted = [f'"{name}"' for name in matches[:_MOST_SHOWN]]
        more = len(matches) - len(quoted)
        if more:
            listed = f"{', '.join(quoted)} and {more} more contain it"
            return f"{listed}; `{command} {shlex.quote(word)}` lists them"
        return f"did you mean {' or '.join(quoted)}? `{command}` lists them all"
    by_any = {other.casefold(): name for name, others in names.items() for other in (*others, name)}
    close = difflib.get_close_matches(word.casefold(), list(by_any), n=2, cutoff=0.7)
    similar = " or ".join(f'"{name}"' for name in dict.fromkeys(by_any[other] for other in close))
    if not similar and 0 < len(names) <= _FEW:
        return "choose from " + ", ".join(f'"{name}"' for name in names)
    return (f"did you mean {similar}? " if similar else "") + f"`{command}` lists them all"
