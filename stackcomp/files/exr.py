"""OpenEXR: read headers and pixels. `stackcomp.files.exr_write` has the other direction.

Names of channels: in a file of one part they are as stored. With several parts, a part is the same thing
as a layer: its channels appear as ``part.channel``, except where they begin with the part's name already,
and except for the first part that holds plain R, G or B, which is the picture itself.

Windows: parts may cover different pixels. What is read covers all of them, with 0 where a part has none.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import reduce
from operator import or_
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data.image import Plane
from stackcomp.data.window import Window
from stackcomp.errors import FileError, did_you_mean
from stackcomp.files.exr_layout import Layout, PartLayout, PixelType, check_chunks, read_layout
from stackcomp.files.exr_write import WriteReport, library_threads, write
from stackcomp.files.file_state import FileState, one_state
from stackcomp.files.quiet import printed, unheard
from stackcomp.kernels.strips import over_strips

__all__ = ["LARGEST", "LARGEST_FRAME", "Header", "Part", "Pixels", "WriteReport", "read", "read_header", "write"]

LARGEST = 64 << 30
"""Bytes of planes beyond which a file is refused by its header; set it to read larger ones."""

LARGEST_FRAME = 1 << 30
"""Pixels of a display window beyond which a file is refused by its header: each plane over it would take 4 GiB."""

SUBSAMPLED = "subsampled (luminance and chroma), which cannot be used"
"""What is said of such channels."""

_STRUCTURE = frozenset(
    ("channels", "chunkCount", "compression", "dataWindow", "displayWindow", "lineOrder", "tiles", "type")
)


@dataclass(frozen=True)
class Part:
    """One part of a file; ``channels`` are its names as stored, in the order of ``full_names``."""

    name: str
    channels: tuple[str, ...]
    full_names: tuple[str, ...]
    data_window: Window
    compression: str
    tiled: bool


@dataclass(frozen=True)
class Header:
    """What a file says about itself.

    Attributes:
        channels: full names, in the file's order, part by part.
        pixel_types: full name → ``"half"``, ``"float"`` or ``"uint"``.
        data_window: around the pixels of all parts.
        display_window: the frame.
        metadata: attributes of the first part, then those that only later parts have. What describes how
            the file is stored (windows, compression, channels …) is left out.
        parts: as stored.
        subsampled: full names of channels that have fewer pixels than the window.
        doubts: what is odd about the header, though the file can be read; sentences.
    """

    channels: tuple[str, ...]
    pixel_types: Mapping[str, PixelType]
    data_window: Window
    display_window: Window
    metadata: Mapping[str, Any] = field(repr=False)
    parts: tuple[Part, ...] = ()
    subsampled: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def text(self) -> dict[str, str]:
        """The metadata that is text."""
        return {name: value for name, value in self.metadata.items() if isinstance(value, str)}


@dataclass(frozen=True)
class Pixels:
    """Planes of a file: full name → float32 (uint32 where stored so), C-contiguous, over ``window``."""

    planes: dict[str, Plane]
    window: Window
    header: Header


def read_header(path: str | os.PathLike[str], *, state: FileState | None = None) -> Header:
    """What stands in a file's header; no pixel is read.

    Args:
        path: the file.
        state: the state in which the file must be; any when None.

    Raises:
        FileError: missing, not OpenEXR, deep, damaged, or larger than `LARGEST` or `LARGEST_FRAME`.
        FileChangedError: it is not in that state, or changed while it was read.
    """
    path = Path(path)
    with one_state(path, state):
        return _header(path)[0]


def read(
    path: str | os.PathLike[str], channels: Iterable[str] | None = None, *, state: FileState | None = None
) -> Pixels:
    """Read planes.

    Args:
        path: the file.
        channels: full names wanted; all when None. Half becomes float32; float and uint keep every bit.
        state: as in `read_header`.

    Raises:
        FileError: as `read_header`; also a channel that is not there, subsampled channels, an unfinished
            file, and pixels that cannot be decoded.
        FileChangedError: as `read_header`. Header and pixels are those of one state of the file, or this is
            raised.
    """
    path = Path(path)
    with one_state(path, state):
        return _read(path, channels)


def _read(path: Path, channels: Iterable[str] | None) -> Pixels:
    header, layout = _header(path)
    wanted = tuple(dict.fromkeys(header.channels if channels is None else channels))
    for name in wanted:
        if name not in header.pixel_types:
            raise FileError(path, f'there is no channel "{name}"', did_you_mean(name, header.channels))
        if name in header.subsampled:
            raise FileError(path, f'channel "{name}" is {SUBSAMPLED}', "save it with R, G and B at full size")
    check_chunks(path, layout)
    with printed(), unheard():
        file = _open(path, layout, header_only=False, num_threads=library_threads())
    # The library drops parts that it cannot decode, and later ones move up.
    decoded = {_key(part, layout): part for part in file.parts}
    planes: dict[str, Plane] = {}
    for number, part in enumerate(header.parts):
        source = decoded.get(part.name if len(layout.parts) > 1 else "")
        if source is None:
            subject = f'part {number} "{part.name}"' if len(layout.parts) > 1 else "the picture"
            raise FileError(path, f"the pixels of {subject} are damaged", "render or copy the file again")
        _same_windows(path, source, part, header)
        for stored, name in zip(part.channels, part.full_names, strict=True):
            if name in wanted:
                pixels = source.channels[stored].pixels if stored in source.channels else None
                if pixels is None or pixels.shape != part.data_window.shape:
                    raise FileError(path, f'the pixels of channel "{name}" are damaged')
                planes[name] = _plane(pixels, part.data_window, header.data_window)
    return Pixels({name: planes[name] for name in wanted}, header.data_window, header)


def _same_windows(path: Path, decoded: Any, part: Part, header: Header) -> None:
    """Hold what was decoded against the header that was read before: a file may be written to at any time."""
    own, frame = (Window.from_exr(*decoded.header[name]) for name in ("dataWindow", "displayWindow"))
    if own != part.data_window:
        raise FileError(
            path, f"its pixels cover {own}, but its header announced {part.data_window}", "read it again"
        )
    if part is header.parts[0] and frame != header.display_window:
        raise FileError(
            path, f"its frame is {frame}, but its header announced {header.display_window}", "read it again"
        )


def _key(part: Any, layout: Layout) -> str:
    return str(part.name()) if len(layout.parts) > 1 else ""


def _plane(pixels: Plane, own: Window, whole: Window) -> Plane:
    dtype = np.uint32 if pixels.dtype == np.uint32 else np.float32
    if own == whole and pixels.dtype == dtype:
        return np.ascontiguousarray(pixels)
    plane = np.empty(whole.shape, dtype) if own == whole else np.zeros(whole.shape, dtype)
    inside = plane[own.slices_in(whole)]
    over_strips(lambda first, last: np.copyto(inside[first:last], pixels[first:last]), own.height)
    return plane


def _header(path: Path) -> tuple[Header, Layout]:
    layout = read_layout(path)
    for number, part in enumerate(layout.parts):
        _check_part(path, number, part)
    names = _full_names(layout.parts)
    every = [name for group in names for name in group]
    if len(set(every)) != len(every):
        twice = next(name for name in every if every.count(name) > 1)
        raise FileError(path, f'channel "{twice}" is there twice', "give the parts of the file other names")
    frame = layout.parts[0].display_window
    if frame.width * frame.height > LARGEST_FRAME:
        raise FileError(
            path,
            f"its header announces a frame (display window) of {frame.width} × {frame.height} pixels; "
            f"the limit is {LARGEST_FRAME} pixels",
            "if that is right, raise stackcomp.files.exr.LARGEST_FRAME",
        )
    window = reduce(or_, (part.data_window for part in layout.parts))
    size = 4 * window.width * window.height * len(every)
    if size > LARGEST:
        raise FileError(
            path,
            f"its header announces {window.width} × {window.height} pixels in {len(every)} channels, "
            f"{size / 2**30:.0f} GiB of planes; the limit is {LARGEST / 2**30:.0f} GiB",
            "if that is right, raise stackcomp.files.exr.LARGEST",
        )
    header = Header(
        channels=tuple(every),
        pixel_types={
            name: channel.pixel_type
            for part, group in zip(layout.parts, names, strict=True)
            for channel, name in zip(part.channels, group, strict=True)
        },
        data_window=window,
        display_window=frame,
        metadata=_metadata(path, layout),
        parts=tuple(
            Part(
                part.name,
                tuple(channel.name for channel in part.channels),
                group,
                part.data_window,
                part.compression,
                part.tiled,
            )
            for part, group in zip(layout.parts, names, strict=True)
        ),
        subsampled=tuple(
            name
            for part, group in zip(layout.parts, names, strict=True)
            for channel, name in zip(part.channels, group, strict=True)
            if channel.sampling != (1, 1)
        ),
        doubts=layout.doubts,
    )
    return header, layout


def _check_part(path: Path, number: int, part: PartLayout) -> None:
    if part.deep:
        raise FileError(
            path,
            f'part {number} "{part.name}" holds deep samples, which cannot be read',
            "flatten it when rendering",
        )
    if part.data_window.empty or part.display_window.empty:
        raise FileError(path, f'its header is damaged: part {number} "{part.name}" has a window without pixels')
    if not part.channels:
        raise FileError(path, f'part {number} "{part.name}" has no channels')


def _full_names(parts: tuple[PartLayout, ...]) -> list[tuple[str, ...]]:
    stored = [tuple(channel.name for channel in part.channels) for part in parts]
    if len(parts) == 1:
        return stored
    picture = next((k for k, names in enumerate(stored) if {"R", "G", "B"} & set(names)), None)
    return [
        names
        if k == picture or not part.name
        else tuple(name if name.startswith(f"{part.name}.") else f"{part.name}.{name}" for name in names)
        for k, (part, names) in enumerate(zip(parts, stored, strict=True))
    ]


def _metadata(path: Path, layout: Layout) -> dict[str, Any]:
    with printed(), unheard():
        parts = _open(path, layout, header_only=True).parts
    if len(parts) != len(layout.parts):
        raise FileError(path, f"{len(parts)} of its {len(layout.parts)} parts can be opened")
    found: dict[str, Any] = {}
    for part, known in zip(parts, layout.parts, strict=True):
        for name, value in part.header.items():
            if name not in _STRUCTURE and name not in known.ignored:
                found.setdefault(name, known.foreign.get(name, value))
    if len(parts) > 1:
        found.pop("name", None)
    return found


def _open(path: Path, layout: Layout, **options: Any) -> Any:
    import OpenEXR

    source = _Repaired(path, layout.repairs) if layout.repairs else str(path)
    try:
        return OpenEXR.File(source, separate_channels=True, **options)
    except MemoryError as error:
        raise FileError(path, "there is not enough memory for it") from error
    except Exception as error:
        if layout.repairs and isinstance(error, TypeError | UnicodeDecodeError):
            # Before 3.5 the library reads from paths alone.
            raise FileError(
                path, layout.doubts[0], "install OpenEXR 3.5 or newer to read it all the same"
            ) from error
        # The bindings raise whatever comes to hand; all of it means that this file is no good.
        raise FileError(
            path, "its header is damaged: the OpenEXR library cannot read it", "render or copy the file again"
        ) from error
    finally:
        if isinstance(source, _Repaired):
            source.close()


class _Repaired(io.RawIOBase):
    """A file as the library would have it: with other bytes at a few places of its header."""

    def __init__(self, path: Path, repairs: Iterable[tuple[int, bytes]]) -> None:
        super().__init__()
        self._file = path.open("rb")
        self._repairs = tuple(repairs)

    def readable(self) -> bool:
        """It can be read; nothing is ever written to it."""
        return True

    def seekable(self) -> bool:
        """It can be moved about in."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to a place; see `io.IOBase.seek`."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """The place at which the next byte is read."""
        return self._file.tell()

    def read(self, size: int = -1) -> bytes:
        """Read on, with the repairs in what is read."""
        start = self._file.tell()
        data = bytearray(self._file.read(size))
        for at, instead in self._repairs:
            first, last = max(at, start), min(at + len(instead), start + len(data))
            if first < last:
                data[first - start : last - start] = instead[first - at : last - at]
        return bytes(data)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
        super().close()
