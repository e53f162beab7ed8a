"""The skeleton of an OpenEXR file: parts, channels, windows and the table of chunks.

The library tells everything else, but its header-only mode leaves out the pixel types, and on damaged or
unfinished files it drops parts with no more than a line on stderr. This module reads just enough of the
bytes to know what ought to be there, and touches no pixel.

Source: "OpenEXR File Layout", https://openexr.com/en/latest/OpenEXRFileLayout.html
"""

from __future__ import annotations

import os
import struct
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np

from stackcomp.data.window import Window
from stackcomp.errors import FileError
from stackcomp.files.exr_attributes import Attribute, decoded, oddities, without_foreign_bytes
from stackcomp.files.formats import other_format

__all__ = ["Channel", "Layout", "PartLayout", "PixelType", "check_chunks", "read_layout"]

PixelType = Literal["uint", "half", "float"]

_MAGIC = b"\x76\x2f\x31\x01"
_TILED, _DEEP, _MULTIPART = 0x200, 0x800, 0x1000
_PIXEL_TYPES: tuple[PixelType, ...] = ("uint", "half", "float")
# Rows in a chunk, by the number that stands for the compression.
_COMPRESSIONS = (
    ("none", 1),
    ("rle", 1),
    ("zips", 1),
    ("zip", 16),
    ("piz", 32),
    ("pxr24", 16),
    ("b44", 32),
    ("b44a", 32),
    ("dwaa", 32),
    ("dwab", 256),
    ("htj2k256", 256),
    ("htj2k32", 32),
)
# Attributes without which no pixel can be found.
_NEEDED = frozenset(("channels", "compression", "dataWindow", "displayWindow", "tiles"))
_LONGEST_HEADER = 256 << 20
_CUT = "it is cut short"
_WAY_OUT = "render or copy the file again"


@dataclass(frozen=True)
class Channel:
    """One channel as stored. ``sampling`` is the step in x and y, (1, 1) unless subsampled."""

    name: str
    pixel_type: PixelType
    sampling: tuple[int, int]


@dataclass(frozen=True)
class PartLayout:
    """One part; ``chunks`` is None where the count cannot be told from the header.

    ``ignored`` are names of attributes whose value cannot be what it should be, ``foreign`` those that hold text
    which is not UTF-8, with their bytes.
    """

    name: str
    channels: tuple[Channel, ...]
    data_window: Window
    display_window: Window
    compression: str
    deep: bool
    tiled: bool
    chunks: int | None
    ignored: frozenset[str] = frozenset()
    foreign: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Layout:
    """All parts, and where the tables of chunks begin.

    Attributes:
        parts: as stored.
        tables_at: place in the file.
        doubts: what is odd about the header but does not keep the pixels from being read; sentences.
        repairs: places in the file, and bytes to show the library there because it refuses those of the file.
    """

    parts: tuple[PartLayout, ...]
    tables_at: int
    doubts: tuple[str, ...] = ()
    repairs: tuple[tuple[int, bytes], ...] = ()


class _Cursor:
    """Reads on through a file, never past its end."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self.path = path
        self.file = file
        self.size = os.fstat(file.fileno()).st_size
        self.buffer = b""
        self.at = 0
        self.doubts: list[str] = []
        self.repairs: list[tuple[int, bytes]] = []

    def take(self, count: int) -> bytes:
        if count < 0 or self.at + count > min(self.size, _LONGEST_HEADER):
            raise FileError(self.path, f"{_CUT} within its header, or the header is damaged", _WAY_OUT)
        while len(self.buffer) < self.at + count:
            more = self.file.read(max(1 << 16, count))
            if not more:
                raise FileError(self.path, f"{_CUT} within its header", _WAY_OUT)
            self.buffer += more
        self.at += count
        return self.buffer[self.at - count : self.at]

    def text(self) -> str:
        found = bytearray()
        while (byte := self.take(1)) != b"\0":
            found += byte
            if len(found) > 255:
                raise FileError(self.path, "its header is damaged: a name of more than 255 bytes", _WAY_OUT)
        name = decoded(bytes(found))
        if name.encode() != found:
            self.repairs.append((self.at - len(found) - 1, name.encode()))
            self.doubts.append(f'the name "{name}" in its header is not UTF-8')
        return name


def read_layout(path: str | os.PathLike[str]) -> Layout:
    """Read the skeleton of a file.

    Raises:
        FileError: not there, not OpenEXR, or damaged within its header.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            return _layout(_Cursor(path, file))
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}") from error
    except (struct.error, IndexError, KeyError, ValueError) as error:
        raise FileError(path, "its header is damaged", _WAY_OUT) from error


