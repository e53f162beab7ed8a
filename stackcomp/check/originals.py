"""Originals: whether a file may be written over. Asked here, before anything is computed, by all that writes.

Three rules, for every file that is to be written and is there already (or belongs to a sequence that is read):

1. **What is read is never written over**, and nothing allows it: a file, any frame of a sequence, rendered now or
   not. It is the same file under any name: through links of both kinds, with ``..`` in its path, in capitals
   where the file system does not tell them apart.
2. **What this program did not write is refused**, unless the caller says that it may be replaced. A file is ours
   when it carries our mark (`stackcomp.files.mark`); one that is damaged or cut short counts as not ours,
   and so does a link whose target does not exist. An empty file may be replaced.
3. **A delivery is finished work.** It is replaced by another delivery of the same graph file for the same shot,
   however much the graph was changed in between. Another graph file, the same one for another shot, or a picture
   that is only looked at is refused like rule 2, with the same way to allow it.

A graph file is known by its place below the root folder (by its name alone outside of it). A graph that was
built in Python and never saved has none: it replaces deliveries of other such graphs, and any graph replaces its
deliveries. The shot is known by the files that variables lead to: it is another one when sequences whose paths
hold variables lead to other files than before, and nothing that is read through a variable stayed. So a changed
path in the graph, another version of the CG by a variable beside the same plate, or other numbers are still the
same shot.

Pictures to be looked at (of nodes, dumps and measurements) replace each other; findings, reports, schemas and the
references of tests only their own kind. Graph files are not outputs: `stackcomp.document.graph.Graph.save` asks
separately.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from stackcomp.errors import BadValueError, Problem
from stackcomp.files import mark as marks
from stackcomp.files.mark import Mark
from stackcomp.files.paths import FramePath, resolve

__all__ = ["Reading", "RealPaths", "Writing", "refusals"]

#: Stands for any frame in a path; no folder is likely to have it in its name.
_ANY_FRAME = 987_654_321
_MOST_LISTED = 3
_PICTURES = ("delivery", "picture", "dump", "measurement")
_WORDS = {
    "reference": "a reference of tests",
    "report": "the report of a dump",
    "findings": "findings of measuring",
    "schema": "a schema",
    "camera": "a camera",
    "track": "a track",
    "grain": "grain",
    "corrections": "colour corrections",
    "page": "a page",
}

_ELSEWHERE = "write to another folder or name"
_KEEP = f"originals are never overwritten; {_ELSEWHERE}"


@dataclass(frozen=True)
class Reading:
    """Something that is read.

    Attributes:
        path: a file; or a sequence, with frame tokens. From the root folder where relative.
        description: what it is, for messages, such as ``what node "plate" reads``.
        sequence: whether the path may hold frame tokens; else it is taken as it is.
    """

    path: str
    description: str
    sequence: bool = False


@dataclass(frozen=True)
class Writing:
    """A file that is to be written.

    Attributes:
        path: the file.
        mark: what it will be marked as.
        node: for the finding, or empty.
        field: likewise.
        damaged: whether what is there is known to be a damaged file of this program, which may be replaced.
    """

    path: Path
    mark: Mark
    node: str = ""
    field: str = ""
    damaged: bool = False


def refusals(
    writings: Iterable[Writing],
    readings: Iterable[Reading],
    root: str | os.PathLike[str] = ".",
    *,
    replace_foreign: bool = False,
    allow: str = "replace_foreign=True lets it be replaced",
) -> list[Problem]:
    """What speaks against writing these files; nothing is changed, and no pixel is read.

    Args:
        writings: files to be written.
        readings: files and sequences that are read.
        root: folder for relative paths of readings.
        replace_foreign: whether rules 2 and 3 are waived.
        allow: how a person waives them, for messages.

    Returns:
        One finding for each node and reason, with the first few files and the number of the others.
    """
    known = _Known(readings, Path(root))
    groups: dict[tuple[str, str, str, str], list[Path]] = {}
    for writing in writings:
        use = known.description(writing.path)
        if use:
            rule, reason = "overwrites-input", use
        elif replace_foreign or writing.damaged:
            continue
        else:
            rule, reason = _refusal(writing)
        if rule:
            groups.setdefault((writing.node, writing.field, rule, reason), []).append(writing.path)
    way_out = f"{_ELSEWHERE}; {allow}"
    return [
        Problem(rule, f"would write {_listed(paths)} over {reason}", _KEEP, node=node, field=field)
        if rule == "overwrites-input"
        else Problem(rule, f"would replace {_listed(paths)}, {reason}", way_out, node=node, field=field)
        for (node, field, rule, reason), paths in groups.items()
    ]


def _listed(paths: Sequence[Path]) -> str:
    shown = [str(path) for path in dict.fromkeys(paths)]
    left = len(shown) - _MOST_LISTED
    if left > 0:
        return f"{', '.join(shown[:_MOST_LISTED])} and {left} more"
    return " and ".join(filter(None, (", ".join(shown[:-1]), shown[-1])))


# -- rules 2 and 3 -------------------------------------------------------------------------------------------


def _refusal(writing: Writing) -> tuple[str, str]:
    """The rule that forbids it and why; two empty texts where it is allowed."""
    state = _state(writing.path)
    if state is None:
        gone = not os.path.islink(writing.path)
        return ("", "") if gone else ("replaces-foreign", "a link that leads nowhere")
    # A folder is never written over: writing the file reports that. An empty file may be replaced.
    if stat.S_ISDIR(state.st_mode) or (stat.S_ISREG(state.st_mode) and state.st_size == 0):
        return "", ""
    there = marks.read(writing.path)
    if there is None:
        return "replaces-foreign", "which stackcomp did not write"
    return _between(writing.mark, there)


def _between(new: Mark, there: Mark) -> tuple[str, str]:
    if there.kind == "delivery":
        if new.kind != "delivery":
            return "replaces-delivery", "which a deliver node wrote, with what is only to be looked at"
        if there.graph and there.graph != new.graph:
            return "replaces-delivery", "which another graph delivered"
        if _another_shot(new, there):
            return (
                "replaces-delivery",
                "delivered for another shot (variables lead to other files now)",
            )
        return "", ""
    if there.kind == new.kind or {there.kind, new.kind} <= set(_PICTURES):
        return "", ""
    return "replaces-other", f"which holds {_WORDS.get(there.kind, 'a picture')}"


def _another_shot(new: Mark, there: Mark) -> bool:
    before = {source.written: source for source in there.reads}
    both = [(before[source.written], source) for source in new.reads if source.written in before]
    return any(source.sequence for _, source in both) and all(old.filled != now.filled for old, now in both)


# -- rule 1 --------------------------------------------------------------------------------------------------


class RealPaths:
    """Paths with links followed; folders, which many paths share, are looked up once."""

    def __init__(self) -> None:
        self._folders: dict[str, str] = {}

    def __call__(self, path: str | os.PathLike[str]) -> str:
        """The path as the file system has it."""
        here = self.named(path)
        return os.path.normcase(os.path.realpath(here)) if os.path.islink(here) else here

    def named(self, path: str | os.PathLike[str]) -> str:
        """The same, but a file that is a link itself keeps its own name."""
        folder, name = os.path.split(path)
        if name in ("", ".", ".."):
            return os.path.normcase(os.path.realpath(path))
        if folder not in self._folders:
            self._folders[folder] = os.path.realpath(folder)
        return os.path.normcase(os.path.join(self._folders[folder], name))


class _Sequence:
    """A file for each frame."""

    def __init__(self, path: str, root: Path, real: RealPaths) -> None:
        self.path, self.root, self.real = path, root, real
        self.stand_in = real.named(resolve(root, path, _ANY_FRAME))
        self.pattern = re.compile(_pattern(self.stand_in))

    def holds(self, text: str) -> bool:
        """Whether it is the path of a frame: 0001 is one of ``{frame:04d}``, 001 is not."""
        match = self.pattern.fullmatch(text)
        return match is not None and self.real.named(resolve(self.root, self.path, int(match[1]))) == text

    def files(self) -> Iterator[os.DirEntry[str]]:
        """Files of the sequence that exist, of any frame."""
        path = Path(self.stand_in)
        for entry in _entries(Path(path.anchor), path.parts[1:] if path.anchor else path.parts):
            if self.holds(os.path.normcase(entry.path)):
                yield entry


class _Known:
    """All that is read, to look a path up in."""

    def __init__(self, readings: Iterable[Reading], root: Path) -> None:
        self.real = RealPaths()
        self.files: dict[str, str] = {}
        self.sequences: list[tuple[_Sequence, str]] = []
        for reading in readings:
            path = root / reading.path
            # A path that cannot be parsed is reported where it is read.
            with contextlib.suppress(BadValueError):
                if reading.sequence and FramePath(reading.path).has_frame:
                    self.sequences.append((_Sequence(reading.path, root, self.real), reading.description))
                    continue
                if reading.sequence:
                    path = resolve(root, reading.path, _ANY_FRAME)
            self.files.setdefault(self.real(path), reading.description)

    def description(self, path: Path) -> str:
        """What is read at a path; empty where nothing is."""
        for text in dict.fromkeys((self.real(path), self.real.named(path))):
            if text in self.files:
                return self.files[text]
            for sequence, use in self.sequences:
                if sequence.holds(text):
                    return use
        state = _state(path)
        return self._identities.get((state.st_dev, state.st_ino), "") if state and state.st_ino else ""

    @cached_property
    def _identities(self) -> dict[tuple[int, int], str]:
        """Device and inode of each file that exists, with what it is: a second name on the disk is the same file.

        Only computed when a file that exists would be written over.
        """
        uses: dict[tuple[int, int], str] = {}
        for sequence, use in self.sequences:
            devices: dict[str, int | None] = {}
            for entry in sequence.files():
                folder = os.path.dirname(entry.path)
                if folder not in devices:
                    state = _state(folder)
                    devices[folder] = state.st_dev if state else None
                device = devices[folder]
                if entry.is_symlink() or device is None:
                    state = _state(entry.path)
                    if state:
                        uses.setdefault((state.st_dev, state.st_ino), use)
                else:
                    # The listing of the folder has the inodes, so that no file needs a call of its own.
                    uses.setdefault((device, entry.inode()), use)
        for text, use in self.files.items():
            state = _state(text)
            if state:
                uses.setdefault((state.st_dev, state.st_ino), use)
        return uses


def _state(path: str | os.PathLike[str]) -> os.stat_result | None:
    try:
        return os.stat(path)
    except (OSError, ValueError):
        return None


def _pattern(text: str) -> str:
    return re.sub(f"0*{_ANY_FRAME}", r"(-?\\d+)", re.escape(text))


def _entries(folder: Path, parts: Sequence[str]) -> Iterator[os.DirEntry[str]]:
    """Files that exist under a path in which `_ANY_FRAME` stands for any number."""
    numbered = next((k for k, part in enumerate(parts) if str(_ANY_FRAME) in part), None)
    if numbered is None:
        # Behind the last folder with a number comes one name without: it is looked up in its own folder.
        numbered = len(parts) - 1
    folder = folder.joinpath(*parts[:numbered])
    pattern = re.compile(_pattern(parts[numbered]))
    try:
        with os.scandir(folder) as listed:
            entries = [entry for entry in listed if pattern.fullmatch(os.path.normcase(entry.name))]
    except OSError:
        return
    for entry in entries:
        if numbered + 1 < len(parts):
            yield from _entries(folder / entry.name, parts[numbered + 1 :])
        else:
            yield entry
