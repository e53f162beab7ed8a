"""TIFF: header and pixels of the first picture in a file.

These tags are followed: ExtraSamples for alpha (1 premultiplied, 2 straight; with 0, or without the tag, a sample
beyond the colours is straight alpha by convention), and Orientation. Premultiplied means that the numbers *as
stored* were multiplied, in whatever encoding they are: in an 8-bit file for a display, the encoded values. To
decode them, divide by alpha first and multiply after, as `convert_colour` does.

Supported are grey, RGB and palettes of whole numbers up to 64 bits, signed or unsigned, and floats of 16 to 64
bits; YCbCr with JPEG compression only. Everything else is refused when the header is read.

Source: Adobe, TIFF Revision 6.0; its supplements for compressions and BigTIFF. The decoder is `tifffile`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from math import prod
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import numpy as np

from stackcomp.data.port_types import Alpha
from stackcomp.errors import FileError
from stackcomp.files.quiet import captured_log
from stackcomp.files.still_types import Array, StillHeader, upright

__all__ = ["ALPHA_UNSTATED", "header", "pixels"]

ALPHA_UNSTATED = "it does not state what its channel beyond the colours is; it is taken as straight alpha"
"""The doubt about a TIFF with an extra sample of unstated meaning."""

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
# Compressions whose decoder converts YCbCr to RGB: the old and new numbers of JPEG.
_JPEG = (6, 7, 33007)


# Bits of tag 254, NewSubfileType: a smaller version of another picture, a transparency mask.
_NOT_A_PICTURE = 1 | 4
# Pictures of a file that are counted. A stack of a microscope has 100,000, and counting them takes seconds.
_COUNTED = 1000

_Value = TypeVar("_Value")


class _Described(NamedTuple):
    header: StillHeader
    photometric: int
    orientation: int
    alpha_at: int | None


class _Page:
    """The first picture of a file, and what the library logs while the file is open.

    The library reads tags when its attributes are used, and raises exceptions of any type for damaged ones.
    """

    def __init__(self, path: Path, file: Any, log: list[str]) -> None:
        self.path, self.log = path, log
        self._file = file
        self._page = self.get(lambda file: file.pages[0], file, "its TIFF header is damaged or cut short")

    def get(self, attribute: Callable[[Any], _Value], of: Any = None, reason: str = "") -> _Value:
        """Return an attribute of the library's page.

        Args:
            attribute: the access itself, with conversions of its value, and nothing of our own.
            of: the object; the page when None.
            reason: for the error.

        Raises:
            FileError: the access raised anything.
        """
        try:
            return attribute(self._page if of is None else of)
        except MemoryError:
            raise
        except Exception as error:
            raise FileError(self.path, reason or "its TIFF header is damaged", _AGAIN) from error

    def pictures(self) -> int:
        """Number of pictures in the file; counting stops at `_COUNTED`.

        Smaller versions of another picture and masks are not counted.

        Raises:
            FileError: an entry of the list is damaged, or the list has a cycle.
        """
        damaged = "its list of pictures is damaged"
        count, offsets, pages = 0, set[int](), iter(self._file.pages)
        while count < _COUNTED:
            page = self.get(lambda pages: next(pages, None), pages, damaged)
            if page is None:
                break
            offset = self.get(lambda page: page.offset, page, damaged)
            if offset in offsets:  # The library itself follows a cycle without end.
                raise FileError(self.path, damaged, _AGAIN)
            offsets.add(offset)
            count += not self.get(lambda page: int(page.subfiletype) & _NOT_A_PICTURE, page, damaged)
        return count


def header(path: Path) -> StillHeader:
    """Return size (upright), channels, bits and alpha.

    Raises:
        FileError: the header is damaged, or of a kind that cannot be read.
        OSError: the file cannot be read.
    """
    with _first_page(path) as page:
        still = _described(page).header
        try:
            count = page.pictures()
        except FileError as error:  # The first picture can be read, and nothing else is used.
            return replace(still, doubts=(*still.doubts, error.reason))
    if count > 1:
        number = f"at least {count}" if count >= _COUNTED else count
        doubt = f"it contains {number} pictures; only the first is read"
        still = replace(still, doubts=(*still.doubts, doubt))
    return still


def pixels(path: Path, expected: StillHeader) -> Array:
    """Return numbers as stored, ``(height, width, channels)``, upright; of palettes, the 16-bit colours.

    Raises:
        FileError: the header or the pixels are damaged.
        OSError: the file cannot be read.
    """
    with _first_page(path) as page:
        described = _described(page)
        page.log.clear()
        undecoded = f"its TIFF pixels ({_compression(page)}) cannot be decoded: it is cut short or damaged"
        array: Array | None = page.get(lambda page: page.asarray(), reason=undecoded)
        if page.log or array is None:
            raise FileError(path, undecoded, _AGAIN)
        axes = page.get(lambda page: str(page.axes))
        bits = page.get(lambda page: page.bitspersample)
        colour_map = page.get(lambda page: page.colormap) if described.photometric == _PALETTE else None
    array = array.transpose([axes.index(axis) for axis in "YXS" if axis in axes])
    array = array[..., None] if array.ndim == 2 else array
    if array.dtype.kind == "b":
        array = array.astype(np.uint8)
    colours = array[..., : 3 if described.photometric in (_RGB, _YCBCR) else 1]
    if described.photometric == _WHITE_IS_0:
        colours = (2**described.header.bits - 1) - colours
    alpha = None if described.alpha_at is None else array[..., described.alpha_at, None]
    if colour_map is not None:
        colours = _sixteen_bits(np.asarray(colour_map)).T[colours[..., 0]]
        if alpha is not None:
            alpha = np.rint(alpha * (65535 / (2 ** int(bits) - 1))).astype(np.uint16)
    array = colours if alpha is None else np.concatenate([colours, alpha], axis=-1)
    return upright(array, described.orientation)


def _sixteen_bits(colour_map: Array) -> Array:
    """Return the palette in 16 bits: some writers store 8-bit numbers, so if none is larger it is scaled."""
    return colour_map * np.uint16(257) if int(colour_map.max(initial=0)) < 256 else colour_map


@contextmanager
def _first_page(path: Path) -> Iterator[_Page]:
    """Open a file."""
    import tifffile

    with captured_log("tifffile") as log:
        try:
            file = tifffile.TiffFile(path)
        except MemoryError:
            raise
        except Exception as error:  # The library raises exceptions of any type for damaged files.
            raise FileError(path, "its TIFF header is damaged or cut short", _AGAIN) from error
        with file:
            yield _Page(path, file, log)


def _compression(page: _Page) -> str:
    number = page.get(lambda page: int(page.compression))
    name = page.get(lambda page: getattr(page.compression, "name", ""))
    return "not compressed" if number == 1 else f"compression {name or number}"


def _described(page: _Page) -> _Described:
    path = page.path
    if page.get(lambda page: 262 not in page.tags):
        raise FileError(path, "it does not state what its numbers mean (no PhotometricInterpretation)", _SAVE)
    photometric = page.get(lambda page: int(page.photometric))
    jpeg = page.get(lambda page: int(page.compression)) in _JPEG
    if photometric not in (_WHITE_IS_0, _GREY, _RGB, _PALETTE) and not (photometric == _YCBCR and jpeg):
        what = _OTHER_COLOURS.get(photometric, f"colour of an unknown kind ({photometric})")
        raise FileError(path, f"it holds {what}, not RGB, grey or a palette", _SAVE)
    bits = _bits(page, photometric)
    if page.get(lambda page: int(page.imagedepth)) != 1:
        raise FileError(path, "it is a volume, not a picture", "save it as one slice")
    width, height, samples = page.get(
        lambda page: (int(page.imagewidth), int(page.imagelength), int(page.samplesperpixel))
    )
    colours = 3 if photometric in (_RGB, _YCBCR) else 1
    if width < 1 or height < 1 or samples < colours:
        raise FileError(path, "its TIFF header is damaged", _AGAIN)
    _check_complete(page)
    alpha, alpha_at, doubts = _alpha(page, samples, colours)
    orientation = _orientation(page)
    if orientation >= 5:  # it lies on its side
        width, height = height, width
    channels = (3 if photometric == _PALETTE else colours) + (alpha != "none")
    return _Described(
        StillHeader(width, height, channels, bits, alpha, doubts), photometric, orientation, alpha_at
    )


def _bits(page: _Page, photometric: int) -> int:
    """Return the bits of a value if such values can be read; for palettes, those of their colours."""
    path = page.path
    stored = page.get(lambda page: page.bitspersample)
    if not isinstance(stored, int):
        listed = page.get(lambda page: ", ".join(str(int(bits)) for bits in page.bitspersample))
        raise FileError(path, f"its channels have different numbers of bits ({listed})", _SAVE)
    number = page.get(
        lambda page: int(page.sampleformat[0] if isinstance(page.sampleformat, tuple) else page.sampleformat)
    )
    # SampleFormat: 1 and 4 unsigned, 2 signed, 3 float, 5 and 6 complex.
    if number in (5, 6):
        raise FileError(path, "it holds complex numbers, which are not colour", _SAVE)
    kind = page.get(lambda page: "" if page.dtype is None else str(page.dtype.kind))
    if kind not in ("u", "i", "f", "b"):
        word = {2: "signed whole numbers", 3: "floats"}.get(number, "whole numbers")
        raise FileError(
            path, f"it holds {word} of {stored} bits, which cannot be read", "save it with 8, 16 or 32 bits"
        )
    if kind == "u" and 16 < stored < 32 and page.get(lambda page: page.parent.byteorder) == ">":
        # The decoder reverses the bytes of such numbers from 17 bits on.
        raise FileError(
            path,
            f"it holds whole numbers of {stored} bits, largest byte first, which cannot be read",
            "save it with 8, 16 or 32 bits",
        )
    if photometric == _WHITE_IS_0 and kind not in ("u", "b"):
        word = "floats" if kind == "f" else "signed numbers"
        raise FileError(path, f"it holds {word} with white at 0, and does not state where black is", _SAVE)
    if photometric != _PALETTE:
        return int(stored)
    if kind not in ("u", "b") or stored > 16:
        raise FileError(path, f"it is palette colour of {stored} bits in a form that cannot be read", _SAVE)
    shape = page.get(lambda page: None if page.colormap is None else np.shape(page.colormap))
    if shape != (3, 2**stored):
        raise FileError(path, "it is palette colour, and its palette is missing or damaged", _SAVE)
    return 16


def _check_complete(page: _Page) -> None:
    """Check that every strip or tile lies inside the file, and that its compression can be read."""
    import tifffile

    size = page.get(lambda page: int(page.parent.filehandle.size))
    places = page.get(
        lambda page: [
            (int(at), int(count)) for at, count in zip(page.dataoffsets, page.databytecounts, strict=False)
        ]
    )
    inside = sum(1 for at, count in places if at > 0 and count > 0 and at + count <= size)
    expected = page.get(lambda page: prod(page.chunked))
    if inside < expected:
        what = "tiles" if page.get(lambda page: bool(page.is_tiled)) else "strips"
        raise FileError(
            page.path, f"it is cut short or unfinished: {inside} of {expected} {what} are in the file", _AGAIN
        )
    compression = page.get(lambda page: page.compression)
    try:
        tifffile.TIFF.DECOMPRESSORS[compression]
    except KeyError:
        raise FileError(
            page.path, f"its {_compression(page)} cannot be read", "save it with LZW, ZIP or no compression"
        ) from None


def _alpha(page: _Page, samples: int, colours: int) -> tuple[Alpha, int | None, tuple[str, ...]]:
    """Return the state of alpha, the index of its sample, and doubts about it."""
    if samples <= colours:
        return "none", None, ()
    extra = page.get(lambda page: [int(value) for value in page.extrasamples])[: samples - colours]
    for number, value in enumerate(extra):
        if value in (1, 2):
            return ("premultiplied" if value == 1 else "straight"), colours + number, ()
    return "straight", colours, (ALPHA_UNSTATED,)


def _orientation(page: _Page) -> int:
    """Return tag 274; 1 (no change) if it is missing or not a number from 1 to 8."""
    tag = page.get(lambda page: page.tags.valueof(274, 1))
    return int(tag) if isinstance(tag, int) and 1 <= tag <= 8 else 1
