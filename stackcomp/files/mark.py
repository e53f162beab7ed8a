"""The mark in every file that this program writes: by it such a file is told from everybody else's.

A mark says which program wrote the file, as what, and, for a delivery, for which graph and shot. It stands

====  ============================================================================================
EXR   in the attribute ``stackcomp/mark``
PNG   in a ``tEXt`` chunk under the keyword ``Software``
TIFF  in tag 305, ``Software``
JPEG  in a comment segment
JSON  in a field: ``program`` of a dump's report, ``written by`` under a file's findings, ``$comment`` of a
      schema
====  ============================================================================================

In pictures it is one line, such as
``stackcomp 0.1.0; delivery; graph 8c1f0a52b7d94e36; reads 5a0c1e77*91b3c0d2; bytes 000000000183402``.
The last number is the length of the file. Many programs copy such lines from a picture that they open into the
one that they save; the length does not agree then, and the new file is not taken for ours. Graph and shot are
hashes: no path and no clock time is recorded, so the same inputs give the same bytes.

Reading a mark decodes no pixel and never fails: a file that is damaged, cut short or cannot be opened has none.

Sources: PNG (W3C Recommendation, third edition) 11.3.3 "Textual information"; TIFF 6.0, section 2 and tag 305;
JPEG (ITU-T T.81) B.2.4.5 "Comment"; "OpenEXR File Layout".
"""

from __future__ import annotations

import json
import os
import re
import stat
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

from stackcomp.version import __version__

__all__ = ["ATTRIBUTE", "Mark", "MarkKind", "Source", "in_jpeg", "in_png", "program", "read", "seal"]

MarkKind = Literal["delivery", "picture", "dump", "measurement", "report", "findings", "schema"]

#: Name of the attribute in OpenEXR headers.
ATTRIBUTE = "stackcomp/mark"

_PNG, _JPEG, _EXR = b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"\x76\x2f\x31\x01"
_LINE = re.compile(
    r"stackcomp \S+; (?P<kind>\w+); graph (?P<graph>[0-9a-f]+|-); reads (?P<reads>[0-9a-f*. ]+|-); "
    r"bytes (?P<length>\d{15})"
)
_SOURCE = re.compile(r"([0-9a-f]+)([*.])([0-9a-f]+)")
_DIGITS = 15
_MOST_SOURCES = 64
# Chunks or segments before a mark; ours have it among the first.
_MOST_BLOCKS = 256
_LARGEST_JSON = 64 << 20


def program() -> str:
    """Name and version of the program."""
    return f"stackcomp {__version__}"


@dataclass(frozen=True, order=True)
class Source:
    """What a graph reads, as hashes.

    Attributes:
        written: of the path as the graph has it, variables not filled in.
        filled: of the path that came of it.
        sequence: whether it has a file for each frame.
    """

    written: str
    filled: str
    sequence: bool

    def __str__(self) -> str:
        return f"{self.written}{'*' if self.sequence else '.'}{self.filled}"


@dataclass(frozen=True)
class Mark:
    """Who wrote a file, and as what.

    Attributes:
        kind: ``delivery`` of a deliver node; ``picture`` of any other node; picture of a ``dump`` or of a
            ``measurement``; ``report`` of a dump, ``findings`` of measuring, ``schema`` (these three in JSON).
        graph: hash that stands for the graph file; empty where there is none.
        reads: what the graph reads by way of variables.
    """

    kind: MarkKind
    graph: str = ""
    reads: frozenset[Source] = frozenset()

    def line(self, length: int = 0) -> str:
        """The mark as text, for a file of that many bytes."""
        reads = " ".join(str(source) for source in sorted(self.reads)[:_MOST_SOURCES])
        head = f"{program()}; {self.kind}; graph {self.graph or '-'}; reads {reads or '-'}"
        return f"{head}; bytes {length:0{_DIGITS}d}"


# -- writing -------------------------------------------------------------------------------------------------


def in_png(data: bytes, mark: Mark) -> bytes:
    """A PNG file with the mark in it."""

    def chunk(length: int) -> bytes:
        body = b"tEXtSoftware\0" + mark.line(length).encode("latin-1")
        return struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))

    # The header chunk is always the first, and always has 13 bytes.
    at = len(_PNG) + 12 + 13
    return data[:at] + chunk(len(data) + len(chunk(0))) + data[at:]


def in_jpeg(data: bytes, mark: Mark) -> bytes:
    """A JPEG file with the mark in it."""

    def segment(length: int) -> bytes:
        body = mark.line(length).encode("latin-1")
        return b"\xff\xfe" + struct.pack(">H", len(body) + 2) + body

    # Segments of applications come first; some readers look for theirs at the very beginning.
    at = 2
    while data[at] == 0xFF and 0xE0 <= data[at + 1] <= 0xEF:
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return data[:at] + segment(len(data) + len(segment(0))) + data[at:]


def seal(path: str | os.PathLike[str]) -> None:
    """Write the length of the file into the mark that it has, where the library that wrote it could not.

    Raises:
        OSError: the file cannot be changed.
        ValueError: there is no mark in it.
    """
    with Path(path).open("r+b") as file:
        size = os.fstat(file.fileno()).st_size
        found = _found(file)
        if found is None:
            raise ValueError("the mark of the program is not where it was put")
        at, line = found
        file.seek(at + len(line.rstrip(b"\0")) - _DIGITS)
        file.write(f"{size:0{_DIGITS}d}".encode())


