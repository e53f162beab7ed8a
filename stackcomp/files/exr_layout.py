"""The layout of an OpenEXR file: parts, channels, windows and the table of chunks.

The library reads everything else, but its header-only mode omits the pixel types, and of damaged or unfinished
files it drops parts with only a line on stderr. This module reads enough of the header to know what must be in
the file. It decodes no pixels.

Every size and index that comes from the file is checked before it is used, so no exception of this module's own
code is ever taken for damage.

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
# Name, and rows in a chunk, by the number of the compression.
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
# Attributes without which pixels cannot be located.
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
    """One part.

    Attributes:
        chunks: number of chunks; None if the header does not determine it.
        ignored: names of attributes with a wrong value, which are ignored.
        foreign: attributes whose text is not UTF-8, with their bytes.
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
        tables_at: offset in the file, in bytes.
        doubts: what is wrong with the header although the pixels can be read; clauses without a full stop.
        repairs: offsets in the file, and the bytes that the library reads there instead of those that it refuses.
    """

    parts: tuple[PartLayout, ...]
    tables_at: int
    doubts: tuple[str, ...] = ()
    repairs: tuple[tuple[int, bytes], ...] = ()


class _Cursor:
    """Reads forward through a file, never past its end."""

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
        stored = bytearray()
        while (byte := self.take(1)) != b"\0":
            stored += byte
            if len(stored) > 255:
                raise FileError(self.path, "its header is damaged: a name of more than 255 bytes", _WAY_OUT)
        name = decoded(bytes(stored))
        if name.encode() != stored:
            self.repairs.append((self.at - len(stored) - 1, name.encode()))
            self.doubts.append(f'the name "{name}" in its header is not UTF-8')
        return name


def read_layout(path: str | os.PathLike[str]) -> Layout:
    """Read the layout of a file from its header.

    Raises:
        FileError: missing, not OpenEXR, or damaged within its header.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            return _layout(_Cursor(path, file))
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}") from error


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
        raise FileError(cursor.path, f"it is OpenEXR version {version & 0xFF}; only version 2 can be read")
    parts = []
    while attributes := _attributes(cursor):
        parts.append(_part(cursor, attributes, version))
        if not version & _MULTIPART:
            break
    if not parts:
        raise FileError(cursor.path, "it has no parts", _WAY_OUT)
    return Layout(tuple(parts), cursor.at, tuple(dict.fromkeys(cursor.doubts)), tuple(cursor.repairs))


def _attributes(cursor: _Cursor) -> dict[str, Attribute]:
    attributes = {}
    while name := cursor.text():
        kind_at = cursor.at
        kind = cursor.text()
        (size,) = struct.unpack("<i", cursor.take(4))
        attributes[name] = Attribute(kind, kind_at, cursor.at, cursor.take(size))
    return attributes


def _part(cursor: _Cursor, attributes: dict[str, Attribute], version: int) -> PartLayout:
    path = cursor.path
    for needed in ("channels", "compression", "dataWindow", "displayWindow"):
        if needed not in attributes:
            raise FileError(path, f'its header is damaged: there is no attribute "{needed}"', _WAY_OUT)
    ignored, foreign = set(), {}
    for odd in oddities(attributes):
        if odd.name in _NEEDED:
            raise FileError(path, f"its header is damaged: {odd.message}", _WAY_OUT)
        if odd.repair is not None:
            cursor.repairs.append(odd.repair)
        if odd.kept_bytes is None:
            ignored.add(odd.name)
            cursor.doubts.append(f"{odd.message}; it is ignored")
        else:
            foreign[odd.name] = odd.kept_bytes
            cursor.doubts.append(f"{odd.message}; it is kept as bytes")
    kind = _kind(cursor, attributes, version, ignored)
    number = attributes["compression"].data[0]
    known = number < len(_COMPRESSIONS)
    window = _box(attributes["dataWindow"].data)
    tiled = "tile" in kind
    # The standard requires this attribute in multi-part files only; in others its value cannot be trusted.
    count = attributes.get("chunkCount") if version & _MULTIPART and "chunkCount" not in ignored else None
    if count is not None:
        chunks: int | None = struct.unpack("<i", count.data)[0]
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
    """Return the type of a part. In a file of one part, the flags of the version field have priority."""
    flags = "tiledimage" if version & _TILED else "scanlineimage"
    if version & _DEEP:
        flags = "deeptile" if version & _TILED else "deepscanline"
    stored = attributes.get("type")
    kind = decoded(stored.data) if stored is not None and "type" not in ignored else ""
    if version & _MULTIPART:
        return kind or flags
    if kind and kind != flags:
        cursor.doubts.append(f'attribute "type" is "{kind}", but the file is marked as {flags}; it is ignored')
    return flags


