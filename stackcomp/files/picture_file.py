"""A picture file to be read, whichever format it has: what its header says, and its planes.

What a file is, its first bytes say. Headers are kept for each state of a file, so that a sequence is looked at
once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data.image import Plane
from stackcomp.data.port_types import Alpha
from stackcomp.data.window import Window
from stackcomp.files.file_state import FileChangedError, FileState, file_state, one_state
from stackcomp.files.formats import ENDINGS, Format, format_of

__all__ = ["Seen", "planes", "seen", "seen_in"]

#: Looks at a file that changes each time, before that is called an error.
_LOOKS = 3
_STILL_CHANNELS = {1: ("Y",), 2: ("Y", "A"), 3: ("R", "G", "B"), 4: ("R", "G", "B", "A")}


@dataclass(frozen=True)
class Seen:
    """What a file's header says.

    Attributes:
        format: what it is.
        channels: full names, in the file's order.
        window: data window.
        display: display window, the frame.
        alpha: state of A: premultiplied in OpenEXR, straight in PNG, what its tag says in TIFF.
        metadata: attributes of an OpenEXR header.
        unusable: channels that are there and cannot be read, and what they are.
        doubts: what is odd about the file, though it can be read; sentences.
    """

    format: Format
    channels: tuple[str, ...]
    window: Window
    display: Window
    alpha: Alpha
    metadata: Mapping[str, Any] = field(default_factory=dict)
    unusable: Mapping[str, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()


def seen(path: Path) -> tuple[Seen, FileState]:
    """The header of a file, and the state in which the file was then.

    Raises:
        FileError: there is no such file, or none that can be read.
        FileChangedError: it changed each time that it was looked at.
    """
    for look in range(_LOOKS):
        state = file_state(path)
        try:
            return seen_in(path, state), state
        except FileChangedError:
            if look == _LOOKS - 1:
                raise
    raise AssertionError("not reached")


@lru_cache(maxsize=16384)
def seen_in(path: Path, state: FileState) -> Seen:
    """The header of a file in one state.

    Raises:
        FileError: it cannot be read.
        FileChangedError: it is not in that state any more.
    """
    with one_state(path, state):
        found = format_of(path)
    promised = ENDINGS.get(path.suffix.lower(), found)
    doubts = () if promised == found else (f'it is {found}, though its name ends in "{path.suffix}"',)
    if found == "OpenEXR":
        from stackcomp.files import exr

        header = exr.read_header(path, state=state)
        return Seen(
            found,
            header.channels,
            header.data_window,
            header.display_window,
            "premultiplied" if "A" in header.channels else "none",
            header.metadata,
            dict.fromkeys(header.subsampled, exr.SUBSAMPLED),
            (*doubts, *header.doubts),
        )
    from stackcomp.files import stills

    still = stills.read_header(path, state=state)
    window = Window.of_size(still.width, still.height)
    channels = _STILL_CHANNELS[still.channels]
    return Seen(found, channels, window, window, still.alpha, doubts=(*doubts, *still.doubts))


def planes(path: Path, names: Collection[str], state: FileState) -> tuple[dict[str, Plane], Window]:
    """Planes of a file over its data window, in the state in which its header was seen.

    Raises:
        FileError: it cannot be read.
        FileChangedError: it is not in that state any more.
    """
    header = seen_in(path, state)
    if header.format == "OpenEXR":
        from stackcomp.files import exr

        found = exr.read(path, list(names), state=state)
        return found.planes, found.window
    from stackcomp.files import stills

    pixels = stills.read(path, state=state).pixels
    made = {name: np.ascontiguousarray(pixels[..., header.channels.index(name)]) for name in names}
    return made, header.window
