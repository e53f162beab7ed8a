"""Two picture files, of any format that the program reads."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np

from stackcomp.compare.layers import LayerComparison, compare_layer
from stackcomp.compare.pictures import PictureComparison, compare_channels, compare_windows, layers_of
from stackcomp.compare.tolerance import Tolerances, tolerance_for
from stackcomp.data.image import Image, Plane
from stackcomp.data.planes import plane_over
from stackcomp.data.port_types import Layers, Ratio
from stackcomp.data.window import Window
from stackcomp.files import exr, picture_file, stills
from stackcomp.files.id_channels import id_channels
from stackcomp.kernels.strips import thread_count

__all__ = ["Opened", "compare_files", "compare_opened", "open_file"]


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
        type: what the file says that it is, or empty; see `stackcomp.review.dump`.
        unusable: channels that cannot be read.
    """

    path: Path
    planes: Mapping[str, Plane]
    window: Window
    display: Window
    stored: Mapping[str, str]
    ids: frozenset[str]
    type: str = ""
    unusable: tuple[str, ...] = ()

    @property
    def outside(self) -> float:
        """Value of pixels outside the data window."""
        return Ratio.outside if self.type == Ratio.name else 0.0

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
        str(header.metadata.get("stackcomp/type", "")),
        tuple(header.unusable),
    )


def compare_files(
    first: str | PathLike[str],
    second: str | PathLike[str],
    tolerance: Tolerances | None = None,
    *,
    windows_may_differ: bool = False,
) -> PictureComparison:
    """Compare two files.

    Args:
        first: OpenEXR with all its parts and layers, or a still.
        second: likewise.
        tolerance: as in `stackcomp.compare.compare_pictures`; layers of a file are the texts before the last dots
            of its channels. Ids are compared bit by bit.
        windows_may_differ: as there.

    Raises:
        FileError: one of them is missing, damaged, or of another format.
    """
    return compare_opened(open_file(first), open_file(second), tolerance, windows_may_differ=windows_may_differ)


def compare_opened(
    first: Opened, second: Opened, tolerance: Tolerances | None = None, *, windows_may_differ: bool = False
) -> PictureComparison:
    """Compare files that have been read, as `compare_files` does."""
    differences: list[str] = []
    if first.type and second.type and first.type != second.type:
        differences.append(f"the type is {first.type} / {second.type}")
    window = compare_windows(
        (first.window, first.display), (second.window, second.display), differences, windows_may_differ
    )
    shared = compare_channels(tuple(first.planes), tuple(second.planes), differences)
    for name in shared:
        if first.stored[name] != second.stored[name]:
            differences.append(f"{name} is stored as {first.stored[name]} / {second.stored[name]}")
    ids = first.ids | second.ids

    def layer(item: tuple[str, list[str]]) -> LayerComparison:
        name, members = item
        planes = [
            {
                channel: plane_over(file.planes[channel], file.window, window, outside=file.outside)
                for channel in members
            }
            for file in (first, second)
        ]
        return compare_layer(name, planes[0], planes[1], window, tolerance_for(name, tolerance), ids)

    with ThreadPoolExecutor(thread_count()) as pool:
        found = list(pool.map(layer, layers_of(shared).items()))
    for compared in found:
        differences += compared.findings
    notes = tuple(
        f"{file.path}: channel {', '.join(file.unusable)} cannot be read, and is not compared"
        for file in (first, second)
        if file.unusable
    )
    return PictureComparison(tuple(differences), tuple(found), notes=notes)
