"""PNG: header and pixels.

Pixels are decoded by `imagecodecs`, because Pillow silently reduces 16-bit colour to 8 bits.

Source: W3C, Portable Network Graphics (third edition).
"""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

from stackcomp.errors import FileError
from stackcomp.files.quiet import filtered_stderr
from stackcomp.files.still_types import Array, StillHeader

__all__ = ["header", "pixels", "require_whole"]

_WAY_OUT = "render or copy the file again"
# Colour type → its bit depths, and channels: grey, RGB, palette, grey and alpha, RGB and alpha.
_KINDS = {0: ((1, 2, 4, 8, 16), 1), 2: ((8, 16), 3), 3: ((1, 2, 4, 8), 3), 4: ((8, 16), 2), 6: ((8, 16), 4)}


def header(path: Path) -> StillHeader:
    """Return size, channels, bits and alpha.

    Raises:
        FileError: the header is damaged.
        OSError: the file cannot be read.
    """
    with path.open("rb") as file:
        file.seek(8)
        leader = file.read(8)
        body = file.read(17)
        if len(body) < 17 or leader != b"\0\0\0\rIHDR":
            raise FileError(path, "its PNG header is damaged or cut short", _WAY_OUT)
        width, height, bits, colour, _, _, interlace = struct.unpack(">IIBBBBB", body[:13])
        if colour not in _KINDS or bits not in _KINDS[colour][0] or not width or not height or interlace > 1:
            raise FileError(path, "its PNG header is damaged", _WAY_OUT)
        transparent = False
        while (leader := file.read(8)) and leader[4:] != b"IDAT":
            if len(leader) < 8:
                raise FileError(path, "it is cut short before its pixels", _WAY_OUT)
            transparent |= leader[4:] == b"tRNS"
            file.seek(struct.unpack(">I", leader[:4])[0] + 4, os.SEEK_CUR)
        if not leader:
            raise FileError(path, "it is cut short before its pixels", _WAY_OUT)
    has_alpha = transparent or colour in (4, 6)
    channels = _KINDS[colour][1] + (transparent and colour not in (4, 6))
    return StillHeader(width, height, channels, 16 if bits == 16 else 8, "straight" if has_alpha else "none")


def require_whole(path: Path) -> None:
    """Check all chunks with their checksums; decoders overlook a lost end.

    Raises:
        FileError: one is damaged or missing, or there is something behind the last one.
        OSError: the file cannot be read.
    """
    data = path.read_bytes()
    at, kind = 8, b""
    while at + 12 <= len(data) and kind != b"IEND":
        (length,) = struct.unpack_from(">I", data, at)
        kind, end = data[at + 4 : at + 8], at + 8 + length
        if data[end : end + 4] != struct.pack(">I", zlib.crc32(data[at + 4 : end])):
            raise FileError(path, "a chunk of it is damaged", _WAY_OUT)
        at = end + 4
    if kind != b"IEND" or at != len(data):
        raise FileError(path, "it is cut short, or has something behind its end", _WAY_OUT)


def pixels(path: Path, expected: StillHeader) -> Array:
    """Return whole numbers ``(height, width[, channels])``; palettes and fewer than 8 bits are expanded to 8.

    Raises:
        FileError: the pixels are damaged.
        OSError: the file cannot be read.
    """
    import imagecodecs

    data = path.read_bytes()
    with filtered_stderr():
        try:
            return imagecodecs.png_decode(data)
        except MemoryError:
            raise
        except (
            Exception
        ) as error:  # Besides its own error, the decoder raises others while it formats its message.
            raise FileError(
                path, "its PNG pixels cannot be decoded: it is cut short or damaged", _WAY_OUT
            ) from error
