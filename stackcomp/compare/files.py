"""Two picture files, of any format that the program reads.

Both files are in memory as they are stored, decoded (half stays half); everything else is done in strips of rows.
Ids are known by the header, see `stackcomp.files.id_channels`, and by being stored as whole numbers (uint).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.compare.layers import Side
from stackcomp.compare.pictures import (
    PictureComparison,
    compare_channels,
    compare_layers,
    compare_windows,
    layers_of,
)
from stackcomp.compare.tolerance import Tolerances, require_known
from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Alpha, Layers, Ratio
from stackcomp.data.window import Window
from stackcomp.files import exr, picture_file, stills
from stackcomp.files.id_channels import id_channels

__all__ = ["Opened", "channels_of", "compare_files", "compare_opened", "open_file"]

#: Attributes of a header that say what the numbers mean, or how pixels lie; compared where both files have them.
_MEANING = ("chromaticities", "colorInteropID", "pixelAspectRatio", "whiteLuminance")


@dataclass(frozen=True)
class Opened:
    """A file with all its planes.

    Attributes:
        path: the file.
        planes: by full name, as stored: float16, float32 or uint32; stills as float32, 0 to 1.
        window: data window.
        display: display window.
        stored: how each channel is stored, in words.
        ids: channels whose bits are ids.
        alpha: state of A.
        type: what the file says that it is, or empty; see `stackcomp.review.dump`.
        meaning: attributes of the header that say what the numbers mean.
        unusable: channels that cannot be read, and why.
        doubts: what is wrong with the file although it can be read.
    """

    path: Path
    planes: Mapping[str, Plane]
    window: Window
    display: Window
    stored: Mapping[str, str]
    ids: frozenset[str]
    alpha: Alpha = "none"
    type: str = ""
    meaning: Mapping[str, Any] = field(default_factory=dict)
    unusable: Mapping[str, str] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()

    @property
    def side(self) -> Side:
        """The planes, to be compared."""
        return Side(self.planes, self.window, Ratio.outside if self.type == Ratio.name else 0.0)

    def all_channels(self) -> Image:
        """The file as one picture of all its channels; float32, ids as uint32."""
        planes = {
            name: plane.view(np.uint32) if name in self.ids and plane.dtype == np.float32 else plane
            for name, plane in self.planes.items()
        }
        planes = {
            name: plane if plane.dtype == np.uint32 else plane.astype(np.float32) for name, plane in planes.items()
        }
        return Image(planes, self.window, self.display, Layers(channels=tuple(planes)))


def open_file(path: str | PathLike[str]) -> Opened:
    """Read a file.

    Raises:
        FileError: it is missing, damaged, or of another format.
    """
    path = Path(path)
    header, state = picture_file.header_of(path)
    names = [name for name in header.channels if name not in header.unusable]
    planes, window = picture_file.planes(path, names, state)
    if header.format == "OpenEXR":
        types: Mapping[str, str] = exr.read_header(path, state=state).pixel_types
        stored = {name: types[name] for name in names}
    else:
        bits = stills.read_header(path, state=state).bits
        stored = dict.fromkeys(names, f"{bits} bits")
    return Opened(
        path,
        planes,
        window,
        header.display,
        stored,
        id_channels(header.channels, header.metadata),
        header.alpha,
        str(header.metadata.get("stackcomp/type", "")),
        {name: header.metadata[name] for name in _MEANING if name in header.metadata},
        header.unusable,
        header.doubts,
    )


def channels_of(path: str | PathLike[str]) -> tuple[str, ...]:
    """Full names of the channels of a file; no pixel is read.

    Raises:
        FileError: as `open_file`.
    """
    return picture_file.header_of(Path(path))[0].channels


def compare_files(
    first: str | PathLike[str],
    second: str | PathLike[str],
    tolerance: Tolerances | None = None,
    *,
    types: bool = True,
    windows_may_differ: bool = False,
) -> PictureComparison:
    """Compare two files.

    Args:
        first: OpenEXR with all its parts and layers, or a still.
        second: likewise.
        tolerance: as in `stackcomp.compare.compare_pictures`; layers of a file are the texts before the last dots
            of its channels. Ids are compared bit by bit.
        types: whether pixel types (half, float, uint, bits of a still), the state of alpha, and what headers say
            of types and colour have to be equal.
        windows_may_differ: as in `stackcomp.compare.compare_pictures`.

    Raises:
        FileError: one of them is missing, damaged, or of another format.
        RequestError: a tolerance for a layer or channel that neither has.
    """
    require_known(tolerance, [*channels_of(first), *channels_of(second)])
    return compare_opened(
        open_file(first), open_file(second), tolerance, types=types, windows_may_differ=windows_may_differ
    )


def compare_opened(
    first: Opened,
    second: Opened,
    tolerance: Tolerances | None = None,
    *,
    types: bool = True,
    windows_may_differ: bool = False,
) -> PictureComparison:
    """Compare files that have been read, as `compare_files` does."""
    differences: list[str] = []
    window = compare_windows(
        (first.window, first.display), (second.window, second.display), differences, windows_may_differ
    )
    channels = [(*file.planes, *file.unusable) for file in (first, second)]
    shared = compare_channels(channels[0], channels[1], differences)
    if types:
        differences += _types(first, second, shared)
    unusable = {**second.unusable, **first.unusable}
    differences += [
        f"channel {name} cannot be compared, it is {unusable[name]}" for name in shared if name in unusable
    ]
    usable = [name for name in shared if name not in unusable]
    notes = (f"{file.path}: {doubt}" for file in (first, second) for doubt in file.doubts)
    return compare_layers(
        layers_of(usable, tolerance),
        first.side,
        second.side,
        window,
        tolerance,
        differences,
        first.ids | second.ids,
        notes,
    )


def _types(first: Opened, second: Opened, shared: list[str]) -> Iterator[str]:
    if first.type and second.type and first.type != second.type:
        yield f"the type is {first.type} / {second.type}"
    if first.alpha != second.alpha and "none" not in (first.alpha, second.alpha):
        yield f"alpha is {first.alpha} / {second.alpha}"
    for name in _MEANING:
        if name in first.meaning and name in second.meaning:
            a, b = first.meaning[name], second.meaning[name]
            if not np.array_equal(a, b):
                yield f"{name} is {a} / {b}"
    for one, other, which in ((first, second, "first"), (second, first, "second")):
        alone = [name for name in shared if name in one.ids and name not in other.ids]
        if alone:
            yield f"only the header of the {which} says that {_listed(alone)} {_are(alone)} ids"
    groups: dict[tuple[str, str], list[str]] = {}
    for name in shared:
        pair = first.stored.get(name, ""), second.stored.get(name, "")
        if pair[0] != pair[1] and all(pair):
            groups.setdefault(pair, []).append(name)
    for (a, b), names in groups.items():
        yield f"{_listed(names)} {_are(names)} stored as {a} / {b}"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _are(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"
