"""OpenEXR: read headers and pixels. `stackcomp.files.exr_write` writes them.

Names of channels: in a file of one part they are as stored. In a file of several parts, a part is a layer: its
channels are named ``part.channel``, except those that already begin with the part's name, and except those of the
first part that has R, G or B without a layer name and is no layer of ids, which is the main picture.

Windows: parts may have different data windows. Planes cover their union, and are 0 where a part has no pixels.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import reduce
from operator import or_
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Plane
from stackcomp.data.window import Window
from stackcomp.errors import FileError, did_you_mean
from stackcomp.files.exr_layout import Layout, PartLayout, PixelType, check_chunks, read_layout
from stackcomp.files.exr_library import exr_metadata, open_exr
from stackcomp.files.exr_write import WriteReport, library_threads, write
from stackcomp.files.file_state import FileState, one_state
from stackcomp.files.id_types import is_layer_of_ids
from stackcomp.files.quiet import captured_stdout, filtered_stderr
from stackcomp.kernels.strips import over_strips

__all__ = ["LARGEST", "LARGEST_FRAME", "Header", "Part", "Pixels", "WriteReport", "read", "read_header", "write"]

LARGEST = 64 << 30
"""Largest size of all planes in bytes. A file whose header announces more is refused; raise it to read one."""

LARGEST_FRAME = 1 << 30
"""Largest number of pixels in a display window, at which a plane takes 4 GiB. A file with more is refused."""

SUBSAMPLED = "subsampled (luminance and chroma), which cannot be used"
"""Describes such channels in messages."""


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
    """The header of a file.

    Attributes:
        channels: full names, in the file's order, part by part.
        pixel_types: full name → ``"half"``, ``"float"`` or ``"uint"``.
        data_window: around the pixels of all parts.
        display_window: the frame.
        metadata: attributes of the first part, and those that only later parts have. Attributes of the storage
            (windows, compression, channels …) are left out. Where parts declare different types of ids under one
            key, later ones have another key here.
        parts: as stored.
        subsampled: full names of channels that have fewer pixels than the window.
        doubts: what is wrong with the header although the file can be read; clauses without a full stop.
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
        """The text attributes of the metadata."""
        return {name: value for name, value in self.metadata.items() if isinstance(value, str)}


@dataclass(frozen=True)
class Pixels:
    """Planes of a file: full name → float32 (or as stored: uint32, float16), C-contiguous, ``window.shape``."""

    planes: dict[str, Plane]
    window: Window
    header: Header


def read_header(path: str | os.PathLike[str], *, state: FileState | None = None) -> Header:
    """Return the header of a file; no pixel is decoded.

    Args:
        path: the file.
        state: the expected state of the file; any state when None.

    Raises:
        FileError: missing, not OpenEXR, deep, damaged, or larger than `LARGEST` or `LARGEST_FRAME`.
        FileChangedError: the file is in another state, or changed during reading.
    """
    path = Path(path)
    with one_state(path, state):
        return _header(path)[0]


def read(
    path: str | os.PathLike[str],
    channels: Iterable[str] | None = None,
    *,
    state: FileState | None = None,
    keep_half: bool = False,
) -> Pixels:
    """Read planes.

    Args:
        path: the file.
        channels: full names to read; all when None. Half becomes float32; float and uint keep every bit.
        state: as in `read_header`.
        keep_half: leave half as it is, float16.

    Raises:
        FileError: as `read_header`; also a missing channel, a subsampled channel, an unfinished file, and pixels
            that cannot be decoded.
        FileChangedError: as `read_header`. Header and pixels always belong to one state of the file.
    """
    path = Path(path)
    with one_state(path, state):
        return _read(path, channels, keep_half)


def _read(path: Path, channels: Iterable[str] | None, keep_half: bool) -> Pixels:
    header, layout = _header(path)
    wanted = tuple(dict.fromkeys(header.channels if channels is None else channels))
    for name in wanted:
        if name not in header.pixel_types:
            raise FileError(path, f'there is no channel "{name}"', did_you_mean(name, header.channels))
        if name in header.subsampled:
            raise FileError(path, f'channel "{name}" is {SUBSAMPLED}', "save it with R, G and B at full size")
    check_chunks(path, layout)
    with captured_stdout(), filtered_stderr():
        file = open_exr(path, layout, header_only=False, num_threads=library_threads())
    # The library drops parts that it cannot decode, and renumbers the later ones.
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
                planes[name] = _plane(pixels, part.data_window, header.data_window, keep_half)
    return Pixels({name: planes[name] for name in wanted}, header.data_window, header)


def _same_windows(path: Path, decoded: Any, part: Part, header: Header) -> None:
    """Compare the windows of the decoded part with the header read before: a file may change at any time."""
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


def _plane(pixels: Plane, own: Window, whole: Window, keep_half: bool) -> Plane:
    kept = pixels.dtype == np.uint32 or (keep_half and pixels.dtype == np.float16)
    dtype: npt.DTypeLike = pixels.dtype if kept else np.float32
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
    frame = layout.parts[0].display_window
    if frame.width * frame.height > LARGEST_FRAME:
        raise FileError(
            path,
            f"its header announces a frame (display window) of {frame.width} × {frame.height} pixels; "
            f"the limit is {LARGEST_FRAME} pixels",
            "if that is right, raise stackcomp.files.exr.LARGEST_FRAME",
        )
    window = reduce(or_, (part.data_window for part in layout.parts))
    count = sum(len(part.channels) for part in layout.parts)
    size = 4 * window.width * window.height * count
    if size > LARGEST:
        raise FileError(
            path,
            f"its header announces {window.width} × {window.height} pixels in {count} channels, "
            f"{size / 2**30:.0f} GiB of planes; the limit is {LARGEST / 2**30:.0f} GiB",
            "if that is right, raise stackcomp.files.exr.LARGEST",
        )
    metadata = exr_metadata(path, layout)
    names = _full_names(layout.parts, metadata)
    every = [name for group in names for name in group]
    if len(set(every)) != len(every):
        repeated = next(name for name in every if every.count(name) > 1)
        raise FileError(path, f'it has two channels "{repeated}"', "give the parts of the file other names")
    header = Header(
        channels=tuple(every),
        pixel_types={
            name: channel.pixel_type
            for part, group in zip(layout.parts, names, strict=True)
            for channel, name in zip(part.channels, group, strict=True)
        },
        data_window=window,
        display_window=frame,
        metadata=metadata,
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
        raise FileError(path, f'its header is damaged: part {number} "{part.name}" has an empty window')
    if not part.channels:
        raise FileError(path, f'part {number} "{part.name}" has no channels')


def _full_names(parts: tuple[PartLayout, ...], metadata: Mapping[str, Any]) -> list[tuple[str, ...]]:
    stored = [tuple(channel.name for channel in part.channels) for part in parts]
    if len(parts) == 1:
        return stored
    # A part of ids may call its channels R G B A as well, and stand before the picture.
    colours = [
        k
        for k, (part, names) in enumerate(zip(parts, stored, strict=True))
        if {"R", "G", "B"} & set(names) and not is_layer_of_ids(part.name, metadata)
    ]
    picture = colours[0] if colours else None
    return [
        names
        if k == picture or not part.name
        else tuple(name if name.startswith(f"{part.name}.") else f"{part.name}.{name}" for name in names)
        for k, (part, names) in enumerate(zip(parts, stored, strict=True))
    ]
