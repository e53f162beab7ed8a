"""The ledger: what is known of every frame that was delivered, in one SQLite file beside the output.

It is in WAL mode, so that it can be read while a batch writes it, and a process that dies leaves it whole. A row
is known by the files that it is about. Paths are relative to the folder of the ledger where they lie below it, so
that the whole folder may be moved.

Source: https://www.sqlite.org/wal.html (one writer and many readers; what a killed process leaves is recovered).
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import platform
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from stackcomp.batch.record import FileRecord, FrameRecord
from stackcomp.check.originals import RealPaths
from stackcomp.errors import FileError
from stackcomp.version import __version__

__all__ = ["Entry", "Ledger", "ledger_path"]

_VERSION = 1
_TABLES = """
CREATE TABLE IF NOT EXISTS about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS frames (
    outputs TEXT PRIMARY KEY,
    shot TEXT NOT NULL,
    frame INTEGER NOT NULL,
    done INTEGER NOT NULL,
    program TEXT NOT NULL,
    graph TEXT NOT NULL,
    nodes TEXT NOT NULL,
    inputs TEXT NOT NULL,
    files TEXT NOT NULL,
    seconds REAL NOT NULL,
    peak_memory INTEGER NOT NULL,
    warnings TEXT NOT NULL,
    reason TEXT NOT NULL,
    host TEXT NOT NULL,
    finished TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS deliveries (
    output TEXT PRIMARY KEY,
    source TEXT NOT NULL,
    file TEXT NOT NULL,
    finished TEXT NOT NULL
) WITHOUT ROWID;
"""
#: Seconds for which one process waits for another that writes.
_PATIENCE = 30.0


@dataclass(frozen=True)
class Entry:
    """What the ledger knows of a frame.

    Attributes:
        done: whether it was delivered; else it failed.
        program: version of stackcomp.
        nodes: hash by node, see `stackcomp.batch.fingerprint`.
        inputs: files that were read.
        files: files that were written.
        seconds: as in `FrameRecord`.
        peak_memory: as in `FrameRecord`.
        warnings: as in `FrameRecord`.
        reason: why it failed.
        finished: when, in UTC.
    """

    done: bool
    program: str
    nodes: Mapping[str, str]
    inputs: tuple[FileRecord, ...]
    files: tuple[FileRecord, ...]
    seconds: float
    peak_memory: int
    warnings: tuple[tuple[str, str], ...]
    reason: str
    finished: str


def ledger_path(stem: str, outputs: Iterable[Path], root: Path) -> Path:
    """Where the ledger of a batch lies: in the folder that all output has in common.

    A ledger of that name in one of the folders above an output is used as it is, so that a shot more or less does
    not begin a new one.

    Args:
        stem: name of the sequence file or the graph, without ending.
        outputs: files of some frame of every shot.
        root: folder of relative paths; where outputs have nothing else in common, the ledger lies with the first.
    """
    name = f"{stem}.ledger.sqlite"
    folders = list(dict.fromkeys(Path(os.path.abspath(path)).parent for path in outputs))
    for folder in folders:
        for above in (folder, *folder.parents):
            if (above / name).is_file():
                return above / name
    try:
        common = Path(os.path.commonpath(folders))
    except ValueError:  # Other drives, or none.
        common = folders[0]
    here = Path(os.path.abspath(root))
    nothing_in_common = len(common.parts) < 2 or (here != common and here.is_relative_to(common))
    return (folders[0] if nothing_in_common else common) / name


class Ledger:
    """An open ledger. Used as a context; every record is kept at once.

    Args:
        path: the file; made where it is missing, unless only to be read. root: the project's folder. Paths below
        it are kept relative to the ledger, so that the project may be moved. read_only: change nothing.

    Raises:
        FileError: it cannot be opened, or another program wrote it.
    """

    def __init__(self, path: Path, *, root: Path | None = None, read_only: bool = False) -> None:
        self._real = RealPaths()
        self.path = Path(self.real(path))
        self.folder = self.path.parent
        self._root = str(self.folder) if root is None else os.path.realpath(root)
        self._database = self._opened(read_only=read_only)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def real(self, path: str | os.PathLike[str]) -> str:
        """A path as the ledger knows it: absolute, with links of folders followed; a file keeps its own name."""
        return self._real.named(os.path.join(os.getcwd(), path))

    def _opened(self, *, read_only: bool) -> sqlite3.Connection:
        with self._explained("opened"):
            known = self._is_ledger()
            if read_only and not known:
                database = sqlite3.connect(":memory:", isolation_level=None)
            elif read_only:
                return self._for_reading()
            else:
                self.folder.mkdir(parents=True, exist_ok=True)
                database = sqlite3.connect(self.path, timeout=_PATIENCE, isolation_level=None)
            try:
                if not known:
                    database.executescript(f"BEGIN; {_TABLES} COMMIT;")
                    database.execute("INSERT OR IGNORE INTO about VALUES ('version', ?)", (str(_VERSION),))
                database.execute("PRAGMA journal_mode=WAL")
                # A power cut may lose the last records, whose frames are then rendered again; it damages nothing.
                database.execute("PRAGMA synchronous=NORMAL")
            except BaseException:
                database.close()
                raise
            return database

    def _for_reading(self) -> sqlite3.Connection:
        # Without a journal nobody writes, and the file is all there is; else memory is shared, which makes a file.
        quiet = not os.path.exists(f"{self.path}-wal")
        where = f"{self.path.as_uri()}?mode=ro" + ("&immutable=1" if quiet else "")
        return sqlite3.connect(where, uri=True, timeout=_PATIENCE, isolation_level=None)

    def _is_ledger(self) -> bool:
        """Whether the file holds a ledger of this version; False where there is nothing yet."""
        try:
            if self.path.stat().st_size == 0:
                return False
        except FileNotFoundError:
            return False
        database = self._for_reading()
        try:
            rows = database.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            tables = {name for (name,) in rows}
            if not tables:
                return False
            if not {"about", "frames", "deliveries"} <= tables:
                raise FileError(self.path, "it is a database of another program", "move it away")
            version = database.execute("SELECT value FROM about WHERE name = 'version'").fetchone()
        finally:
            database.close()
        if version != (str(_VERSION),):
            found = version[0] if version else "?"
            message = f"the ledger has format version {found}; this program knows {_VERSION}"
            raise FileError(self.path, message, "update stackcomp, or move the ledger away")
        return True

    @contextlib.contextmanager
    def _explained(self, what: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.DatabaseError as error:
            damaged = "malformed" in str(error) or "not a database" in str(error)
            way_out = (
                "move it away; all frames are then rendered again"
                if damaged
                else "check the disk, and who may write to the folder"
            )
            raise FileError(self.path, f"the ledger cannot be {what}: {error}", way_out) from error
        except OSError as error:
            message = f"the ledger cannot be {what}: {error.strerror}"
            raise FileError(self.path, message, "check who may write to the folder") from error

    # -- frames --------------------------------------------------------------------------------------------------

    def key(self, outputs: Sequence[Path]) -> str:
        """What a row is known by."""
        return json.dumps(sorted(self._relative(path) for path in outputs))

    def entries(self) -> dict[str, Entry]:
        """All rows by their key."""
        columns = "outputs, done, program, nodes, inputs, files, seconds, peak_memory, warnings, reason, finished"
        with self._explained("read"):
            rows = self._database.execute(f"SELECT {columns} FROM frames").fetchall()
        entries = {}
        shared: dict[str, dict[str, str]] = {}
        for key, done, program, nodes, inputs, files, seconds, memory, warnings, reason, finished in rows:
            try:
                if nodes not in shared:
                    shared[nodes] = json.loads(nodes)
                entries[key] = Entry(
                    bool(done),
                    program,
                    shared[nodes],
                    self._files(inputs),
                    self._files(files),
                    seconds,
                    memory,
                    tuple((node, message) for node, message in json.loads(warnings)),
                    reason,
                    finished,
                )
            except (ValueError, TypeError):
                # A row that cannot be read tells nothing: its frame is rendered again.
                continue
        return entries

    def record(self, outputs: Sequence[Path], nodes: Mapping[str, str], graph: str, frame: FrameRecord) -> None:
        """Keep what became of a frame.

        Args:
            outputs: its files, whether or not they were written.
            nodes: hash by node.
            graph: hash of the whole graph, as headers of OpenEXR files have it.
            frame: what became of it.
        """
        row = (
            self.key(outputs),
            frame.shot,
            frame.frame,
            frame.reason is None,
            __version__,
            graph,
            json.dumps(dict(nodes), sort_keys=True),
            self._listed(frame.inputs),
            self._listed(frame.files),
            frame.seconds,
            frame.peak_memory,
            json.dumps(frame.warnings),
            "" if frame.reason is None else frame.reason.message,
            platform.node(),
            _now(),
        )
        with self._explained("written"):
            self._database.execute(f"INSERT OR REPLACE INTO frames VALUES ({', '.join('?' * len(row))})", row)

    # -- movies and sheets ---------------------------------------------------------------------------------------

    def delivery(self, output: Path) -> tuple[str, FileRecord] | None:
        """What a movie or sheet was made from, and its file; None where it is not known."""
        with self._explained("read"):
            row = self._database.execute(
                "SELECT source, file FROM deliveries WHERE output = ?", (self._relative(output),)
            ).fetchone()
        return None if row is None else (row[0], self._files(f"[{row[1]}]")[0])

    def record_delivery(self, source: str, file: FileRecord) -> None:
        """Keep that a movie or sheet was made, and from what."""
        listed = self._listed([file])[1:-1]
        with self._explained("written"):
            self._database.execute(
                "INSERT OR REPLACE INTO deliveries VALUES (?, ?, ?, ?)",
                (self._relative(Path(file.path)), source, listed, _now()),
            )

    # -- paths ---------------------------------------------------------------------------------------------------

    def _relative(self, path: str | os.PathLike[str]) -> str:
        real = self.real(path)
        return os.path.relpath(real, self.folder) if real.startswith(self._root + os.sep) else real

    def _listed(self, files: Iterable[FileRecord]) -> str:
        return json.dumps([[self._relative(file.path), file.size, file.modified, file.hash] for file in files])

    def _files(self, text: str) -> tuple[FileRecord, ...]:
        listed: list[list[Any]] = json.loads(text)
        return tuple(
            FileRecord(os.path.normpath(os.path.join(self.folder, path)), size, modified, hash)
            for path, size, modified, hash in listed
        )


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
