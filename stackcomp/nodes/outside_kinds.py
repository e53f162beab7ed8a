"""Kinds of other packages, by entry points of the group ``stackcomp.kinds``.

    [project.entry-points."stackcomp.kinds"]
    "boatyard.patina" = "boatyard_kinds.patina:Patina"

The name of an entry point is the kind's word in a graph. It has a prefix and a dot, which no built-in kind has: it
can neither hide a built-in kind nor one of a later version, and a graph that needs it says whose kind it is.

A package is imported when one of its kinds is asked for. What cannot be used becomes a `BrokenKind`, and disturbs
no graph that does not need it.
"""

from __future__ import annotations

import contextlib
import functools
import re
import sys
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from stackcomp.errors import Problem, cut, did_you_mean
from stackcomp.nodes.base import Node
from stackcomp.nodes.outside_flaws import flaws_of, said_by
from stackcomp.nodes.outside_text import text_hash

__all__ = ["GROUP", "BrokenKind", "Kinds", "Origin"]

GROUP = "stackcomp.kinds"
_WORD = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)+")
_VALUE = re.compile(r"\w+(\.\w+)*\s*:\s*\w+(\.\w+)*\s*(\[.*\])?")


@dataclass(frozen=True)
class Origin:
    """The package that a kind comes from."""

    package: str
    version: str

    def __str__(self) -> str:
        return f"{self.package} {self.version}".strip()


@dataclass(frozen=True)
class BrokenKind:
    """A kind that a package names, but that cannot be used.

    Attributes:
        word: name of the entry point.
        origin: the package.
        reason: what is wrong with it.
        way_out: what to do.
    """

    word: str
    origin: Origin
    reason: str
    way_out: str = "mend the package, or install another version of it"

    @property
    def problem(self) -> Problem:
        """As a finding."""
        return Problem("kind-broken", f'kind "{self.word}" of {self.origin}: {self.reason}', self.way_out)


class Kinds(Mapping[str, type[Node]]):
    """All kinds by their words: built-in ones, then those of packages, in the order of their words.

    Looking up a built-in kind reads no entry point and imports no other package; going over all of them does both.
    Kinds that cannot be used are left out; `broken` tells which.

    Args:
        built_in: the program's own kinds.
    """

    def __init__(self, built_in: Mapping[str, type[Node]]) -> None:
        self.built_in = dict(built_in)
        self._loaded: dict[str, type[Node] | BrokenKind] = {}

    def __getitem__(self, word: str) -> type[Node]:
        if word in self.built_in:
            return self.built_in[word]
        found = self._found(word) if isinstance(word, str) else None
        if found is None or isinstance(found, BrokenKind):
            raise KeyError(word)
        return found

    def __iter__(self) -> Iterator[str]:
        yield from self.built_in
        yield from (word for word in self._entries if not isinstance(self._found(word), BrokenKind))

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def __repr__(self) -> str:
        return f"<{len(self)} kinds: {', '.join(self)}>"

    @property
    def broken(self) -> tuple[BrokenKind, ...]:
        """Kinds of packages that cannot be used."""
        return tuple(found for word in self._entries if isinstance(found := self._found(word), BrokenKind))

    def origin(self, word: str) -> Origin | None:
        """The package of a kind; None for a built-in one."""
        if word in self.built_in or word not in self._entries:
            return None
        return _origin(self._entries[word][0])

    def state(self, word: str) -> str:
        """What pixels of a kind depend on, beside the node and this program; empty for a built-in one.

        It is the package with its version and a hash of its Python files, which change more often than the
        version while somebody writes them.
        """
        origin = self.origin(word)
        return "" if origin is None else f"{origin} {text_hash(self[word])}".strip()

    def why_not(self, word: Any) -> Problem:
        """Why there is no such kind, for a graph that names it."""
        if not isinstance(word, str):
            return Problem("kind-unknown", "", "`stackcomp kinds` lists them all")
        found = self._found(word)
        if isinstance(found, BrokenKind):
            return found.problem
        shown = cut(word, 60)
        if _WORD.fullmatch(word):
            message = f'"{shown}" is a kind of a package, and none that is installed has it'
            return Problem("kind-not-installed", message, self._where_from(word))
        # Whoever forgets the prefix means a kind of that name.
        named = [other for other in self._entries if _WORD.fullmatch(other)]
        same = [other for other in named if other.rpartition(".")[2] == word.casefold()]
        near = did_you_mean(same[0], same) if same else did_you_mean(word, [*self.built_in, *named])
        return Problem("kind-unknown", f'there is no kind "{shown}"', near or "`stackcomp kinds` lists them all")

    def _where_from(self, word: str) -> str:
        prefix = word.split(".")[0]
        siblings = {other: self._entries[other][0] for other in self._entries if other.startswith(f"{prefix}.")}
        if not siblings:
            return f'install the package whose kinds begin with "{prefix}."'
        packages = " and ".join(dict.fromkeys(str(_origin(entry)) for entry in siblings.values()))
        another = f'kinds that begin with "{prefix}." come from {packages}: install a version that has it'
        # The prefix that all of them have would make any of them look alike.
        rests = {other.removeprefix(f"{prefix}."): other for other in siblings}
        near = [rests[rest] for rest in get_close_matches(word.removeprefix(f"{prefix}."), rests)]
        return f"{did_you_mean(near[0], near)} {another}" if near else another

    @functools.cached_property
    def _entries(self) -> dict[str, list[EntryPoint]]:
        """Entry points by word; what is found on the disk is read once for a process."""
        by_word: dict[str, list[EntryPoint]] = {}
        for entry in sorted(_entry_points(), key=lambda entry: (entry.name, str(_origin(entry)), entry.value)):
            same = by_word.setdefault(entry.name, [])
            if not any(other.value == entry.value and _origin(other) == _origin(entry) for other in same):
                same.append(entry)
        return by_word

    def _found(self, word: str) -> type[Node] | BrokenKind | None:
        if word not in self._entries:
            return None
        if word not in self._loaded:
            self._loaded[word] = _load(word, self._entries[word])
        return self._loaded[word]


