"""OpenEXR: read headers and pixels. `stackcomp.files.exr_write` has the other direction.

Names of channels: in a file of one part they are as stored. With several parts, a part is the same thing
as a layer: its channels appear as ``part.channel``, except where they begin with the part's name already,
and except for the first part that holds plain R, G or B, which is the picture itself.

Windows: parts may cover different pixels. What is read covers all of them, with 0 where a part has none.
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

from stackcomp.errors import FileError, did_you_mean
from stackcomp.files.exr_layout import Layout, PartLayout, PixelType, check_chunks, read_layout
from stackcomp.files.exr_write import WriteReport, library_threads, write
from stackcomp.files.paths import nearby
from stackcomp.files.quiet import printed
from stackcomp.image import Plane
from stackcomp.kernels.strips import over_strips
from stackcomp.window import Window

__all__ = ["LARGEST", "Header", "Part", "Pixels", "WriteReport", "read", "read_header", "write"]

LARGEST = 64 << 30
"""Bytes of planes beyond which a file is refused by its header; set it to read larger ones."""

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
    """

    channels: tuple[str, ...]
    pixel_types: Mapping[str, PixelType]
    data_window: Window
    display_window: Window
    metadata: Mapping[str, Any] = field(repr=False)
    parts: tuple[Part, ...] = ()
    subsampled: tuple[str, ...] = ()

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


def read_header(path: str | os.PathLike[str]) -> Header:
    """What stands in a file's header; no pixel is read.

    Raises:
        FileError: missing, not OpenEXR, deep, damaged, or larger than `LARGEST`.
    """
    return _header(_existing(path))[0]


def read(path: str | os.PathLike[str], channels: Iterable[str] | None = None) -> Pixels:
    """Read planes.

    Args:
        path: the file.
        channels: full names wanted; all when None. Half becomes float32; float and uint keep every bit.

    Raises:
        FileError: as `read_header`; also a channel that is not there, subsampled channels, an unfinished
            file, and pixels that cannot be decoded.
    """
    path = _existing(path)
    header, layout = _header(path)
    wanted = tuple(dict.fromkeys(header.channels if channels is None else channels))
    for name in wanted:
        if name not in header.pixel_types:
            raise FileError(path, f'there is no channel "{name}"', did_you_mean(name, header.channels))
        if name in header.subsampled:
            raise FileError(
                path,
                f'channel "{name}" is subsampled (luminance and chroma)',
                "save it with R, G and B at full size",
            )
    check_chunks(path, layout)
    with printed() as said:
        file = _open(path, header_only=False, num_threads=library_threads())
    # The library drops parts that it cannot decode, and later ones move up.
    decoded = {_key(part, layout): part.channels for part in file.parts}
    planes: dict[str, Plane] = {}
    for number, part in enumerate(header.parts):
        source = decoded.get(part.name if len(layout.parts) > 1 else "")
        if source is None:
            subject = f'part {number} "{part.name}"' if len(layout.parts) > 1 else "the picture"
            why = f" ({said[0].strip().rpartition(' - ')[2]})" if said else ""
            raise FileError(path, f"the pixels of {subject} are damaged{why}", "render or copy the file again")
        for stored, name in zip(part.channels, part.full_names, strict=True):
            if name in wanted:
                pixels = source[stored].pixels if stored in source else None
                if pixels is None or pixels.shape != part.data_window.shape:
                    raise FileError(path, f'the pixels of channel "{name}" are damaged')
                planes[name] = _plane(pixels, part.data_window, header.data_window)
    return Pixels({name: planes[name] for name in wanted}, header.data_window, header)


def _existing(path: str | os.PathLike[str]) -> Path:
    path = Path(path)
    if not path.is_file():
        raise FileError(path, "there is no such file", nearby(path))
    return path


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
        display_window=layout.parts[0].display_window,
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
    parts = _open(path, header_only=True).parts
    if len(parts) != len(layout.parts):
        raise FileError(path, f"{len(parts)} of its {len(layout.parts)} parts can be opened")
    found: dict[str, Any] = {}
    for part in parts:
        for name, value in part.header.items():
            if name not in _STRUCTURE:
                found.setdefault(name, value)
    if len(parts) > 1:
        found.pop("name", None)
    return found


def _open(path: Path, **options: Any) -> Any:
    import OpenEXR

    try:
        return OpenEXR.File(str(path), separate_channels=True, **options)
    except UnicodeDecodeError as error:
        raise FileError(path, f"its header holds text that is not UTF-8: {error.object!r:.60}") from error
    except MemoryError as error:
        raise FileError(path, "there is not enough memory for it") from error
    except Exception as error:
        # The bindings raise whatever comes to hand; all of it means that this file is no good.
        raise FileError(path, f"it is damaged: {error}".replace(f" '{path}'", "")) from error
