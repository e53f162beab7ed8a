"""Stills: PNG, JPEG and TIFF.

Whole numbers mean 0 to 1 over their full range (255, 65535 …); float TIFF is taken as it is. Which encoding
the numbers are in, the graph says; no profile or gamma tag is looked at.

PNG goes through `imagecodecs`, because the usual way through Pillow brings 16-bit colour down to 8 bits
without a word. JPEG goes through `imageio`, which notices a file that is cut short; the camera's
orientation tag is followed. TIFF goes through `tifffile`.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from stackcomp.errors import FileError
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import Mark, in_jpeg, in_png, seal
from stackcomp.files.paths import nearby
from stackcomp.port_types import Alpha

__all__ = ["Still", "StillHeader", "StillReport", "read", "read_header", "write"]

Pixels = npt.NDArray[np.float32]
_Result = TypeVar("_Result")
_PNG = b"\x89PNG\r\n\x1a\n"
_KINDS = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG", ".tif": "TIFF", ".tiff": "TIFF"}
_BITS = {"PNG": (8, 16), "JPEG": (8,), "TIFF": (8, 16, 32)}


class Still(NamedTuple):
    """Pixels ``(height, width, channels)`` float32, whether the last channel is alpha, bits as stored."""

    pixels: Pixels
    has_alpha: bool
    bits: int


@dataclass(frozen=True)
class StillHeader:
    """What a still says about itself.

    ``alpha`` is what its format promises: straight for PNG (its standard), either for TIFF (its tag for
    extra samples).
    """

    width: int
    height: int
    channels: int
    bits: int
    alpha: Alpha


@dataclass(frozen=True)
class StillReport:
    """What happened on the way to disk: values outside 0 to 1, and values that are not finite."""

    path: Path
    clipped: int = 0
    not_finite: int = 0


def read(path: str | os.PathLike[str]) -> Still:
    """Read a still.

    Returns:
        Grey has one channel (two with alpha), colour three (four with alpha).

    Raises:
        FileError: missing, damaged, of another format, or of a kind of colour that is not RGB or grey.
    """
    path = Path(path)
    kind = _kind(path)
    readers: dict[str, Callable[[Path], Still]] = {"PNG": _read_png, "JPEG": _read_jpeg, "TIFF": _read_tiff}
    return _guarded(path, kind, readers[kind])


def read_header(path: str | os.PathLike[str]) -> StillHeader:
    """Size, channels, bits and alpha of a still; no pixel is decoded.

    Raises:
        FileError: as `read`.
    """
    path = Path(path)
    kind = _kind(path)
    readers: dict[str, Callable[[Path], StillHeader]] = {
        "PNG": _png_header,
        "JPEG": _jpeg_header,
        "TIFF": _tiff_header,
    }
    return _guarded(path, kind, readers[kind])


def write(
    path: str | os.PathLike[str],
    pixels: npt.ArrayLike,
    bits: int = 8,
    *,
    quality: int = 95,
    alpha: Literal["straight", "premultiplied"] = "straight",
    mark: Mark | None = None,
) -> StillReport:
    """Write a still, whole or not at all; lossless formats are read back and compared.

    Args:
        path: the file; its ending says the format: .png, .jpg, .jpeg, .tif, .tiff.
        pixels: ``(height, width)`` or ``(height, width, channels)``: grey, grey and alpha, RGB, RGB and
            alpha. 0 to 1; rounded to the nearest step, clipped, not dithered. NaN becomes 0. In float
            TIFF (32 bits) numbers stay as they are.
        bits: 8; or 16 (PNG, TIFF); or 32 for float (TIFF).
        quality: of JPEG, 1 to 100; chroma keeps its full size.
        alpha: state of the alpha channel; PNG knows straight alpha only.
        mark: what the file says of the program that wrote it.

    Raises:
        FileError: a format that cannot hold these pixels, or a disk that does not want.
    """
    path = Path(path)
    kind = _KINDS.get(path.suffix.lower())
    if kind is None:
        raise FileError(path, f'unknown ending "{path.suffix}"', "choose from " + ", ".join(_KINDS))
    array = np.asarray(pixels, np.float32)
    array = array[..., None] if array.ndim == 2 else array
    if array.ndim != 3 or not 1 <= array.shape[2] <= 4 or 0 in array.shape:
        raise FileError(path, f"an array of shape {array.shape} is not a picture")
    has_alpha = array.shape[2] in (2, 4)
    if bits not in _BITS[kind]:
        raise FileError(
            path, f"{kind} has no {bits} bits a channel", f"choose from {', '.join(map(str, _BITS[kind]))}"
        )
    if has_alpha and kind == "JPEG":
        raise FileError(path, "JPEG has no alpha", "leave alpha out, or write PNG or TIFF")
    if has_alpha and kind == "PNG" and alpha != "straight":
        raise FileError(path, "PNG holds straight alpha only", "divide by alpha first, or write TIFF")
    steps, report = (array, StillReport(path)) if bits == 32 else _quantise(path, array, bits)
    with whole_file(path) as unfinished:
        _encode(unfinished, kind, steps, quality, alpha if has_alpha else None, mark)
        _check(unfinished, kind, steps)
    return report


def _quantise(path: Path, array: Pixels, bits: int) -> tuple[npt.NDArray[Any], StillReport]:
    most = 2**bits - 1
    finite = np.isfinite(array)
    outside = finite & ((array < 0) | (array > 1))
    # In float64 the product is exact, so that rounding happens once.
    scaled = np.rint(np.clip(np.nan_to_num(array, nan=0.0, posinf=1.0, neginf=0.0), 0, 1) * np.float64(most))
    steps = np.ascontiguousarray(scaled.astype(np.uint8 if bits == 8 else np.uint16))
    return steps, StillReport(path, int(np.count_nonzero(outside)), int(finite.size - finite.sum()))


def _encode(
    path: Path, kind: str, steps: npt.NDArray[Any], quality: int, alpha: str | None, mark: Mark | None
) -> None:
    if kind == "PNG":
        import imagecodecs

        # Higher levels take twice the time for half a per cent.
        data = bytes(imagecodecs.png_encode(steps, level=2))
        path.write_bytes(data if mark is None else in_png(data, mark))
    elif kind == "JPEG":
        import imageio.v3 as imageio

        options: dict[str, Any] = {"quality": quality}
        if steps.shape[2] == 1:
            steps = steps[..., 0]
        else:
            options["subsampling"] = 0
        data = imageio.imwrite("<bytes>", steps, extension=".jpg", plugin="pillow", **options)
        path.write_bytes(data if mark is None else in_jpeg(data, mark))
    else:
        import tifffile

        tifffile.imwrite(
            path,
            steps if steps.shape[2] > 1 else steps[..., 0],
            photometric="rgb" if steps.shape[2] > 2 else "minisblack",
            planarconfig="contig" if steps.shape[2] > 1 else None,
            extrasamples=None if alpha is None else ["assocalpha" if alpha == "premultiplied" else "unassalpha"],
            compression="zlib",
            predictor=True,
            metadata=None,
            **({} if mark is None else {"software": mark.line()}),
        )
        if mark is not None:
            seal(path)


def _check(path: Path, kind: str, steps: npt.NDArray[Any]) -> None:
    back = read(path)
    if back.pixels.shape != steps.shape:
        raise FileError(path, f"read back as {back.pixels.shape}, but {steps.shape} was written")
    if kind != "JPEG" and not np.array_equal(back.pixels, _to_float(steps, back.bits), equal_nan=True):
        raise FileError(path, "what was read back is not what was written")


def _kind(path: Path) -> str:
    """The format by the first bytes, because endings lie."""
    if not path.is_file():
        raise FileError(path, "there is no such file", nearby(path))
    try:
        with path.open("rb") as file:
            start = file.read(8)
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}") from error
    if start == _PNG:
        return "PNG"
    if start[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    raise FileError(path, "it is neither PNG, JPEG nor TIFF", "save it as one of these, or as OpenEXR")


def _guarded(path: Path, kind: str, reader: Callable[[Path], _Result]) -> _Result:
    try:
        return reader(path)
    except FileError:
        raise
    except MemoryError as error:
        raise FileError(path, "there is not enough memory for it") from error
    except Exception as error:
        # Each library raises what it likes; all of it means that this file is no good.
        raise FileError(path, f"it is damaged {kind}: {error}") from error


def _to_float(array: npt.NDArray[Any], bits: int) -> Pixels:
    if array.dtype.kind == "f":
        return np.ascontiguousarray(array, np.float32)
    if bits <= 16:  # exact in float32, so that one rounding is left
        scaled: Pixels = np.divide(array, np.float32(2**bits - 1), dtype=np.float32)
        return scaled
    return np.asarray(array / np.float64(2**bits - 1), np.float32)


def _still(array: npt.NDArray[Any], bits: int) -> Still:
    array = array[..., None] if array.ndim == 2 else array
    return Still(_to_float(array, bits), array.shape[2] in (2, 4), bits)


def _read_png(path: Path) -> Still:
    import imagecodecs

    array = imagecodecs.png_decode(path.read_bytes())
    return _still(array, 8 * array.dtype.itemsize)


def _png_header(path: Path) -> StillHeader:
    with path.open("rb") as file:
        file.seek(8)
        length, _ = struct.unpack(">I4s", file.read(8))
        width, height, bits, colour = struct.unpack(">IIBB", file.read(length + 4)[:10])
        transparent = False
        while (leader := file.read(8)) and len(leader) == 8 and leader[4:] != b"IDAT":
            transparent |= leader[4:] == b"tRNS"
            file.seek(struct.unpack(">I", leader[:4])[0] + 4, os.SEEK_CUR)
    # Colour type by the PNG standard: 0 grey, 2 RGB, 3 palette, 4 grey and alpha, 6 RGB and alpha.
    has_alpha = transparent or colour in (4, 6)
    channels = (1 if colour in (0, 4) else 3) + has_alpha
    return StillHeader(width, height, channels, 16 if bits == 16 else 8, "straight" if has_alpha else "none")


def _read_jpeg(path: Path) -> Still:
    import imageio.v3 as imageio

    array = imageio.imread(path, plugin="pillow", rotate=True)
    if array.ndim == 3 and array.shape[2] != 3:
        raise FileError(path, "it is neither RGB nor grey", "save it as RGB")
    return _still(array, 8)


def _jpeg_header(path: Path) -> StillHeader:
    from PIL import Image

    with Image.open(path) as image:
        width, height = image.size
        if image.getexif().get(0x0112, 1) >= 5:  # orientations that lie on their side
            width, height = height, width
        return StillHeader(width, height, 1 if image.mode == "L" else 3, 8, "none")


def _read_tiff(path: Path) -> Still:
    import tifffile

    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        header = _tiff_page(path, page)
        array = page.asarray()
    if array.ndim == 3 and int(page.planarconfig) == 2:
        array = np.moveaxis(array, 0, -1)
    if array.dtype.kind == "b":
        array = array.astype(np.uint8)
    if int(page.photometric) == 0:  # white is 0
        array = (2**header.bits - 1) - array
    array = array[..., None] if array.ndim == 2 else array
    array = array[..., : header.channels]
    return Still(_to_float(array, header.bits), header.alpha != "none", header.bits)


def _tiff_header(path: Path) -> StillHeader:
    import tifffile

    with tifffile.TiffFile(path) as file:
        return _tiff_page(path, file.pages[0])


def _tiff_page(path: Path, page: Any) -> StillHeader:
    photometric = int(page.photometric)
    # 0 and 1 are grey, 2 is RGB; the rest are palettes, inks and luminance with chroma.
    if photometric not in (0, 1, 2) or page.dtype is None or page.dtype.kind not in "ufb":
        raise FileError(path, f"its pixels are {page.photometric!s} {page.dtype}", "save it as RGB or grey")
    if photometric == 0 and page.dtype.kind == "f":
        raise FileError(path, "it is float with white at 0", "save it as RGB or grey")
    if page.imagedepth != 1:
        raise FileError(path, "it is a volume, not a picture")
    colours = 3 if photometric == 2 else 1
    extra = [int(value) for value in page.extrasamples]
    # 0 is an extra sample of no stated meaning; what stands in a fourth channel is alpha by custom.
    state: Alpha = "none"
    if page.samplesperpixel > colours:
        state = "premultiplied" if extra[:1] == [1] else "straight"
    return StillHeader(
        page.imagewidth, page.imagelength, colours + (state != "none"), int(page.bitspersample), state
    )