def _load(word: str, entries: list[EntryPoint]) -> type[Node] | BrokenKind:
    entry, origin = entries[0], _origin(entries[0])
    if len(entries) > 1:
        by = list(dict.fromkeys(str(_origin(other)) for other in entries))
        if len(by) == 1:
            values = " and ".join(other.value for other in entries)
            return BrokenKind(word, origin, f"it is named twice, as {values}")
        return BrokenKind(word, origin, f"{' and '.join(by)} both name it", "remove one of them")
    if not _WORD.fullmatch(word):
        return _badly_named(word, origin)
    if not _VALUE.fullmatch(entry.value):
        return BrokenKind(word, origin, f'"{cut(entry.value, 60)}" does not name a class as module:Class')
    try:
        # What a package prints while it is imported is no part of an answer in JSON.
        with contextlib.redirect_stdout(sys.stderr):
            made = entry.load()
            reason = "; ".join(flaws_of(word, made))
    except (KeyboardInterrupt, MemoryError):
        raise
    except BaseException as error:  # a package may do anything while it is imported
        return BrokenKind(word, origin, f"{entry.value}: {said_by(error)}")
    if reason:
        return BrokenKind(word, origin, f"{entry.value} {reason}")
    assert isinstance(made, type)
    assert issubclass(made, Node)
    return made


def _badly_named(word: str, origin: Origin) -> BrokenKind:
    """What is said of a name that does not match `_WORD`."""
    parts = [_word(part) for part in word.split(".")]
    if len(parts) < 2 or not all(parts):
        parts = [_word(origin.package) or "studio", "_".join(filter(None, parts)) or "kind"]
        reason = "its name needs a prefix and a dot"
    else:
        reason = "each word of its name must begin with a to z, and hold only a to z, 0 to 9 and _"
    way_out = f'call it "{".".join(parts)}" or the like: lower-case letters, digits and _'
    return BrokenKind(word, origin, reason, way_out)


def _word(text: str) -> str:
    """The nearest word that a name may have; empty where nothing is left."""
    plain = unicodedata.normalize("NFKD", text.lower()).encode("ascii", "ignore").decode("ascii")
    return re.sub(r"^[0-9_]+", "", re.sub(r"[^a-z0-9]+", "_", plain)).strip("_")


def _entry_points() -> Iterable[EntryPoint]:
    return entry_points(group=GROUP)


def _origin(entry: EntryPoint) -> Origin:
    if entry.dist is None:
        return Origin("a package without a name", "")
    told = entry.dist.metadata
    known = {field: told[field] for field in ("Name", "Version") if field in told}
    return Origin(known.get("Name", "a package without a name"), known.get("Version", ""))
