"""Stills: PNG, JPEG and TIFF.

Whole numbers represent 0 to 1 over their full range (255, 65535 …), signed ones −1 to 1; float TIFF is kept as it
is. The graph declares the encoding; profiles and gamma tags are ignored. The first bytes of a file decide its
format; the modules `png`, `jpeg` and `tiff` read the formats.
"""

from __future__ import annotations

import io
import os
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from stackcomp.errors import FileError
from stackcomp.files import jpeg, png, tiff
from stackcomp.files.atomic import library_write, whole_file
from stackcomp.files.file_state import FileState, one_state
from stackcomp.files.formats import ENDINGS, format_of
from stackcomp.files.mark import Mark, in_jpeg, in_png, seal
from stackcomp.files.still_types import Pixels, Still, StillHeader, from_steps

__all__ = ["LARGEST", "Still", "StillHeader", "StillReport", "read", "read_header", "write"]

LARGEST = 1 << 30
"""Largest number of pixels of a still. A file whose header announces more is refused; raise it to read one."""

_FORMATS: dict[str, ModuleType] = {"PNG": png, "JPEG": jpeg, "TIFF": tiff}
_KINDS = {ending: name for ending, name in ENDINGS.items() if name in _FORMATS}
_BITS = {"PNG": (8, 16), "JPEG": (8,), "TIFF": (8, 16, 32)}


@dataclass(frozen=True)
class StillReport:
    """Result of writing a still, as counts of values.

    Attributes:
        path: the file.
        clipped: finite values outside 0 to 1, clipped.
        nan: not a number, written as 0.
        above: +infinity, written as 1.
        below: −infinity, written as 0.
    """

    path: Path
    clipped: int = 0
    nan: int = 0
    above: int = 0
    below: int = 0

    @property
    def not_finite(self) -> int:
        """Number of values that were not finite."""
        return self.nan + self.above + self.below


def read(path: str | os.PathLike[str], *, state: FileState | None = None) -> Still:
    """Read a still.

    Args:
        path: the file.
        state: the expected state of the file; any state when None.

    Returns:
        Grey has one channel (two with alpha), colour three (four with alpha).

    Raises:
        FileError: missing, damaged, of another format, or its colour is not RGB or grey.
        FileChangedError: the file is in another state, or changed during reading. Header and pixels always belong
            to one state of the file.
    """
    path = Path(path)
    with one_state(path, state):
        kind, header = _header(path)
        try:
            array = _FORMATS[kind].pixels(path, header)
            array = array[..., None] if array.ndim == 2 else array
            if array.shape != (header.height, header.width, header.channels):
                raise FileError(
                    path,
                    f"its pixels are {array.shape[1]}×{array.shape[0]} with {array.shape[2]} channels, but its "
                    f"header announced {header.width}×{header.height} with {header.channels}",
                    "render or copy the file again",
                )
            pixels = from_steps(array, header.bits)
        except MemoryError as error:
            raise FileError(path, "there is not enough memory for it") from error
        except OSError as error:
            raise _unreadable(path, error) from error
    return Still(pixels, header.alpha != "none", header.bits)


def read_header(path: str | os.PathLike[str], *, state: FileState | None = None) -> StillHeader:
    """Return size, channels, bits and alpha of a still; no pixel is decoded.

    Raises:
        FileError, FileChangedError: as `read`.
    """
    path = Path(path)
    with one_state(path, state):
        return _header(path)[1]


def _header(path: Path) -> tuple[str, StillHeader]:
    kind = format_of(path)
    if kind not in _FORMATS:
        raise FileError(path, f"it is {kind}, not PNG, JPEG or TIFF")
    try:
        header: StillHeader = _FORMATS[kind].header(path)
    except OSError as error:
        raise _unreadable(path, error) from error
    except MemoryError as error:  # The header announces an absurd number of tags or strips.
        raise FileError(path, f"its {kind} header is damaged", "render or copy the file again") from error
    if header.width * header.height > LARGEST:
        raise FileError(
            path,
            f"its header announces {header.width} × {header.height} pixels; the limit is {LARGEST} pixels",
            "if that is right, raise stackcomp.files.stills.LARGEST",
        )
    return kind, header


def _unreadable(path: Path, error: OSError) -> FileError:
    return FileError(path, f"cannot be read: {error.strerror or 'the disk failed'}", "check the disk")


