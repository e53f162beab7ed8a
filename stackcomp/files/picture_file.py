"""Headers and planes of picture files of any format.

The first bytes decide the format. Headers are cached by the state of a file, so that the headers of a sequence are
read once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from stackcomp.data.image import Plane
from stackcomp.data.port_types import Alpha
from stackcomp.data.window import Window
from stackcomp.files.file_state import FileChangedError, FileState, file_state, one_state
from stackcomp.files.formats import ENDINGS, Format, format_of

if TYPE_CHECKING:
    from stackcomp.files import exr

__all__ = ["PictureHeader", "header_in_state", "header_of", "planes"]

#: How often the header of a file that keeps changing is read before that is an error.
_ATTEMPTS = 3
_STILL_CHANNELS = {1: ("Y",), 2: ("Y", "A"), 3: ("R", "G", "B"), 4: ("R", "G", "B", "A")}


@dataclass(frozen=True)
class PictureHeader:
    """The header of a picture file.

    Attributes:
        format: its format.
        channels: full names, in the file's order.
        window: data window.
        display: display window, the frame.
        alpha: state of A: premultiplied in OpenEXR, straight in PNG, by its tag in TIFF.
        metadata: attributes of an OpenEXR header.
        unusable: channels that cannot be read, and why.
        lossy: channels whose bits are not those that were rendered, and why.
        doubts: what is wrong with the file although it can be read; clauses without a full stop.
    """

    format: Format
    channels: tuple[str, ...]
    window: Window
    display: Window
    alpha: Alpha
    metadata: Mapping[str, Any] = field(default_factory=dict)
    unusable: Mapping[str, str] = field(default_factory=dict)
    lossy: Mapping[str, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()


def header_of(path: Path) -> tuple[PictureHeader, FileState]:
    """Return the header of a file, and the state of the file when the header was read.

    Raises:
        FileError: there is no such file, or it cannot be read.
        FileChangedError: it changed at each attempt.
    """
    for attempt in range(_ATTEMPTS):
        state = file_state(path)
        try:
            return header_in_state(path, state), state
        except FileChangedError:
            if attempt == _ATTEMPTS - 1:
                raise
    raise AssertionError("not reached")


@lru_cache(maxsize=16384)
def header_in_state(path: Path, state: FileState) -> PictureHeader:
    """Return the header of a file in a known state.

    Raises:
        FileError: it cannot be read.
        FileChangedError: it is in another state now.
    """
    with one_state(path, state):
        format_ = format_of(path)
    by_suffix = ENDINGS.get(path.suffix.lower(), format_)
    doubts = () if by_suffix == format_ else (f'it is {format_}, but its name ends in "{path.suffix}"',)
    if format_ == "OpenEXR":
        from stackcomp.files import exr

        header = exr.read_header(path, state=state)
        return PictureHeader(
            format_,
            header.channels,
            header.data_window,
            header.display_window,
            "premultiplied" if "A" in header.channels else "none",
            header.metadata,
            dict.fromkeys(header.subsampled, exr.SUBSAMPLED),
            _lossy(header),
            (*doubts, *header.doubts),
        )
    from stackcomp.files import stills

    still = stills.read_header(path, state=state)
    window = Window.of_size(still.width, still.height)
    channels = _STILL_CHANNELS[still.channels]
    lossy = dict.fromkeys(channels, f"stored in {format_}, which has no channels for bits")
    all_doubts = (*doubts, *still.doubts)
    return PictureHeader(format_, channels, window, window, still.alpha, lossy=lossy, doubts=all_doubts)


def _lossy(header: exr.Header) -> dict[str, str]:
    """Channels of an OpenEXR file that are stored in few bits or compressed with a loss."""
    from stackcomp.files.exr_write import LOSSY

    found = {}
    for part in header.parts:
        for name in part.full_names:
            if header.pixel_types[name] == "half":
                found[name] = "stored as 16-bit floats"
            elif part.compression in LOSSY:
                found[name] = f"compressed by {part.compression.upper()}, which loses bits"
    return found


def planes(path: Path, names: Collection[str], state: FileState) -> tuple[dict[str, Plane], Window]:
    """Return planes of a file by name, and its data window.

    Half stays half, float16; all else becomes float32, or uint32 where it is stored so.

    Args:
        path: the file.
        names: full names of the channels to read.
        state: the state of the file when its header was read.

    Raises:
        FileError: it cannot be read.
        FileChangedError: it is in another state now.
    """
    header = header_in_state(path, state)
    if header.format == "OpenEXR":
        from stackcomp.files import exr

        picture = exr.read(path, list(names), state=state, keep_half=True)
        return picture.planes, picture.window
    from stackcomp.files import stills

    pixels = stills.read(path, state=state).pixels
    by_name = {name: np.ascontiguousarray(pixels[..., header.channels.index(name)]) for name in names}
    return by_name, header.window
