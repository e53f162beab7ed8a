"""Which names in a folder are frames of one sequence."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

from stackcomp.files.escaping import escaped

__all__ = ["Sequence", "sequences_of"]

_NUMBER = re.compile(r"\d+")


@dataclass(frozen=True)
class Sequence:
    """Names that differ in one number only.

    Attributes:
        before: the text before the number.
        behind: the text after it.
        frames: the numbers, ascending.
        names: the name of each.
    """

    before: str
    behind: str
    frames: tuple[int, ...]
    names: tuple[str, ...]

    @property
    def pattern(self) -> str:
        """The sequence as a graph writes it, with a frame token."""
        widths = {len(name) - len(self.before) - len(self.behind) for name in self.names}
        width = widths.pop()
        token = "{frame}" if widths or width == 1 else f"{{frame:0{width}d}}"
        return f"{escaped(self.before)}{token}{escaped(self.behind)}"

    @property
    def existing(self) -> str:
        """A clause about its frames: ``frames 1001–1004 exist, 1 between them is missing``."""
        return self._clause("")

    @property
    def description(self) -> str:
        """A clause about its frames with its name: ``frames 1001–1004 of "plate.{frame:04d}.exr" exist``."""
        return self._clause(f' of "{self.pattern}"')

    def _clause(self, name: str) -> str:
        if len(self.frames) == 1:
            return f"frame {self.frames[0]}{name} exists"
        missing = self.frames[-1] - self.frames[0] + 1 - len(self.frames)
        span = f"frames {self.frames[0]}–{self.frames[-1]}{name} exist"
        return span + (f", {missing} between them {'is' if missing == 1 else 'are'} missing" if missing else "")

    def matches_except_number(self, name: str) -> bool:
        """Whether a name is this sequence with other text in place of the number, or without a number."""
        if name == self.before.rstrip("._- ") + self.behind:
            return True
        inside = len(name) > len(self.before) + len(self.behind)
        return bool(self.before) and inside and name.startswith(self.before) and name.endswith(self.behind)


def sequences_of(names: Iterable[str]) -> list[Sequence]:
    """Return the sequences among names; every name with a number before its suffix belongs to one.

    A name with several numbers belongs to the sequence that has the most names: shot_010.1001.exr belongs to the
    sequence of its frames, not of its shots. If two are equally long, the last number counts.
    """
    listed = list(names)
    keys = {name: _keys(name) for name in listed}
    sizes = Counter(key for candidates in keys.values() for key in candidates)
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for name, candidates in keys.items():
        if candidates:
            groups[max(reversed(candidates), key=sizes.__getitem__)].append(name)
    sequences = []
    for (before, behind), members in groups.items():
        numbered = sorted((int(name[len(before) : len(name) - len(behind)]), name) for name in members)
        frames, ordered = zip(*numbered, strict=True)
        sequences.append(Sequence(before, behind, frames, ordered))
    return sequences


def _keys(name: str) -> list[tuple[str, str]]:
    stem = len(PurePath(name).stem)
    return [(name[: m.start()], name[m.end() :]) for m in _NUMBER.finditer(name) if m.end() <= stem]
