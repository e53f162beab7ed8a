"""PNG: header and pixels.

Pixels go through `imagecodecs`, because the usual way through Pillow brings 16-bit colour down to 8 bits without a
word.

Source: W3C, Portable Network Graphics (third edition).
"""

from __future__ import annotations

import os
import struct
from pathlib import Path

from stackcomp.errors import FileError
from stackcomp.files.quiet import unheard
from stackcomp.files.still_types import Array, StillHeader

__all__ = ["header", "pixels"]

_WAY_OUT = "render or copy the file again"
# Colour type → bits that it may have, and channels: grey, RGB, palette, grey and alpha, RGB and alpha.
_KINDS = {0: ((1, 2, 4, 8, 16), 1), 2: ((8, 16), 3), 3: ((1, 2, 4, 8), 3), 4: ((8, 16), 2), 6: ((8, 16), 4)}


def header(path: Path) -> StillHeader:
    """Size, channels, bits and alpha."""
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


def pixels(path: Path, expected: StillHeader) -> Array:
    """Whole numbers ``(height, width[, channels])``; palettes and less than 8 bits are spread out to 8."""
    import imagecodecs

    try:
        with unheard():
            return imagecodecs.png_decode(path.read_bytes())
    except MemoryError:
        raise
    except Exception as error:
        # Not its own error alone: where it has no reason to give, it stumbles over that.
        raise FileError(path, "its PNG pixels cannot be decoded: it is cut short or damaged", _WAY_OUT) from error
