"""Which frames are to be rendered, and why: what is missing, damaged or out of date."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from stackcomp.batch.fingerprint import NodeHashes, file_record, inputs_of
from stackcomp.batch.ledger import Entry, Ledger
from stackcomp.batch.record import FileRecord
from stackcomp.batch.work import Work
from stackcomp.errors import FileError
from stackcomp.files.file_hash import hash_of_beginning
from stackcomp.kernels.strips import thread_count
from stackcomp.version import __version__

__all__ = ["FrameState", "Status", "states_of"]

Status = Literal["done", "missing", "failed", "damaged", "out of date", "again"]
_AGAIN: tuple[Status, str] = ("again", "it was asked for")
_MOST_NAMED = 3


@dataclass(frozen=True)
class FrameState:
    """A frame as the ledger and the disk have it.

    Attributes:
        shot: name of the shot.
        frame: its number.
        status: ``"done"``, or why it is to be rendered: ``"missing"`` (never rendered, or files are gone),
            ``"failed"`` (the last time), ``"damaged"`` (its files are not those that were written), ``"out of
            date"`` (what it depends on has changed), ``"again"`` (asked for).
        why: the same in words, for a person.
        outputs: its files.
        nodes: hash by node.
        entry: what the ledger has of it, or None.
        real: its files as the ledger knows them.
    """

    shot: str
    frame: int
    status: Status
    why: str
    outputs: tuple[Path, ...]
    nodes: Mapping[str, str]
    entry: Entry | None = None
    real: Mapping[Path, str] = field(default_factory=dict)

    @property
    def damaged(self) -> list[Path]:
        """Its files that this program wrote and that are no whole pictures any more.

        A picture that another program has saved in their place is not among them: somebody may have worked on it.
        """
        if not self.due or self.entry is None:
            return []
        records = {record.path: record for record in self.entry.files}
        known = [(path, records.get(self.real.get(path, ""))) for path in self.outputs]
        read = self.status == "damaged"
        return [path for path, record in known if record is not None and _may_be_damaged(path, record, read)]

    @property
    def due(self) -> bool:
        """Whether it is to be rendered."""
        return self.status != "done"


def states_of(
    work: Work,
    frames: Iterable[int],
    ledger: Ledger,
    entries: Mapping[str, Entry],
    *,
    again: bool = False,
    checksums: bool = False,
) -> list[FrameState]:
    """The states of a shot's frames.

    A file counts as unchanged while size and time of change are; where these differ, its contents decide.

    Args:
        work: the shot.
        frames: frame numbers.
        ledger: knows frames by their outputs.
        entries: all that it knows.
        again: all frames are to be rendered.
        checksums: read every file, and compare its contents.
    """
    hashes = NodeHashes(work)
    known = _Contents(checksums)
    outputs_of = {frame: tuple(work.outputs(frame)) for frame in frames}
    entry_of = {frame: entries.get(ledger.key(outputs)) for frame, outputs in outputs_of.items()}
    if checksums and not again:
        known.read_all(entry for entry in entry_of.values() if entry is not None)
    states = []
    for frame, outputs in outputs_of.items():
        nodes, entry = hashes.at(frame), entry_of[frame]
        reads = {ledger.real(path) for path in inputs_of(work, frame)} if entry is not None else set()
        status, why = _AGAIN if again else _state(outputs, nodes, reads, entry, known)
        real = {path: ledger.real(path) for path in outputs}
        states.append(FrameState(work.name, frame, status, why, outputs, nodes, entry, real))
    return states


class _Contents:
    """Compares files with what is known of them; each file is read once, and only if need be."""

    def __init__(self, checksums: bool) -> None:
        self._checksums = checksums
        self._hashes: dict[str, str | None] = {}
        self._states: dict[str, os.stat_result | None] = {}

    def changed(self, record: FileRecord) -> str:
        """What is different: ``"is missing"``, ``"has changed"``, or nothing."""
        state = self._state(record.path)
        if state is None:
            return "is missing"
        if state.st_size != record.size:
            return "has changed"
        if state.st_mtime_ns == record.modified and not self._checksums:
            return ""
        if record.path not in self._hashes:
            self._hashes[record.path] = _hash(record.path)
        return "" if self._hashes[record.path] == record.hash else "has changed"

    def read_all(self, entries: Iterable[Entry]) -> None:
        """Read all files that some frames are about, several at a time."""
        paths = list({record.path for entry in entries for record in (*entry.files, *entry.inputs)})
        with ThreadPoolExecutor(thread_count()) as pool:
            self._hashes.update(zip(paths, pool.map(_hash, paths), strict=True))

    def _state(self, path: str) -> os.stat_result | None:
        if path not in self._states:
            try:
                self._states[path] = os.stat(path)
            except (OSError, ValueError):
                self._states[path] = None
        return self._states[path]


def _hash(path: str) -> str | None:
    """Hash of a file; None where it cannot be read."""
    try:
        return file_record(Path(path)).hash
    except FileError:
        return None


def _may_be_damaged(path: Path, record: FileRecord, read: bool) -> bool:
    """The same; a file whose size and time are as they were is read only if it must be."""
    try:
        state = path.stat()
    except OSError:
        return False
    changed = (state.st_size, state.st_mtime_ns) != (record.size, record.modified)
    return (read or changed) and _is_damaged(path, record)


def _is_damaged(path: Path, record: FileRecord) -> bool:
    """Whether a file is what was written with something behind it, or cannot be read."""
    from stackcomp.files import picture_file, png

    try:
        if hash_of_beginning(path, record.size).hex() == record.hash:
            return True
        header, state = picture_file.header_of(path)
        picture_file.planes(path, header.channels, state)
        if header.format == "PNG":
            png.require_whole(path)
    except OSError:
        return False
    except FileError:
        return True
    return False


def _state(
    outputs: Iterable[Path],
    nodes: Mapping[str, str],
    reads: Collection[str],
    entry: Entry | None,
    contents: _Contents,
) -> tuple[Status, str]:
    if entry is None:
        there = [path for path in outputs if path.exists()]
        return "missing", "the ledger does not know it" if there else "it was not rendered yet"
    if not entry.done:
        return "failed", f"it failed: {entry.reason}"
    if change := _first(entry.files, contents.changed):
        path, how = change
        return ("missing", f"{path} is missing") if how == "is missing" else ("damaged", f"{path} {how}")
    if entry.program != __version__:
        return "out of date", f"it was made by stackcomp {entry.program}"
    if changed := _changed_nodes(entry.nodes, nodes):
        return "out of date", changed
    before = {record.path for record in entry.inputs}
    if before != set(reads):
        new = sorted(set(reads) - before)
        return "out of date", f"it reads {_named(new)} now" if new else "it reads fewer files now"
    if change := _first(entry.inputs, contents.changed):
        return "out of date", " ".join(change)
    return "done", ""


def _first(files: Iterable[FileRecord], changed: Callable[[FileRecord], str]) -> tuple[str, str] | None:
    for file in files:
        if how := changed(file):
            return file.path, how
    return None


def _changed_nodes(before: Mapping[str, str], now: Mapping[str, str]) -> str:
    if before == now:
        return ""
    if before.get("") != now.get(""):
        return "the working space, colour config or frame rate of the graph has changed"
    changed = [name for name in now if name in before and before[name] != now[name]]
    new = [name for name in now if name not in before]
    gone = [name for name in before if name not in now]
    for names, what in ((changed, "changed"), (new, "new"), (gone, "gone")):
        if names:
            plural = len(names) > 1
            verb = {"changed": "have changed" if plural else "has changed"}.get(
                what, f"are {what}" if plural else f"is {what}"
            )
            return f"node{'s' if plural else ''} {_named(names)} {verb}"
    return ""


def _named(names: list[str]) -> str:
    listed = ", ".join(f'"{name}"' for name in names[:_MOST_NAMED])
    left = len(names) - _MOST_NAMED
    return listed + (f" and {left} more" if left > 0 else "")