def _layout(cursor: _Cursor) -> Layout:
    if cursor.size == 0:
        raise FileError(cursor.path, "it is empty", _WAY_OUT)
    if cursor.size < 8 or cursor.take(4) != _MAGIC:
        if cursor.size < 8:
            raise FileError(cursor.path, f"{_CUT} within its header", _WAY_OUT)
        other = other_format(cursor.path)
        raise FileError(
            cursor.path,
            f"it is {other}, not OpenEXR" if other else "it is not an OpenEXR file",
            "" if other else "an OpenEXR file begins with 76 2f 31 01",
        )
    (version,) = struct.unpack("<I", cursor.take(4))
    if version & 0xFF != 2:
        raise FileError(cursor.path, f"it is OpenEXR version {version & 0xFF}; version 2 is known")
    parts = []
    while attributes := _attributes(cursor):
        parts.append(_part(cursor, attributes, version))
        if not version & _MULTIPART:
            break
    if not parts:
        raise FileError(cursor.path, "it has no parts", _WAY_OUT)
    return Layout(tuple(parts), cursor.at, tuple(dict.fromkeys(cursor.doubts)), tuple(cursor.repairs))


def _attributes(cursor: _Cursor) -> dict[str, Attribute]:
    found = {}
    while name := cursor.text():
        kind_at = cursor.at
        kind = cursor.text()
        (size,) = struct.unpack("<i", cursor.take(4))
        found[name] = Attribute(kind, kind_at, cursor.at, cursor.take(size))
    return found