def write(
    path: str | os.PathLike[str],
    pixels: npt.ArrayLike,
    bits: int = 8,
    *,
    quality: int = 95,
    alpha: Literal["straight", "premultiplied"] = "straight",
    mark: Mark | None = None,
) -> StillReport:
    """Write a still atomically; lossless formats are read back and compared.

    Args:
        path: the file; its suffix decides the format: .png, .jpg, .jpeg, .tif, .tiff.
        pixels: ``(height, width)`` or ``(height, width, channels)``: grey, grey and alpha, RGB, RGB and alpha.
            Values from 0 to 1 are rounded to the nearest step; others are clipped; nothing is dithered. NaN
            becomes 0, +infinity 1, −infinity 0, each counted. Float TIFF (32 bits) keeps all values.
        bits: 8; or 16 (PNG, TIFF); or 32 for float (TIFF).
        quality: of JPEG, 1 to 100; chroma is not subsampled.
        alpha: state of the alpha channel; PNG supports straight alpha only.
        mark: the mark of the program, or None.

    Raises:
        FileError: the format cannot store these pixels, or the file cannot be written.
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
            path,
            f"{kind} does not support {bits} bits per channel",
            f"choose from {', '.join(map(str, _BITS[kind]))}",
        )
    if has_alpha and kind == "JPEG":
        raise FileError(path, "JPEG does not support alpha", "leave alpha out, or write PNG or TIFF")
    if has_alpha and kind == "PNG" and alpha != "straight":
        raise FileError(path, "PNG supports straight alpha only", "divide by alpha first, or write TIFF")
    steps, report = (array, StillReport(path)) if bits == 32 else _quantise(path, array, bits)
    with whole_file(path) as unfinished:
        # Encoded in memory first, so that a write error has the error number of the system.
        unfinished.write_bytes(_encoded(kind, steps, quality, alpha if has_alpha else None, mark))
        if mark is not None and kind == "TIFF":
            seal(unfinished)
        _check(unfinished, kind, steps)
    return report


def _quantise(path: Path, array: Pixels, bits: int) -> tuple[npt.NDArray[Any], StillReport]:
    most = 2**bits - 1
    outside = np.isfinite(array) & ((array < 0) | (array > 1))
    # In float64 the product is exact, so that the result is rounded once.
    scaled = np.rint(np.clip(np.nan_to_num(array, nan=0.0, posinf=1.0, neginf=0.0), 0, 1) * np.float64(most))
    steps = np.ascontiguousarray(scaled.astype(np.uint8 if bits == 8 else np.uint16))
    counts = (outside, np.isnan(array), np.isposinf(array), np.isneginf(array))
    return steps, StillReport(path, *(int(np.count_nonzero(mask)) for mask in counts))


def _encoded(kind: str, steps: npt.NDArray[Any], quality: int, alpha: str | None, mark: Mark | None) -> bytes:
    if kind == "PNG":
        import imagecodecs

        # Higher levels take twice the time and save half a per cent.
        with library_write(imagecodecs.PngError):
            data = bytes(imagecodecs.png_encode(steps, level=2))
        return data if mark is None else in_png(data, mark)
    buffer = io.BytesIO()
    if kind == "JPEG":
        import imageio.v3 as imageio

        options: dict[str, Any] = {"quality": quality}
        if steps.shape[2] == 1:
            steps = steps[..., 0]
        else:
            options["subsampling"] = 0
        with library_write(OSError, ValueError):  # a picture too large for the format
            imageio.imwrite(buffer, steps, plugin="pillow", extension=".jpg", **options)
        data = buffer.getvalue()
        return data if mark is None else in_jpeg(data, mark)
    import tifffile

    software = {} if mark is None else {"software": mark.line()}
    with library_write(ValueError):  # a picture too large for the format
        tifffile.imwrite(
            buffer,
            steps if steps.shape[2] > 1 else steps[..., 0],
            photometric="rgb" if steps.shape[2] > 2 else "minisblack",
            planarconfig="contig" if steps.shape[2] > 1 else None,
            extrasamples=None if alpha is None else ["assocalpha" if alpha == "premultiplied" else "unassalpha"],
            compression="zlib",
            predictor=True,
            metadata=None,
            **software,
        )
    return buffer.getvalue()


def _check(path: Path, kind: str, steps: npt.NDArray[Any]) -> None:
    back = read(path)
    if back.pixels.shape != steps.shape:
        raise FileError(path, f"its shape read back is {back.pixels.shape}, but {steps.shape} was written")
    if kind != "JPEG" and not np.array_equal(back.pixels, from_steps(steps, back.bits), equal_nan=True):
        raise FileError(path, "its pixels read back differ from those written")