# -- reading -------------------------------------------------------------------------------------------------


def read(path: str | os.PathLike[str]) -> Mark | None:
    """The mark of a file; None where it has none, whatever the reason."""
    try:
        state = os.stat(path)
        # Anything else, such as a pipe, might never answer.
        if not stat.S_ISREG(state.st_mode):
            return None
        with Path(path).open("rb") as file:
            if file.read(64).lstrip()[:1] == b"{":
                return _of_json(Path(path), state.st_size)
            found = _found(file)
    except (OSError, ValueError, LookupError, struct.error, RecursionError, MemoryError):
        return None
    return None if found is None else _parsed(found[1].rstrip(b"\0").decode("latin-1"), state.st_size)


def _parsed(line: str, size: int) -> Mark | None:
    match = _LINE.fullmatch(line)
    kinds: dict[str, MarkKind] = {"delivery": "delivery", "picture": "picture", "dump": "dump",
                                  "measurement": "measurement"}  # fmt: skip
    if match is None or match["kind"] not in kinds or int(match["length"]) != size:
        return None
    reads = frozenset(Source(a, b, sign == "*") for a, sign, b in _SOURCE.findall(match["reads"]))
    return Mark(kinds[match["kind"]], match["graph"].strip("-"), reads)


def _of_json(path: Path, size: int) -> Mark | None:
    if size > _LARGEST_JSON:
        return None
    told = json.loads(path.read_bytes())
    if not isinstance(told, dict):
        return None
    found = told.get("found")
    places: tuple[tuple[MarkKind, Any], ...] = (
        ("report", told.get("program") if "dump" in told else None),
        ("findings", found.get("written by") if isinstance(found, dict) else None),
        ("schema", told.get("$comment") if "$defs" in told else None),
    )
    return next((Mark(kind) for kind, text in places if isinstance(text, str) and text.startswith("stackcomp ")),
                None)  # fmt: skip


def _found(file: BinaryIO) -> tuple[int, bytes] | None:
    """Where in a picture the text of its mark begins, and the text."""
    file.seek(0)
    start = file.read(8)
    if start == _PNG:
        return next(_texts_of_png(file), None)
    if start[:3] == _JPEG:
        return next(_comments_of_jpeg(file), None)
    if start[:4] == _EXR:
        return _of_exr(file)
    if start[:2] in (b"II", b"MM"):
        return _of_tiff(file, start)
    return None


def _texts_of_png(file: BinaryIO) -> Iterator[tuple[int, bytes]]:
    for _ in range(_MOST_BLOCKS):
        length, kind = struct.unpack(">I4s", file.read(8))
        at = file.tell()
        if kind == b"IDAT":
            return
        if kind == b"tEXt":
            keyword, _, text = file.read(min(length, 1 << 16)).partition(b"\0")
            if keyword == b"Software" and text.startswith(b"stackcomp "):
                yield at + len(keyword) + 1, text
        file.seek(at + length + 4)


def _comments_of_jpeg(file: BinaryIO) -> Iterator[tuple[int, bytes]]:
    file.seek(2)
    for _ in range(_MOST_BLOCKS):
        lead, kind, length = struct.unpack(">BBH", file.read(4))
        at = file.tell()
        if lead != 0xFF or kind == 0xDA or length < 2:
            return
        if kind == 0xFE:
            text = file.read(length - 2)
            if text.startswith(b"stackcomp "):
                yield at, text
        file.seek(at + length - 2)


def _of_exr(file: BinaryIO) -> tuple[int, bytes] | None:
    # Headers are some kilobytes, but for files with thousands of channels.
    for most in (1 << 16, 1 << 22):
        file.seek(0)
        head = file.read(most)
        try:
            return _attribute(head)
        except (LookupError, ValueError, struct.error):
            if len(head) < most:
                raise
    return None


def _attribute(head: bytes) -> tuple[int, bytes] | None:
    at = 8
    while head[at]:
        name_ends = head.index(0, at)
        type_ends = head.index(0, name_ends + 1)
        (length,) = struct.unpack_from("<i", head, type_ends + 1)
        value = type_ends + 5
        if length < 0 or value + length > len(head):
            raise ValueError(length)
        if head[at:name_ends] == ATTRIBUTE.encode():
            return value, head[value : value + length]
        at = value + length
    return None


def _of_tiff(file: BinaryIO, start: bytes) -> tuple[int, bytes] | None:
    order = "<" if start[:2] == b"II" else ">"
    (version,) = struct.unpack_from(order + "H", start, 2)
    if version not in (42, 43):
        return None
    # 43 is the form for files beyond 4 GiB: every offset and count has 8 bytes.
    word, count_of = ("I", "H") if version == 42 else ("Q", "Q")
    width = struct.calcsize(word)
    file.seek(4 if version == 42 else 8)
    file.seek(struct.unpack(order + word, file.read(width))[0])
    entries = struct.unpack(order + count_of, file.read(struct.calcsize(count_of)))[0]
    entry = 4 + 2 * width
    table = file.read(entry * min(entries, 4096))
    for at in range(0, len(table), entry):
        tag, kind, length, value = struct.unpack_from(f"{order}HH{word}{word}", table, at)
        if (tag, kind) == (305, 2):
            file.seek(value)
            return value, file.read(min(length, 1 << 16))
    return None
