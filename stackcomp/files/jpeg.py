"""JPEG: header and pixels.

Pixels are decoded by Pillow, which detects a file that is cut short. The camera's orientation tag is followed. The
header is read here, because the library does not report why it cannot read a file.

Sources: ITU-T T.81 (markers, frame header); T.872 (Adobe's marker); Exif 2.3 (orientation).
"""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import BinaryIO, NamedTuple

import numpy as np

from stackcomp.errors import FileError
from stackcomp.files.still_types import Array, StillHeader, upright

__all__ = ["header", "pixels"]

_WAY_OUT = "render or copy the file again"
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
# Markers without a segment.
_BARE = frozenset((0x01, *range(0xD0, 0xD8)))


def header(path: Path) -> StillHeader:
    """Return size (upright), channels and bits.

    Raises:
        FileError: the header is damaged, or of a kind that cannot be read.
        OSError: the file cannot be read.
    """
    with path.open("rb") as file:
        return _parsed(path, file).header


class _Parsed(NamedTuple):
    """Header, orientation, and the first and last offsets of the segments of camera data."""

    header: StillHeader
    orientation: int
    exif: list[tuple[int, int]]


def _parsed(path: Path, file: BinaryIO) -> _Parsed:
    orientation, exif = 1, []
    file.seek(2)
    while True:
        start = file.tell()
        marker = _marker(path, file)
        if marker in _BARE:
            continue
        data = _segment(path, file)
        if marker == 0xE1 and data.startswith(b"Exif\0\0"):
            orientation = _orientation(data[6:])
            exif.append((start, file.tell()))
        elif marker in _FRAMES:
            return _Parsed(_described(path, marker, data, orientation), orientation, exif)


def _marker(path: Path, file: BinaryIO) -> int:
    first = file.read(1)
    byte = file.read(1)
    while byte == b"\xff":  # fill
        byte = file.read(1)
    if first != b"\xff" or not byte:
        raise FileError(path, "its JPEG header is damaged or cut short", _WAY_OUT)
    if byte[0] == 0xF7:
        raise FileError(path, "it is JPEG-LS, which cannot be read", "save it as PNG or TIFF")
    if byte[0] in (0xD9, 0xDA):
        raise FileError(path, "its JPEG header is damaged: it has pixels before a size", _WAY_OUT)
    return byte[0]


def _segment(path: Path, file: BinaryIO) -> bytes:
    size = file.read(2)
    length = struct.unpack(">H", size)[0] - 2 if len(size) == 2 else -1
    data = file.read(max(length, 0))
    if length < 0 or len(data) < length:
        raise FileError(path, "its JPEG header is damaged or cut short", _WAY_OUT)
    return data


def _described(path: Path, marker: int, data: bytes, orientation: int) -> StillHeader:
    if len(data) < 6:
        raise FileError(path, "its JPEG header is damaged", _WAY_OUT)
    bits, height, width, components = struct.unpack(">BHHB", data[:6])
    if marker not in (0xC0, 0xC1, 0xC2, 0xC9, 0xCA):
        raise FileError(
            path, "it is a lossless or hierarchical JPEG, which cannot be read", "save it as PNG or TIFF"
        )
    if bits != 8:
        raise FileError(path, f"it is a JPEG of {bits} bits, and only 8 bits can be read", "save it as TIFF")
    if components not in (1, 3):
        inks = "inks (CMYK)" if components == 4 else f"{components} channels"
        raise FileError(path, f"it holds {inks}, not RGB or grey", "save it as RGB")
    if not width or not height:
        raise FileError(path, "its JPEG header does not state its size", "save it again")
    if orientation >= 5:  # it lies on its side
        width, height = height, width
    return StillHeader(width, height, components, 8, "none")


def _orientation(exif: bytes) -> int:
    """Return tag 274 of the first directory; 1 (no change) if it is missing or the segment is damaged."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(exif[:4])
    if order is None:
        return 1
    if len(exif) < 8:
        return 1
    (at,) = struct.unpack_from(order + "I", exif, 4)
    if at + 2 > len(exif):
        return 1
    (count,) = struct.unpack_from(order + "H", exif, at)
    for entry in range(at + 2, min(at + 2 + 12 * count, len(exif) - 9), 12):
        tag, kind, _, value = struct.unpack_from(order + "HHIH", exif, entry)
        if tag == 274 and kind == 3 and 1 <= value <= 8:
            return int(value)
    return 1


def pixels(path: Path, expected: StillHeader) -> Array:
    """Return whole numbers ``(height, width[, 3])``, upright.

    Raises:
        FileError: the header or the pixels are damaged.
        OSError: the file cannot be read.
    """
    from PIL.JpegImagePlugin import JpegImageFile

    data = bytearray(path.read_bytes())
    parsed = _parsed(path, io.BytesIO(data))
    for first, last in reversed(parsed.exif):
        # The library warns of damaged camera data, which does not affect the pixels.
        del data[first:last]
    try:
        # Pillow's open() warns of large pictures and refuses larger ones; this class does not.
        with JpegImageFile(io.BytesIO(data)) as image:
            array = np.asarray(image)
    except MemoryError:
        raise
    except Exception as error:  # The decoder raises exceptions of any type for damaged files.
        raise FileError(path, "its JPEG pixels cannot be decoded: it is cut short or damaged", _WAY_OUT) from error
    return upright(array, parsed.orientation)
