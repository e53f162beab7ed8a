"""OpenEXR: write one scanline part, atomically.

The largest half float is 65504. Finite values beyond it are stored as ±65504 and counted; NaN and infinities are
kept. Ids are bit patterns, so they are stored as uint, or bit for bit as float, and never as half. Only lossless
compression is offered, because any file may contain ids and data channels.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Plane
from stackcomp.data.window import Window
from stackcomp.errors import FileError, did_you_mean
from stackcomp.files import exr_level
from stackcomp.files.atomic import library_write, whole_file
from stackcomp.files.exr_layout import PixelType, check_chunks, read_layout
from stackcomp.files.mark import ATTRIBUTE, Mark, seal
from stackcomp.kernels.strips import over_strips, thread_count

__all__ = ["COMPRESSIONS", "LOSSY", "WriteReport", "library_threads", "write"]

COMPRESSIONS = ("none", "rle", "zips", "zip", "piz", "htj2k32", "htj2k256")
LOSSY = ("pxr24", "b44", "b44a", "dwaa", "dwab")
_LARGEST_HALF = 65504.0
# Attributes set by arguments, never by metadata that comes from another file.
_OURS = frozenset(
    (
        "channels", "chunkCount", "compression", "dataWindow", "displayWindow", "lineOrder", "name",
        "maxSamplesPerPixel", "preview", "tiles", "type", "version", ATTRIBUTE,
    )
)  # fmt: skip

_threads_lock = threading.Lock()

StoredType = Literal["half", "float"]


@dataclass(frozen=True)
class WriteReport:
    """Result of writing a file.

    Attributes:
        path: the file.
        clamped: number of finite values beyond the range of half, stored as ±65504.
        skipped: names of attributes that could not be stored.
    """

    path: Path
    clamped: int = 0
    skipped: tuple[str, ...] = ()


def write(
    path: str | os.PathLike[str],
    planes: Mapping[str, Plane],
    *,
    window: Window,
    display: Window,
    pixel_type: StoredType | Mapping[str, StoredType] = "half",
    compression: str = "zip",
    compression_level: int = exr_level.DEFAULT,
    metadata: Mapping[str, Any] | None = None,
    bits_as_float: Collection[str] = (),
    mark: Mark | None = None,
) -> WriteReport:
    """Write planes to a file, read its layout back, and rename it into place.

    Args:
        path: the file; a missing folder is created.
        planes: channel name → float32, float16 or uint32 of shape ``window.shape``; float16 is stored as half.
        window: data window. If it is empty, the file gets a single pixel of 0 at the corner of the frame, because
            the format has no empty windows.
        display: display window, the frame.
        pixel_type: of float32 planes: for all, or by name (half if not named).
        compression: one of `COMPRESSIONS`.
        compression_level: of zip and zips: 1, fastest, to 9, smallest.
        metadata: attributes: numbers, text, fractions (rationals), small vectors and matrices, and those that
            `read_header` returns; ``chromaticities`` are 8 numbers. Others are skipped and named in the report.
        bits_as_float: names of planes of id bits, stored as float bit for bit.
        mark: the mark of the program, or None.

    Raises:
        FileError: lossy compression, ids as half, planes that do not fit, or a file that cannot be written.
    """
    path = Path(path)
    _check_compression(path, compression)
    if display.empty:
        raise FileError(path, "the display window is empty")
    if not planes:
        raise FileError(path, "there are no channels to write")
    types = {
        name: _stored_type(path, name, plane, pixel_type, name in bits_as_float) for name, plane in planes.items()
    }
    if window.empty:
        window = Window(display.x0, display.y0, display.x0 + 1, display.y0 + 1)
        planes = {name: np.zeros((1, 1), plane.dtype) for name, plane in planes.items()}
    stored: dict[str, Plane] = {}
    clamped = 0
    for name, plane in planes.items():
        if plane.shape != window.shape:
            raise FileError(path, f'channel "{name}" is {plane.shape}, but its window is {window.shape}')
        if plane.dtype == np.float16:
            stored[name] = np.ascontiguousarray(plane)
        elif types[name] == "half":
            stored[name], beyond = _to_half(plane)
            clamped += beyond
        else:
            stored[name] = np.ascontiguousarray(plane).view(np.uint32 if types[name] == "uint" else np.float32)
    attributes, skipped = _attributes(path, metadata or {})
    if mark is not None:
        attributes[ATTRIBUTE] = mark.line()
    with whole_file(path) as unfinished:
        with exr_level.compression_level(compression_level):
            _write(unfinished, stored, attributes, window, display, compression)
        if mark is not None:
            seal(unfinished)
        _check(unfinished, types, window, display)
    return WriteReport(path, clamped, skipped)


def _check_compression(path: Path, compression: str) -> None:
    if compression in LOSSY:
        raise FileError(
            path,
            f'compression "{compression}" loses bits',
            did_you_mean(compression, COMPRESSIONS) or "choose from " + ", ".join(COMPRESSIONS),
        )
    if compression not in COMPRESSIONS:
        raise FileError(path, f'unknown compression "{compression}"', did_you_mean(compression, COMPRESSIONS))


def _stored_type(
    path: Path, name: str, plane: Plane, pixel_type: StoredType | Mapping[str, StoredType], bits: bool
) -> PixelType:
    if not name or "\0" in name or len(name.encode()) > 255:
        raise FileError(path, f"{name!r} cannot be the name of a channel")
    if plane.dtype not in (np.float32, np.float16, np.uint32):
        raise FileError(
            path, f'channel "{name}" is {plane.dtype}; it must be float32 or float16, or uint32 for ids'
        )
    requested = pixel_type if isinstance(pixel_type, str) else pixel_type.get(name)
    if requested not in (None, "half", "float"):
        raise FileError(path, f'channel "{name}" cannot be stored as {requested!r}', 'choose "half" or "float"')
    if plane.dtype == np.float16:
        if bits or requested == "float":
            raise FileError(path, f'channel "{name}" is float16 and would be stored as float', "give float32")
        return "half"
    if bits or plane.dtype == np.uint32:
        # A type for all planes is meant for the picture; half for this channel by name is a mistake.
        if requested == "half" and not isinstance(pixel_type, str):
            raise FileError(path, f'ids in channel "{name}" cannot be stored as half', 'choose "float"')
        return "float" if bits else "uint"
    return cast(PixelType, requested or "half")


def _to_half(plane: Plane) -> tuple[npt.NDArray[np.float16], int]:
    half = np.empty(plane.shape, np.float16)
    counts: list[int] = []

    def work(first: int, last: int) -> None:
        rows = plane[first:last]
        size = np.abs(rows)
        with np.errstate(invalid="ignore"):
            beyond = (size > _LARGEST_HALF) & (size < np.inf)
        if count := int(np.count_nonzero(beyond)):
            counts.append(count)
            rows = np.where(beyond, np.copysign(np.float32(_LARGEST_HALF), rows), rows)
        half[first:last] = rows

    over_strips(work, plane.shape[0])
    return half, sum(counts)


def _write(
    path: Path,
    planes: Mapping[str, Plane],
    attributes: Mapping[str, Any],
    window: Window,
    display: Window,
    compression: str,
) -> None:
    import OpenEXR

    header = {
        **attributes,
        "compression": getattr(OpenEXR, f"{'no' if compression == 'none' else compression}_compression".upper()),
        "dataWindow": window.to_exr(),
        "displayWindow": display.to_exr(),
        "lineOrder": OpenEXR.INCREASING_Y,
        "type": OpenEXR.scanlineimage,
    }
    threads = library_threads()
    # The bindings raise RuntimeError for most failures, and ValueError or TypeError for attributes that they
    # cannot store, which may come from any other file.
    with library_write(RuntimeError, ValueError, TypeError):
        _write_by_library(str(path), header, dict(planes), threads)


def _write_by_library(path: str, header: dict[str, Any], planes: dict[str, Plane], threads: int) -> None:
    import OpenEXR

    # The library replaces values in both dictionaries.
    OpenEXR.File(header, planes, num_threads=threads).write(path)


def _check(path: Path, types: Mapping[str, PixelType], window: Window, display: Window) -> None:
    layout = read_layout(path)
    (part,) = layout.parts
    if (
        {channel.name: channel.pixel_type for channel in part.channels} != dict(types)
        or part.data_window != window
        or part.display_window != display
    ):
        raise FileError(path, "the header read back differs from the one written")
    check_chunks(path, layout, thorough=True)


def _attributes(path: Path, metadata: Mapping[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    kept: dict[str, Any] = {}
    skipped = []
    for name, value in metadata.items():
        if name in _OURS:
            continue
        if name == "chromaticities":
            kept[name] = _chromaticities(path, value)
            continue
        value = _attribute(value)
        if value is None or not 0 < len(name.encode()) < 256:
            skipped.append(name)
        else:
            kept[name] = value
    return kept, tuple(skipped)


def _chromaticities(path: Path, value: Any) -> tuple[float, ...]:
    try:
        numbers = tuple(float(number) for number in value)
    except (TypeError, ValueError, OverflowError):  # raised by the value itself, not by our code
        numbers = ()
    if len(numbers) != 8:
        raise FileError(path, f"chromaticities are 8 numbers (x and y of red, green, blue, white), not {value!r}")
    return numbers


def _attribute(value: Any) -> Any:
    """Return the value as the library stores it, or None if it has no type for it."""
    import OpenEXR

    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, os.PathLike):
        value = os.fspath(value)
    if isinstance(value, str | float):
        return value
    if isinstance(value, int):
        return int(value) if -(2**31) <= value < 2**31 else None  # the library would let it overflow
    if isinstance(value, OpenEXR.Rational):
        value = Fraction(value.n, value.d) if value.d else None
    if isinstance(value, Fraction):  # a rational has a signed and an unsigned number of 32 bits
        return value if -(2**31) <= value.numerator < 2**31 and value.denominator < 2**32 else None
    if isinstance(value, OpenEXR.TimeCode | OpenEXR.KeyCode | OpenEXR.Envmap | OpenEXR.Bytes):
        return value
    if isinstance(value, np.ndarray):
        if value.shape in ((2,), (3,)) and value.dtype in (np.int32, np.float32, np.float64):
            return value
        if value.shape in ((3, 3), (4, 4)) and value.dtype in (np.float32, np.float64):
            return value
        return (
            [float(number) for number in value]
            if value.ndim == 1 and value.size and value.dtype.kind in "fiu"
            else None
        )
    if isinstance(value, list | tuple) and value:
        return _sequence(value)
    return None


def _sequence(value: list[Any] | tuple[Any, ...]) -> Any:
    if all(isinstance(item, str) for item in value):
        return list(value)
    numbers = [item.item() if isinstance(item, np.generic) else item for item in value]
    if all(isinstance(item, int | float) for item in numbers):
        # The library drops lists of whole numbers, but stores lists of floats.
        whole = all(isinstance(item, int) for item in numbers)
        vector = isinstance(value, tuple) and len(numbers) in (2, 3)
        return tuple(numbers) if vector and whole else (tuple if vector else list)(map(float, numbers))
    box = isinstance(value, tuple) and len(value) == 2
    return value if box and all(isinstance(item, np.ndarray) and item.shape == (2,) for item in value) else None


def library_threads() -> int:
    """Return the thread count for the OpenEXR library, after enlarging its own pool to that size."""
    import OpenEXR

    count = thread_count()
    if count == 1:
        return 0
    with _threads_lock:
        if OpenEXR.global_thread_count() < count:
            OpenEXR.set_global_thread_count(count)
    return count