def _box(data: bytes) -> Window:
    x0, y0, x1, y1 = struct.unpack("<4i", data)
    return Window.from_exr((x0, y0), (x1, y1))


def _tiles(window: Window, data: bytes) -> int | None:
    across: int
    down: int
    across, down, mode = struct.unpack("<IIB", data)
    if mode & 0xF or not across or not down:
        return None  # several levels, whose chunks are not counted here
    return -(-window.width // across) * -(-window.height // down)


def _channels(cursor: _Cursor, stored: Attribute) -> list[Channel]:
    data = stored.data
    channels = []
    names: list[bytes] = []
    at = 0
    while (end := data.find(b"\0", at)) != at:
        if end < 0 or end + 17 > len(data):
            raise FileError(cursor.path, "its header is damaged: its list of channels is cut short", _WAY_OUT)
        kind, x, y = struct.unpack_from("<i4xii", data, end + 1)
        if not 0 <= kind < len(_PIXEL_TYPES):
            raise FileError(cursor.path, f"its header is damaged: a channel has the pixel type {kind}", _WAY_OUT)
        name = data[at:end]
        if decoded(name).encode() != name:
            cursor.repairs.append((stored.at + at, without_foreign_bytes(name)))
            cursor.doubts.append(f'the name of channel "{decoded(name)}" is not UTF-8')
        names.append(name)
        channels.append(Channel(decoded(name), _PIXEL_TYPES[kind], (x, y)))
        at = end + 17
    shown = [channel.name.encode() for channel in channels]
    # Samples are stored in the order of the names, so the replaced names must sort in the same order.
    if shown != names and [names.index(name) for name in sorted(names)] != [
        shown.index(name) for name in sorted(shown)
    ]:
        raise FileError(
            cursor.path, "names of its channels are not UTF-8", "render it with ASCII names of channels"
        )
    return channels


def check_chunks(path: str | os.PathLike[str], layout: Layout, *, thorough: bool = False) -> None:
    """Check the table of chunks: every chunk must lie inside the file.

    Args:
        path: the file that ``layout`` was read from.
        layout: its layout.
        thorough: of a file with one scanline part, also check the row and length of each chunk, and that the last
            chunk ends at the end of the file.

    Raises:
        FileError: chunks are missing, because the file is cut short or unfinished.
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
            return  # the offset of the next table is unknown as well
        subject = f'part {number} "{part.name}"' if len(layout.parts) > 1 else "the picture"
        if part.chunks < 0 or file.tell() + 8 * part.chunks > size:
            raise FileError(path, f"{_CUT}: its table of chunks does not fit in {size} bytes", _WAY_OUT)
        offsets = np.frombuffer(file.read(8 * part.chunks), "<u8")
        inside = int(np.count_nonzero((offsets >= layout.tables_at) & (offsets < size)))
        if inside < part.chunks:
            raise FileError(path, f"it is unfinished: {subject} has {inside} of {part.chunks} chunks", _WAY_OUT)
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
        raise FileError(path, f"its last chunk ends at byte {end}, but the file ends at byte {size}", _WAY_OUT)
