"""Names of colour spaces as people write them: found by a part of the name, in any case and spacing.

``S-Log3``, ``slog3`` and ``s_log3`` are one word here: case, spaces and all other characters but letters and
digits are ignored. Aliases count as names.
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

#: So many names are written into a message; a command lists the others.
_MOST_SHOWN = 4

#: So few names are all written into a message.
_FEW = 12


@dataclass(frozen=True)
class Space:
    """A colour space of a config.

    Attributes:
        name: its official name.
        family: what its numbers are: scene-linear, log, display or data.
        group: where the config sorts it in, such as ``Input/Sony``; may be empty.
        aliases: its other names, and the roles that it has in the config.
    """

    name: str
    family: EncodingFamily
    group: str = ""
    aliases: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "aliases": list(self.aliases)}


def folded(text: str) -> str:
    """Letters and digits alone, in one case. ITU-R recommendations are called BT. as well as Rec."""
    return re.sub(r"^bt(?=\d)", "rec", "".join(c for c in text.casefold() if c.isalnum()))


#: Where a word begins: behind what is neither letter nor digit, at a capital, at the first digit.
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+|[^\W\d_a-zA-Z]+")


def _tails(text: str) -> list[str]:
    """A name from each of its words on, folded."""
    return [folded(text), *(folded(text[word.start() :]) for word in _WORD.finditer(text))]


def matching(word: str, names: Mapping[str, Sequence[str]], *, anywhere: bool = False) -> list[str]:
    """Those names that contain a word, best first.

    Args:
        word: as somebody wrote it.
        names: official name → its other names and words that it may be found by.
        anywhere: the word may begin in the middle of a name's word.

    Returns:
        The one name that is the word but for case and spacing; else names that begin with it, then those that
        contain it, then those with an alias that contains it. Where there is none, those that contain each part
        of a word of several parts.
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

    found = [name for name, others in names.items() if any(map(within, (name, *others)))]
    if not found:
        parts = [part for part in map(folded, re.split(r"[\s_-]+", word)) if len(part) > 1]
        whole = {name: " ".join(map(folded, (name, *others))) for name, others in names.items()}
        found = [name for name, text in whole.items() if len(parts) > 1 and all(part in text for part in parts)]
    return sorted(found, key=rank)


def hint(word: str, names: Mapping[str, Sequence[str]], command: str) -> str:
    """What somebody may have meant who wrote a name that is not there.

    Args:
        word: the name.
        names: official name → its other names.
        command: lists names; the word is written behind it where that finds any.

    Returns:
        Sentences for a message.
    """
    found = matching(word, names) or matching(word, names, anywhere=True)
    if found:
        quoted = [f'"{name}"' for name in found[:_MOST_SHOWN]]
        more = len(found) - len(quoted)
        if more:
            said = f"{', '.join(quoted)} and {more} more contain it"
            return f"{said}; `{command} {shlex.quote(word)}` lists them"
        return f"did you mean {' or '.join(quoted)}? `{command}` lists them all"
    by_any = {other.casefold(): name for name, others in names.items() for other in (*others, name)}
    close = difflib.get_close_matches(word.casefold(), list(by_any), n=2, cutoff=0.7)
    meant = " or ".join(f'"{name}"' for name in dict.fromkeys(by_any[other] for other in close))
    if not meant and 0 < len(names) <= _FEW:
        return "choose from " + ", ".join(f'"{name}"' for name in names)
    return (f"did you mean {meant}? " if meant else "") + f"`{command}` lists them all"
