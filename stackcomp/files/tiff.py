"""TIFF: header and pixels of the first picture in a file.

What a TIFF says of itself is followed: alpha by ExtraSamples (1 premultiplied, 2 straight; where it says 0, or
nothing, a sample beyond the colours is straight alpha by custom), and Orientation. Premultiplied means that the
numbers *as stored* were multiplied, in whatever encoding they are: of an 8-bit file made for a display, the
encoded ones. Whoever decodes them divides by alpha first and multiplies after, as `convert_colour` does.

Read are grey, RGB and palettes of whole numbers up to 64 bits, signed ones too, and floats of 16 to 64 bits; YCbCr
where it is JPEG. Everything else is refused by the header.

Source: Adobe, TIFF Revision 6.0; its supplements for compressions and BigTIFF. The decoder is `tifffile`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from math import prod
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from stackcomp.data.port_types import Alpha
from stackcomp.errors import FileError
from stackcomp.files.quiet import logged
from stackcomp.files.still_types import Array, StillHeader, upright

__all__ = ["ALPHA_UNSAID", "header", "pixels"]

ALPHA_UNSAID = "it does not say what its channel beyond the colours is; it is taken as straight alpha"
"""The doubt about a TIFF with an extra sample whose meaning is not stated."""

_AGAIN = "render or copy the file again"
_SAVE = "save it as RGB or grey"
_WHITE_IS_0, _GREY, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6
_OTHER_COLOURS = {
    4: "a transparency mask",
    5: "inks (CMYK)",
    6: "luminance and chroma (YCbCr)",
    8: "CIE L*a*b* colour",
    9: "CIE L*a*b* colour",
    10: "CIE L*a*b* colour",
    32803: "raw camera data (a colour filter array)",
    32844: "logarithmic luminance",
    32845: "logarithmic luminance and chroma",
    34892: "raw camera data",
    51177: "a depth map",
    52527: "a semantic mask",
}
# Compressions whose decoder gives RGB where the file holds YCbCr: JPEG, in its numbers old and new.
_JPEG = (6, 7, 33007)


class _Described(NamedTuple):
    header: StillHeader
    photometric: int
    orientation: int
    alpha_at: int | None


def header(path: Path) -> StillHeader:
    """Size (upright), channels, bits and alpha."""
    with _first_page(path) as (page, _):
        return _described(path, page).header


def pixels(path: Path, expected: StillHeader) -> Array:
    """Numbers as stored, ``(height, width, channels)``, upright; palettes as the 16-bit colours they stand for."""
    with _first_page(path) as (page, said):
        found = _described(path, page)
        said.clear()
        try:
            array = page.asarray()
        except MemoryError:
            raise
        except Exception as error:
            # Each of the decoders raises what it likes; all of it means that these bytes are no good.
            raise _undecoded(path, page) from error
        if said or array is None:
            raise _undecoded(path, page)
        axes = page.axes
        colour_map = page.colormap if found.photometric == _PALETTE else None
    array = array.transpose([axes.index(axis) for axis in "YXS" if axis in axes])
    array = array[..., None] if array.ndim == 2 else array
    if array.dtype.kind == "b":
        array = array.astype(np.uint8)
    colours = array[..., : 3 if found.photometric in (_RGB, _YCBCR) else 1]
    if found.photometric == _WHITE_IS_0:
        colours = (2**found.header.bits - 1) - colours
    alpha = None if found.alpha_at is None else array[..., found.alpha_at, None]
    if colour_map is not None:
        colours = _sixteen_bits(np.asarray(colour_map)).T[colours[..., 0]]
        if alpha is not None:
            bits = int(page.bitspersample)
            alpha = np.rint(alpha * (65535 / (2**bits - 1))).astype(np.uint16)
    array = colours if alpha is None else np.concatenate([colours, alpha], axis=-1)
    return upright(array, found.orientation)


def _sixteen_bits(colour_map: Array) -> Array:
    """Some writers put 8-bit numbers into the map; where none is larger, they are taken as such."""
    return colour_map * np.uint16(257) if int(colour_map.max(initial=0)) < 256 else colour_map


@contextmanager
def _first_page(path: Path) -> Iterator[tuple[Any, list[str]]]:
    """The first picture of a file, and the list of what the library complains about while it is open."""
    import tifffile

    with logged("tifffile") as said:
        try:
            file = tifffile.TiffFile(path)
        except MemoryError:
            raise
        except Exception as error:
            raise FileError(path, "its TIFF header is damaged or cut short", _AGAIN) from error
        with file:
            try:
                page = file.pages[0]
            except Exception as error:
                raise FileError(path, "its TIFF header is damaged or cut short", _AGAIN) from error
            yield page, said


def _undecoded(path: Path, page: Any) -> FileError:
    how = _compression(page)
    return FileError(path, f"its TIFF pixels ({how}) cannot be decoded: it is cut short or damaged", _AGAIN)


def _compression(page: Any) -> str:
    number = int(page.compression)
    name = getattr(page.compression, "name", "")
    return "not compressed" if number == 1 else f"compression {name or number}"


def _described(path: Path, page: Any) -> _Described:
    try:
        return _understood(path, page)
    except (FileError, MemoryError):
        raise
    except Exception as error:
        raise FileError(path, "its TIFF header is damaged", _AGAIN) from error


def _understood(path: Path, page: Any) -> _Described:
    if 262 not in page.tags:
        raise FileError(path, "it does not say what its numbers mean (no PhotometricInterpretation)", _SAVE)
    photometric = int(page.photometric)
    jpeg = int(page.compression) in _JPEG
    if photometric not in (_WHITE_IS_0, _GREY, _RGB, _PALETTE) and not (photometric == _YCBCR and jpeg):
        what = _OTHER_COLOURS.get(photometric, f"colour of an unknown kind ({photometric})")
        raise FileError(path, f"it holds {what}, not RGB, grey or a palette", _SAVE)
    bits = _bits(path, page, photometric)
    if page.imagedepth != 1:
        raise FileError(path, "it is a volume, not a picture", "save one slice of it")
    width, height, samples = int(page.imagewidth), int(page.imagelength), int(page.samplesperpixel)
    colours = 3 if photometric in (_RGB, _YCBCR) else 1
    if width < 1 or height < 1 or samples < colours:
        raise FileError(path, "its TIFF header is damaged", _AGAIN)
    _complete(path, page)
    alpha, alpha_at, doubts = _alpha(page, samples, colours)
    orientation = _orientation(page)
    if orientation >= 5:  # it lies on its side
        width, height = height, width
    channels = (3 if photometric == _PALETTE else colours) + (alpha != "none")
    return _Described(
        StillHeader(width, height, channels, bits, alpha, doubts), photometric, orientation, alpha_at
    )


def _bits(path: Path, page: Any, photometric: int) -> int:
    """Bits of a value, where values can be read; those of the colours that a palette stands for."""
    stored = page.bitspersample
    if not isinstance(stored, int):
        listed = ", ".join(str(int(bits)) for bits in stored)
        raise FileError(path, f"its channels have different numbers of bits ({listed})", _SAVE)
    formats = page.sampleformat
    number = int(formats[0] if isinstance(formats, tuple) else formats)
    # SampleFormat: 1 and 4 unsigned, 2 signed, 3 float, 5 and 6 complex.
    if number in (5, 6):
        raise FileError(path, "it holds complex numbers, which are no colour", _SAVE)
    kind = "" if page.dtype is None else page.dtype.kind
    if kind not in ("u", "i", "f", "b"):
        word = {2: "signed whole numbers", 3: "floats"}.get(number, "whole numbers")
        raise FileError(
            path, f"it holds {word} of {stored} bits, which cannot be read", "save it with 8, 16 or 32 bits"
        )
    if kind == "u" and 16 < stored < 32 and page.parent.byteorder == ">":
        # The decoder turns the bytes of such numbers round; it does so from 17 bits on.
        raise FileError(path, f"it holds whole numbers of {stored} bits, largest byte first, which cannot be read",
                        "save it with 8, 16 or 32 bits")  # fmt: skip
    if photometric == _WHITE_IS_0 and kind not in ("u", "b"):
        word = "floats" if kind == "f" else "signed numbers"
        raise FileError(path, f"it holds {word} with white at 0, and nothing says where black is", _SAVE)
    if photometric != _PALETTE:
        return int(stored)
    colour_map = page.colormap
    if kind not in ("u", "b") or stored > 16:
        raise FileError(path, f"it is palette colour of {stored} bits in a form that cannot be read", _SAVE)
    if colour_map is None or np.shape(colour_map) != (3, 2**stored):
        raise FileError(path, "it is palette colour, and its palette is missing or damaged", _SAVE)
    return 16


def _complete(path: Path, page: Any) -> None:
    """Every strip or tile must have a place inside the file."""
    size = page.parent.filehandle.size
    there = sum(
        1
        for at, count in zip(page.dataoffsets, page.databytecounts, strict=False)
        if at > 0 and count > 0 and at + count <= size
    )
    wanted = prod(page.chunked)
    if there < wanted:
        what = "tiles" if page.is_tiled else "strips"
        raise FileError(path, f"it is cut short or unfinished: {there} of {wanted} {what} are in the file", _AGAIN)
    try:
        import tifffile

        tifffile.TIFF.DECOMPRESSORS[page.compression]
    except KeyError:
        raise FileError(
            path, f"its {_compression(page)} cannot be read", "save it with LZW, ZIP or no compression"
        ) from None


def _alpha(page: Any, samples: int, colours: int) -> tuple[Alpha, int | None, tuple[str, ...]]:
    """State of alpha, which sample it is, and what is to be said of it."""
    if samples <= colours:
        return "none", None, ()
    extra = [int(value) for value in page.extrasamples][: samples - colours]
    for number, value in enumerate(extra):
        if value in (1, 2):
            return ("premultiplied" if value == 1 else "straight"), colours + number, ()
    return "straight", colours, (ALPHA_UNSAID,)


def _orientation(page: Any) -> int:
    """Tag 274; 1, as it is, where it holds no such number."""
    tag = page.tags.valueof(274, 1)
    try:
        number = int(tag)
    except (TypeError, ValueError):
        return 1
    return number if 1 <= number <= 8 else 1