def _part(cursor: _Cursor, attributes: dict[str, Attribute], version: int) -> PartLayout:
    path = cursor.path
    for needed in ("channels", "compression", "dataWindow", "displayWindow"):
        if needed not in attributes:
            raise FileError(path, f'its header is damaged: there is no attribute "{needed}"', _WAY_OUT)
    ignored, foreign = set(), {}
    for odd in oddities(attributes):
        if odd.name in _NEEDED:
            raise FileError(path, f"its header is damaged: {odd.said}", _WAY_OUT)
        if odd.repair is not None:
            cursor.repairs.append(odd.repair)
        if odd.keeps is None:
            ignored.add(odd.name)
            cursor.doubts.append(f"{odd.said}; it is ignored")
        else:
            foreign[odd.name] = odd.keeps
            cursor.doubts.append(f"{odd.said}; it is kept as bytes")
    kind = _kind(cursor, attributes, version, ignored)
    number = attributes["compression"].data[0]
    known = number < len(_COMPRESSIONS)
    window = _box(attributes["dataWindow"].data)
    tiled = "tile" in kind
    # A file of one part has this attribute by chance alone: nothing says that it is kept true.
    told = attributes.get("chunkCount") if version & _MULTIPART and "chunkCount" not in ignored else None
    if told is not None:
        chunks: int | None = struct.unpack("<i", told.data)[0]
    elif tiled:
        if "tiles" not in attributes:
            raise FileError(path, 'its header is damaged: there is no attribute "tiles"', _WAY_OUT)
        chunks = _tiles(window, attributes["tiles"].data)
    else:
        chunks = -(-window.height // _COMPRESSIONS[number][1]) if known else None
    return PartLayout(
        name=decoded(attributes["name"].data) if "name" in attributes and "name" not in ignored else "",
        channels=tuple(_channels(cursor, attributes["channels"])),
        data_window=window,
        display_window=_box(attributes["displayWindow"].data),
        compression=_COMPRESSIONS[number][0] if known else str(number),
        deep="deep" in kind,
        tiled=tiled,
        chunks=chunks,
        ignored=frozenset(ignored),
        foreign=foreign,
    )


def _kind(cursor: _Cursor, attributes: Mapping[str, Attribute], version: int, ignored: Collection[str]) -> str:
    """What a part holds. In a file of one part the flags of its version decide, whatever its attribute says."""
    flags = "tiledimage" if version & _TILED else "scanlineimage"
    if version & _DEEP:
        flags = "deeptile" if version & _TILED else "deepscanline"
    told = attributes.get("type")
    kind = decoded(told.data) if told is not None and "type" not in ignored else ""
    if version & _MULTIPART:
        return kind or flags
    if kind and kind != flags:
        cursor.doubts.append(f'attribute "type" says "{kind}", but the file is marked as {flags}; it is ignored')
    return flags


def _box(data: bytes) -> Window:
    x0, y0, x1, y1 = struct.unpack("<4i", data)
    return Window.from_exr((x0, y0), (x1, y1))


def _tiles(window: Window, data: bytes) -> int | None:
    across: int
    down: int
    across, down, mode = struct.unpack("<IIB", data)
    if mode & 0xF or not across or not down:
        return None  # several levels; only their own writers count those
    return -(-window.width // across) * -(-window.height // down)


def _channels(cursor: _Cursor, stored: Attribute) -> list[Channel]:
    data = stored.data
    found = []
    names: list[bytes] = []
    at = 0
    while data[at] != 0:
        end = data.index(b"\0", at)
        kind, x, y = struct.unpack_from("<i4xii", data, end + 1)
        if kind < 0:
            raise ValueError(kind)
        name = data[at:end]
        if decoded(name).encode() != name:
            cursor.repairs.append((stored.at + at, without_foreign_bytes(name)))
            cursor.doubts.append(f'the name of channel "{decoded(name)}" is not UTF-8')
        names.append(name)
        found.append(Channel(decoded(name), _PIXEL_TYPES[kind], (x, y)))
        at = end + 17
    shown = [channel.name.encode() for channel in found]
    # Samples stand in the order of the names, so names with other bytes must come in the same order.
    if shown != names and [names.index(name) for name in sorted(names)] != [
        shown.index(name) for name in sorted(shown)
    ]:
        raise FileError(
            cursor.path, "names of its channels are not UTF-8", "render it with plain names of channels"
        )
    return found


def check_chunks(path: str | os.PathLike[str], layout: Layout, *, thorough: bool = False) -> None:
    """Look at the table of chunks: every one must have a place inside the file.

    Args:
        path: the file that ``layout`` was read from.
        layout: its skeleton.
        thorough: also look at the leader of each chunk of a single part of rows: its row, its length, and
            that the last one ends where the file ends.

    Raises:
        FileError: chunks are missing, because the file was cut, or its writer did not finish.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            _check_tables(path, file, layout, thorough)
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}") from error


def _check_tables(path: Path, file: BinaryIO, layout: Layout, thorough: bool) -> None:
    size = os.fstat(file.fileno()).st_size
    file.seek(layout.tables_at)
    for number, part in enumerate(layout.parts):
        if part.chunks is None:
            return  # where the next table begins is not known either
        subject = f'part {number} "{part.name}"' if len(layout.parts) > 1 else "the picture"
        if part.chunks < 0 or file.tell() + 8 * part.chunks > size:
            raise FileError(path, f"{_CUT}: its table of chunks does not fit in {size} bytes", _WAY_OUT)
        offsets = np.frombuffer(file.read(8 * part.chunks), "<u8")
        there = int(np.count_nonzero((offsets >= layout.tables_at) & (offsets < size)))
        if there < part.chunks:
            raise FileError(path, f"it is unfinished: {subject} has {there} of {part.chunks} chunks", _WAY_OUT)
        if thorough and not part.tiled and len(layout.parts) == 1:
            _check_leaders(path, file, part, offsets, size)


def _check_leaders(
    path: Path,
    file: BinaryIO,
    part: PartLayout,
    offsets: np.ndarray[tuple[int], np.dtype[np.uint64]],
    size: int,
) -> None:
    rows = dict(_COMPRESSIONS)[part.compression]
    end = 0
    for index, offset in enumerate(offsets.tolist()):
        file.seek(offset)
        row, length = struct.unpack("<ii", file.read(8).ljust(8, b"\0"))
        if row != part.data_window.y0 + index * rows or length < 0 or offset + 8 + length > size:
            raise FileError(path, f"chunk {index} at byte {offset} is damaged", _WAY_OUT)
        end = max(end, offset + 8 + length)
    if end != size:
        raise FileError(path, f"its last chunk ends at byte {end}, but the file at {size}", _WAY_OUT)
