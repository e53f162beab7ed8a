"""The skeleton of an OpenEXR file: parts, channels, windows and the table of chunks.

The library tells everything else, but its header-only mode leaves out the pixel types, and on damaged or
unfinished files it drops parts with no more than a line on stderr. This module reads just enough of the
bytes to know what ought to be there, and touches no pixel.

Source: "OpenEXR File Layout", https://openexr.com/en/latest/OpenEXRFileLayout.html
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np

from stackcomp.errors import FileError
from stackcomp.window import Window

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
    """One part; ``chunks`` is None where the count cannot be told from the header."""

    name: str
    channels: tuple[Channel, ...]
    data_window: Window
    display_window: Window
    compression: str
    deep: bool
    tiled: bool
    chunks: int | None


@dataclass(frozen=True)
class Layout:
    """All parts, and where the tables of chunks begin."""

    parts: tuple[PartLayout, ...]
    tables_at: int


class _Cursor:
    """Reads on through a file, never past its end."""

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self.path = path
        self.file = file
        self.size = os.fstat(file.fileno()).st_size
        self.buffer = b""
        self.at = 0

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
        return found.decode("utf-8", "replace")


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
        raise FileError(cursor.path, "it is not an OpenEXR file", "an OpenEXR file begins with 76 2f 31 01")
    (version,) = struct.unpack("<I", cursor.take(4))
    if version & 0xFF != 2:
        raise FileError(cursor.path, f"it is OpenEXR version {version & 0xFF}; version 2 is known")
    parts = []
    while attributes := _attributes(cursor):
        parts.append(_part(cursor.path, attributes, version))
        if not version & _MULTIPART:
            break
    if not parts:
        raise FileError(cursor.path, "it has no parts", _WAY_OUT)
    return Layout(tuple(parts), cursor.at)


def _attributes(cursor: _Cursor) -> dict[str, bytes]:
    found = {}
    while name := cursor.text():
        cursor.text()
        (size,) = struct.unpack("<i", cursor.take(4))
        found[name] = cursor.take(size)
    return found


def _part(path: Path, attributes: dict[str, bytes], version: int) -> PartLayout:
    for needed in ("channels", "compression", "dataWindow", "displayWindow"):
        if needed not in attributes:
            raise FileError(path, f'its header is damaged: there is no attribute "{needed}"', _WAY_OUT)
    kind = attributes.get("type", b"").decode("ascii", "replace")
    number = attributes["compression"][0]
    known = number < len(_COMPRESSIONS)
    window = _box(attributes["dataWindow"])
    tiled = "tile" in kind or (not kind and bool(version & _TILED))
    if "chunkCount" in attributes:
        chunks: int | None = struct.unpack("<i", attributes["chunkCount"])[0]
    elif tiled:
        chunks = _tiles(window, attributes["tiles"])
    else:
        chunks = -(-window.height // _COMPRESSIONS[number][1]) if known else None
    return PartLayout(
        name=attributes.get("name", b"").decode("utf-8", "replace"),
        channels=tuple(_channels(attributes["channels"])),
        data_window=window,
        display_window=_box(attributes["displayWindow"]),
        compression=_COMPRESSIONS[number][0] if known else str(number),
        deep="deep" in kind or (not kind and bool(version & _DEEP)),
        tiled=tiled,
        chunks=chunks,
    )


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


def _channels(data: bytes) -> list[Channel]:
    found = []
    at = 0
    while data[at] != 0:
        end = data.index(b"\0", at)
        kind, x, y = struct.unpack_from("<i4xii", data, end + 1)
        if kind < 0:
            raise ValueError(kind)
        found.append(Channel(data[at:end].decode("utf-8", "replace"), _PIXEL_TYPES[kind], (x, y)))
        at = end + 17
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
