"""The mark in every file that this program writes; files without it are foreign files.

A mark records which program wrote the file, the kind of file, and, for a delivery, the graph and the shot. It is
stored

====  ============================================================================================
EXR   in the attribute ``stackcomp/mark``
PNG   in a ``tEXt`` chunk under the keyword ``Software``
TIFF  in tag 305, ``Software``
JPEG  in a comment segment
MOV   in the metadata of the movie, under the key ``stackcomp/mark``; MP4 likewise
XML   in a comment after the XML declaration (colour corrections)
HTML  in a comment after the document type; Markdown in a comment in the first line
JSON  in a field: ``program`` of a dump's report and of camera, lens, track and grain files, ``written by`` under
      a file's findings, ``$comment`` of a schema
====  ============================================================================================

In pictures, movies, XML and pages it is one line, such as ``stackcomp 0.1.0; delivery; graph 8c1f0a52b7d94e36;
reads 5a0c1e77*91b3c0d2; bytes 000000000183402``. The last number is the length of the file in bytes. Many programs
copy such lines from a picture that they open into the one that they save; the length then differs, and the new
file counts as foreign, as does a file edited by hand. Graph and shot are hashes: no path and no clock time is
recorded, so the same inputs give the same bytes.

Reading a mark decodes no pixels, and a file that is damaged, cut short or cannot be opened has no mark.

Sources: PNG (W3C Recommendation, third edition) 11.3.3 "Textual information"; TIFF 6.0, section 2 and tag 305;
JPEG (ITU-T T.81) B.2.4.5 "Comment"; "OpenEXR File Layout"; XML 1.0 (fifth edition) 2.5 "Comments"; ISO/IEC
14496-12 4.2 (boxes) and the QuickTime File Format, "Metadata" (keys and their values).
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
from typing import Any, BinaryIO, Literal, NoReturn

from stackcomp.version import __version__

__all__ = [
    "ATTRIBUTE",
    "Mark",
    "MarkKind",
    "Source",
    "in_jpeg",
    "in_page",
    "in_png",
    "in_xml",
    "program",
    "read",
    "seal",
]

MarkKind = Literal[
    "delivery",
    "picture",
    "dump",
    "measurement",
    "reference",
    "report",
    "findings",
    "schema",
    "camera",
    "lens",
    "track",
    "grain",
    "corrections",
    "page",
]

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
# Largest number of chunks or segments before a mark.
_MOST_BLOCKS = 256
_LARGEST_JSON = 64 << 20
_XML = re.compile(rb"<\?xml[^>]*\?>\n<!-- (stackcomp [^\n]*) -->\n")
_XML_HEAD = 1 << 13
_DOCTYPE = b"<!doctype html>\n"
_PAGE = re.compile(rb"(?:<!doctype html>\n)?<!-- (stackcomp [^\n]*) -->\n")


class _DamagedError(Exception):
    """The bytes of a file do not conform to its format."""


def program() -> str:
    """Return the name and version of the program."""
    return f"stackcomp {__version__}"


@dataclass(frozen=True, order=True)
class Source:
    """Something that a graph reads, as hashes.

    Attributes:
        written: of the path as written in the graph, with its variables.
        filled: of the path with the values of its variables.
        sequence: whether it has one file for each frame.
    """

    written: str
    filled: str
    sequence: bool

    def __str__(self) -> str:
        return f"{self.written}{'*' if self.sequence else '.'}{self.filled}"


@dataclass(frozen=True)
class Mark:
    """Which graph wrote a file, and the kind of the file.

    Attributes:
        kind: ``delivery`` of a deliver node; ``picture`` of any other node; picture of a ``dump`` or of a
            ``measurement``; ``reference`` with which tests compare renders; ``report`` of a dump, ``findings`` of
            measuring, ``schema``, ``camera``, ``lens``, ``track`` or ``grain`` file (these in JSON);
            ``corrections`` of colour (in XML); ``page`` for people (HTML or Markdown).
        graph: hash of the graph file; empty if there is none.
        reads: what the graph reads through variables.
    """

    kind: MarkKind
    graph: str = ""
    reads: frozenset[Source] = frozenset()

    def line(self, length: int = 0) -> str:
        """Return the mark as text, for a file of ``length`` bytes."""
        reads = " ".join(str(source) for source in sorted(self.reads)[:_MOST_SOURCES])
        head = f"{program()}; {self.kind}; graph {self.graph or '-'}; reads {reads or '-'}"
        return f"{head}; bytes {length:0{_DIGITS}d}"


# -- writing -------------------------------------------------------------------------------------------------


def in_png(data: bytes, mark: Mark) -> bytes:
    """Return a PNG file with the mark inserted."""

    def chunk(length: int) -> bytes:
        body = b"tEXtSoftware\0" + mark.line(length).encode("latin-1")
        return struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))

    # The header chunk is always the first, and always holds 13 bytes.
    at = len(_PNG) + 12 + 13
    return data[:at] + chunk(len(data) + len(chunk(0))) + data[at:]


def in_jpeg(data: bytes, mark: Mark) -> bytes:
    """Return a JPEG file with the mark inserted."""

    def segment(length: int) -> bytes:
        body = mark.line(length).encode("latin-1")
        return b"\xff\xfe" + struct.pack(">H", len(body) + 2) + body

    # Application segments come first; some readers expect theirs at the beginning.
    at = 2
    while data[at] == 0xFF and 0xE0 <= data[at + 1] <= 0xEF:
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return data[:at] + segment(len(data) + len(segment(0))) + data[at:]


def in_xml(data: bytes, mark: Mark) -> bytes:
    """Return an XML file, whose first line is its declaration, with the mark inserted as the second line."""
    return _with_comment(data, mark, data.index(b"\n") + 1)


def in_page(data: bytes, mark: Mark) -> bytes:
    """Return a page with the mark inserted: HTML that begins with a line ``<!doctype html>``, or Markdown."""
    return _with_comment(data, mark, len(_DOCTYPE) if data.startswith(_DOCTYPE) else 0)


def _with_comment(data: bytes, mark: Mark, at: int) -> bytes:
    def comment(length: int) -> bytes:
        return f"<!-- {mark.line(length)} -->\n".encode()

    return data[:at] + comment(len(data) + len(comment(0))) + data[at:]


def seal(path: str | os.PathLike[str]) -> None:
    """Write the length of the file into its mark, for formats whose library writes the mark.

    Raises:
        OSError: the file cannot be changed.
        ValueError: there is no mark in it; a programming error.
    """
    with Path(path).open("r+b") as file:
        size = os.fstat(file.fileno()).st_size
        try:
            located = _located(file)
        except _DamagedError:
            located = None
        if located is None:
            raise ValueError(f"{path} has no mark of the program")
        at, line = located
        file.seek(at + len(line.rstrip(b"\0")) - _DIGITS)
        file.write(f"{size:0{_DIGITS}d}".encode())


# -- reading -------------------------------------------------------------------------------------------------


def read(path: str | os.PathLike[str]) -> Mark | None:
    """Return the mark of a file; None if it has none, or cannot be read."""
    try:
        state = os.stat(path)
    except (OSError, ValueError):  # ValueError: a character that no path can contain
        return None
    # Opening a pipe might block for ever.
    if not stat.S_ISREG(state.st_mode):
        return None
    try:
        with Path(path).open("rb") as file:
            start = file.read(64).lstrip()
            if start[:1] == b"{":
                return None if state.st_size > _LARGEST_JSON else _of_json(Path(path).read_bytes())
            located = _located(file)
    except (OSError, _DamagedError):
        return None
    return None if located is None else _parsed(located[1].rstrip(b"\0").decode("latin-1"), state.st_size)


def _parsed(line: str, size: int) -> Mark | None:
    match = _LINE.fullmatch(line)
    kinds: dict[str, MarkKind] = {
        "delivery": "delivery",
        "picture": "picture",
        "dump": "dump",
        "measurement": "measurement",
        "reference": "reference",
        "corrections": "corrections",
        "page": "page",
    }
    if match is None or match["kind"] not in kinds or int(match["length"]) != size:
        return None
    reads = frozenset(Source(a, b, sign == "*") for a, sign, b in _SOURCE.findall(match["reads"]))
    return Mark(kinds[match["kind"]], match["graph"].strip("-"), reads)


def _of_json(text: bytes) -> Mark | None:
    try:
        content = json.loads(text)
    except (ValueError, RecursionError, MemoryError):
        return None
    if not isinstance(content, dict):
        return None
    findings = content.get("found")
    places: tuple[tuple[MarkKind, Any], ...] = (
        ("report", content.get("program") if "dump" in content else None),
        ("findings", findings.get("written by") if isinstance(findings, dict) else None),
        ("schema", content.get("$comment") if "$defs" in content else None),
        ("camera", content.get("program") if "stackcomp_camera" in content else None),
        ("lens", content.get("program") if "stackcomp_lens" in content else None),
        ("track", content.get("program") if "stackcomp_track" in content else None),
        ("grain", content.get("program") if "stackcomp_grain" in content else None),
    )
    return next((Mark(kind) for kind, text in places if isinstance(text, str) and text.startswith("stackcomp ")),
                None)  # fmt: skip


def _located(file: BinaryIO) -> tuple[int, bytes] | None:
    """Return the offset and the text of the mark in a picture, a movie or an XML file."""
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
    if start[4:8] == b"ftyp":
        return _of_movie(file)
    if start[:5] == b"<?xml":
        match = _XML.match(start + file.read(_XML_HEAD))
        return None if match is None else (match.start(1), match[1])
    if start in (_DOCTYPE[:8], b"<!-- sta"):
        match = _PAGE.match(start + file.read(_XML_HEAD))
        return None if match is None else (match.start(1), match[1])
    return None


def _damaged() -> NoReturn:
    raise _DamagedError


def _unpacked(layout: str, file: BinaryIO) -> tuple[Any, ...]:
    """Read and unpack numbers of a file."""
    data = file.read(struct.calcsize(layout))
    if len(data) < struct.calcsize(layout):
        _damaged()
    return struct.unpack(layout, data)


def _seek(file: BinaryIO, at: int) -> None:
    """Move to an offset inside the file."""
    if not 0 <= at <= os.fstat(file.fileno()).st_size:
        _damaged()
    file.seek(at)


def _texts_of_png(file: BinaryIO) -> Iterator[tuple[int, bytes]]:
    for _ in range(_MOST_BLOCKS):
        length, kind = _unpacked(">I4s", file)
        at = file.tell()
        if kind == b"IDAT":
            return
        if kind == b"tEXt":
            keyword, _, text = file.read(min(length, 1 << 16)).partition(b"\0")
            if keyword == b"Software" and text.startswith(b"stackcomp "):
                yield at + len(keyword) + 1, text
        _seek(file, at + length + 4)


def _comments_of_jpeg(file: BinaryIO) -> Iterator[tuple[int, bytes]]:
    file.seek(2)
    for _ in range(_MOST_BLOCKS):
        lead, kind, length = _unpacked(">BBH", file)
        at = file.tell()
        if lead != 0xFF or kind == 0xDA or length < 2:
            return
        if kind == 0xFE:
            text = file.read(length - 2)
            if text.startswith(b"stackcomp "):
                yield at, text
        _seek(file, at + length - 2)


def _of_exr(file: BinaryIO) -> tuple[int, bytes] | None:
    # Headers have some kilobytes, except those of files with thousands of channels.
    for most in (1 << 16, 1 << 22):
        file.seek(0)
        head = file.read(most)
        try:
            return _attribute(head)
        except _DamagedError:
            if len(head) < most:
                raise
    return None


def _of_movie(file: BinaryIO) -> tuple[int, bytes] | None:
    place = (0, os.fstat(file.fileno()).st_size)
    for kind in (b"moov", b"udta", b"meta"):
        box = _box(file, place, kind)
        if box is None:
            return None
        place = box
    # Four bytes of version and flags come before the boxes of "meta", and before the number of keys.
    inside = (place[0] + 4, place[1])
    keys, items = _box(file, inside, b"keys"), _box(file, inside, b"ilst")
    if keys is None or items is None:
        return None
    _seek(file, keys[0] + 4)
    (count,) = _unpacked(">I", file)
    for number in range(1, min(count, _MOST_BLOCKS) + 1):
        at = file.tell()
        (length,) = _unpacked(">I4x", file)
        if length < 8 or at + length > keys[1]:
            _damaged()
        if file.read(length - 8) == ATTRIBUTE.encode():
            value = _box(file, items, struct.pack(">I", number))
            data = None if value is None else _box(file, value, b"data")
            if data is None or data[1] - data[0] < 8:
                return None
            # Four bytes say that it is text, four which language it is in.
            _seek(file, data[0] + 8)
            return data[0] + 8, file.read(min(data[1] - data[0] - 8, 1 << 16))
    return None


def _box(file: BinaryIO, place: tuple[int, int], kind: bytes) -> tuple[int, int] | None:
    """Return where the content of the first box of a kind begins and ends; None if there is none."""
    at, end = place
    for _ in range(_MOST_BLOCKS):
        if at >= end:
            return None
        _seek(file, at)
        length, name = _unpacked(">I4s", file)
        head = 8
        if length == 1:  # a length of 64 bits follows
            (length,) = _unpacked(">Q", file)
            head = 16
        elif length == 0:  # it goes on to the end of the file
            length = end - at
        if length < head or at + length > end:
            _damaged()
        if name == kind:
            return at + head, at + length
        at += length
    return None


def _attribute(head: bytes) -> tuple[int, bytes] | None:
    at = 8
    while (name_ends := head.find(0, at)) != at:
        type_ends = head.find(0, name_ends + 1)
        if name_ends < 0 or type_ends < 0 or type_ends + 5 > len(head):
            _damaged()
        (length,) = struct.unpack_from("<i", head, type_ends + 1)
        value = type_ends + 5
        if length < 0 or value + length > len(head):
            _damaged()
        if head[at:name_ends] == ATTRIBUTE.encode():
            return value, head[value : value + length]
        at = value + length
    return None


def _of_tiff(file: BinaryIO, start: bytes) -> tuple[int, bytes] | None:
    order = "<" if start[:2] == b"II" else ">"
    if len(start) < 8:
        _damaged()
    (version,) = struct.unpack_from(order + "H", start, 2)
    if version not in (42, 43):
        return None
    # 43 is BigTIFF, for files beyond 4 GiB: every offset and count has 8 bytes.
    word, count_of = ("I", "H") if version == 42 else ("Q", "Q")
    _seek(file, 4 if version == 42 else 8)
    _seek(file, _unpacked(order + word, file)[0])
    (entries,) = _unpacked(order + count_of, file)
    entry = f"{order}HH{word}{word}"
    for _ in range(min(entries, 4096)):
        tag, kind, length, value = _unpacked(entry, file)
        if (tag, kind) == (305, 2):
            _seek(file, value)
            return value, file.read(min(length, 1 << 16))
    return None
