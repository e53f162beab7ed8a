"""JPEG: header and pixels.

Pixels go through Pillow, which notices a file that is cut short. The camera's orientation tag is followed. The
header is read here, because a library says no more than that it does not want a file.

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
# Markers that stand alone, without a length behind them.
_BARE = frozenset((0x01, *range(0xD0, 0xD8)))


def header(path: Path) -> StillHeader:
    """Size (upright), channels."""
    with path.open("rb") as file:
        return _read(path, file).header


class _Read(NamedTuple):
    """``exif`` are the places of blocks of camera data in the file."""

    header: StillHeader
    orientation: int
    exif: list[tuple[int, int]]


def _read(path: Path, file: BinaryIO) -> _Read:
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
            return _Read(_described(path, marker, data, orientation), orientation, exif)


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
    told = file.read(2)
    length = struct.unpack(">H", told)[0] - 2 if len(told) == 2 else -1
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
        raise FileError(path, f"it is a JPEG of {bits} bits, and only those of 8 can be read", "save it as TIFF")
    if components not in (1, 3):
        inks = "inks (CMYK)" if components == 4 else f"{components} channels"
        raise FileError(path, f"it holds {inks}, not RGB or grey", "save it as RGB")
    if not width or not height:
        raise FileError(path, "its JPEG header does not say its size", "save it again")
    if orientation >= 5:  # it lies on its side
        width, height = height, width
    return StillHeader(width, height, components, 8, "none")


def _orientation(exif: bytes) -> int:
    """Tag 274 of the first directory; 1, as it is, where there is none or the block is damaged."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(exif[:4])
    if order is None:
        return 1
    try:
        (at,) = struct.unpack_from(order + "I", exif, 4)
        (count,) = struct.unpack_from(order + "H", exif, at)
        for entry in range(at + 2, at + 2 + 12 * count, 12):
            tag, kind, _, value = struct.unpack_from(order + "HHIH", exif, entry)
            if tag == 274 and kind == 3 and 1 <= value <= 8:
                return int(value)
    except struct.error:
        pass
    return 1


def pixels(path: Path, expected: StillHeader) -> Array:
    """Whole numbers ``(height, width[, 3])``, upright."""
    from PIL.JpegImagePlugin import JpegImageFile

    data = bytearray(path.read_bytes())
    found = _read(path, io.BytesIO(data))
    for first, last in reversed(found.exif):
        # The library warns of what is odd in there, which has nothing to do with the picture.
        del data[first:last]
    try:
        # Not through the general way in: it warns of pictures that it finds large, and refuses larger ones.
        with JpegImageFile(io.BytesIO(data)) as image:
            array = np.asarray(image)
    except MemoryError:
        raise
    except Exception as error:
        raise FileError(path, "its JPEG pixels cannot be decoded: it is cut short or damaged", _WAY_OUT) from error
    return upright(array, found.orientation)
