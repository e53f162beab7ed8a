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
    """Names that differ in one number alone.

    Attributes:
        before: what stands before the number.
        behind: what stands behind it.
        frames: the numbers, rising.
        names: the name of each.
    """

    before: str
    behind: str
    frames: tuple[int, ...]
    names: tuple[str, ...]

    @property
    def pattern(self) -> str:
        """The names as one, as a graph writes it."""
        widths = {len(name) - len(self.before) - len(self.behind) for name in self.names}
        width = widths.pop()
        token = "{frame}" if widths or width == 1 else f"{{frame:0{width}d}}"
        return f"{escaped(self.before)}{token}{escaped(self.behind)}"

    @property
    def extent(self) -> str:
        """That its frames are there, in words."""
        if len(self.frames) == 1:
            return f"frame {self.frames[0]} is there"
        holes = self.frames[-1] - self.frames[0] + 1 - len(self.frames)
        span = f"frames {self.frames[0]}–{self.frames[-1]} are there"
        return span + (f", with {holes} missing between" if holes else "")

    @property
    def told(self) -> str:
        """That it is there, in words, with its name."""
        return f'of "{self.pattern}" {self.extent}'

    def written_otherwise(self, name: str) -> bool:
        """Whether a name is this sequence with something else where the number belongs, or without a number."""
        if name == self.before.rstrip("._- ") + self.behind:
            return True
        inside = len(name) > len(self.before) + len(self.behind)
        return bool(self.before) and inside and name.startswith(self.before) and name.endswith(self.behind)


def sequences_of(names: Iterable[str]) -> list[Sequence]:
    """The sequences among names, one for each name that holds a number before its ending.

    A name that holds several numbers belongs to the sequence that has the most names: shot_010.1001.exr to
    that of its frames, not of its shots. Of equal ones the last number counts.
    """
    listed = list(names)
    keys = {name: _keys(name) for name in listed}
    sizes = Counter(key for several in keys.values() for key in several)
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for name, several in keys.items():
        if several:
            groups[max(reversed(several), key=sizes.__getitem__)].append(name)
    found = []
    for (before, behind), members in groups.items():
        numbered = sorted((int(name[len(before) : len(name) - len(behind)]), name) for name in members)
        frames, ordered = zip(*numbered, strict=True)
        found.append(Sequence(before, behind, frames, ordered))
    return found


def _keys(name: str) -> list[tuple[str, str]]:
    stem = len(PurePath(name).stem)
    return [(name[: m.start()], name[m.end() :]) for m in _NUMBER.finditer(name) if m.end() <= stem]
