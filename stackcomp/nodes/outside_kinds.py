"""Kinds of other packages, by entry points of the group ``stackcomp.kinds``.

    [project.entry-points."stackcomp.kinds"]
    "boatyard.patina" = "boatyard_kinds.patina:Patina"

The name of an entry point is the kind's word in a graph. It has a prefix and a dot, which no built-in kind has: it
can neither hide a built-in kind nor one of a later version, and a graph that needs it says whose kind it is.

A package is imported when one of its kinds is asked for. What cannot be used becomes a `BrokenKind`, and disturbs
no graph that does not need it.
"""

from __future__ import annotations

import functools
import inspect
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any, get_args

from stackcomp.errors import Problem, cut, did_you_mean
from stackcomp.nodes.base import AreaNode, Node, PixelNode, SinkNode, SourceNode, ViewNode

__all__ = ["GROUP", "BrokenKind", "Kinds", "Origin"]

GROUP = "stackcomp.kinds"
_WORD = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)+")
_FAMILIES = (SourceNode, ViewNode, PixelNode, AreaNode, SinkNode)


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

    Looking up a built-in kind imports no other package; going over all of them does. Kinds that cannot be used are
    left out; `broken` tells which.

    Args:
        built_in: the program's own kinds.
    """

    def __init__(self, built_in: Mapping[str, type[Node]]) -> None:
        self.built_in = dict(built_in)

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
        entries = self._entries.get(word)
        return None if word in self.built_in or not entries else _origin(entries[0])

    def why_not(self, word: Any) -> Problem:
        """Why there is no such kind, for a graph that names it."""
        if not isinstance(word, str):
            return Problem("kind-unknown", "", "`stackcomp kinds` lists them all")
        found = self._found(word)
        if isinstance(found, BrokenKind):
            return found.problem
        shown = cut(word, 60)
        if _WORD.fullmatch(word) and word not in self.built_in:
            prefix = word.split(".")[0]
            near = [other for other in self if other.startswith(f"{prefix}.")]
            message = f'"{shown}" is a kind of a package, and none that is installed has it'
            way_out = (
                did_you_mean(word, near) if near else f'install the package whose kinds begin with "{prefix}."'
            )
            return Problem("kind-not-installed", message, way_out)
        near_all = did_you_mean(word, list(self))
        return Problem(
            "kind-unknown", f'there is no kind "{shown}"', near_all or "`stackcomp kinds` lists them all"
        )

    @functools.cached_property
    def _entries(self) -> dict[str, list[EntryPoint]]:
        """Entry points by word; what is found on the disk is read once for a process."""
        by_word: dict[str, list[EntryPoint]] = {}
        for entry in sorted(_entry_points(), key=lambda entry: (entry.name, str(_origin(entry)))):
            same = by_word.setdefault(entry.name, [])
            # A package that is installed twice, as an editable one beside a copy, is found twice.
            if not any(other.value == entry.value and _origin(other) == _origin(entry) for other in same):
                same.append(entry)
        return by_word

    @functools.cached_property
    def _loaded(self) -> dict[str, type[Node] | BrokenKind]:
        return {}

    def _found(self, word: str) -> type[Node] | BrokenKind | None:
        if word not in self._entries:
            return None
        if word not in self._loaded:
            self._loaded[word] = self._load(word, self._entries[word])
        return self._loaded[word]

    def _load(self, word: str, entries: list[EntryPoint]) -> type[Node] | BrokenKind:
        origin = _origin(entries[0])
        if len(entries) > 1:
            both = " and ".join(str(_origin(entry)) for entry in entries)
            return BrokenKind(word, origin, f"{both} both name it", "remove one of them")
        if not _WORD.fullmatch(word):
            example = f'"{origin.package.replace("-", "_").lower()}.{word}"'
            return BrokenKind(word, origin, "the name needs a prefix and a dot", f"call it {example} or the like")
        try:
            made = entries[0].load()
        except BaseException as error:  # a package may do anything while it is imported
            if isinstance(error, KeyboardInterrupt | MemoryError):
                raise
            return BrokenKind(word, origin, f"{entries[0].value}: {type(error).__name__}: {cut(str(error), 200)}")
        reason = "; ".join(_flaws(word, made))
        return BrokenKind(word, origin, f"{entries[0].value} {reason}") if reason else made


def _entry_points() -> Iterable[EntryPoint]:
    return entry_points(group=GROUP)


def _origin(entry: EntryPoint) -> Origin:
    return (
        Origin(entry.dist.name, entry.dist.version) if entry.dist is not None else Origin("an unknown package", "")
    )


def _flaws(word: str, made: object) -> Iterator[str]:
    """What keeps an object from being a kind of that word."""
    if not isinstance(made, type) or not issubclass(made, Node):
        yield "is not a class that derives from stackcomp.nodes.Node"
        return
    if not issubclass(made, _FAMILIES) or made in _FAMILIES:
        names = ", ".join(family.__name__ for family in _FAMILIES)
        yield f"derives from none of {names}"
    words = get_args(made.model_fields["kind"].annotation)
    if words != (word,):
        yield f'needs the field kind: Literal["{word}"] = "{word}"'
    if not inspect.cleandoc(vars(made).get("__doc__") or "").strip():
        yield "has no docstring, which `stackcomp kinds` shows"
    if made.model_fields["about"].annotation is not str:
        yield 'changes the field "about", which is a note for people'
    if vars(made).get("model_config", Node.model_config).get("extra") != "forbid":
        yield "allows fields that it does not know"
    if inspect.isabstract(made):
        yield "is abstract"
    required = {Node: ("result",), AreaNode: ("compute", "needs"), SourceNode: ("produce",), ViewNode: ("picks",)}
    for family, methods in required.items():
        if issubclass(made, family):
            yield from (
                f"does not say its {method}"
                for method in methods
                if getattr(made, method) is getattr(family, method)
            )
    if issubclass(made, PixelNode) and made.function is None and made.pixel_function is PixelNode.pixel_function:
        yield "has no pixel function"
