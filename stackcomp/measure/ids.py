"""Which objects the ids of a file name, how much of the frame each covers, and which stand under a pixel."""

from __future__ import annotations

import operator
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike
from stackcomp.data.image import Plane
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError, FileError, Problem, RequestError
from stackcomp.files.file_state import FileState
from stackcomp.files.id_hash import id_text
from stackcomp.files.id_manifest import Manifest, manifest_of
from stackcomp.files.id_types import IdType, id_types
from stackcomp.files.picture_file import PictureHeader, header_of, planes
from stackcomp.measure.source import PARAMETERS, Names, Source, frame_path
from stackcomp.nodes.named_ids import NoTypeError, type_of_ids

__all__ = ["IdAreas", "ObjectArea", "ObjectShare", "measure_ids"]

#: Rows that are added up at a time.
_ROWS = 256


@dataclass(frozen=True)
class ObjectArea:
    """What one object covers of the frame.

    Attributes:
        id: its bits as a number, such as ``#f19c73fd``; ``#00000000`` is the background.
        names: of the object; none where the manifest has none, several where their ids collide.
        area: sum of its coverage, in pixels.
        share: the same as a part of the frame, 0 to 1.
        pixels: how many pixels it covers at least in part.
    """

    id: str
    names: tuple[str, ...]
    area: float
    share: float
    pixels: int


@dataclass(frozen=True)
class ObjectShare:
    """How much of one pixel an object covers.

    Attributes:
        id: its bits as a number, as in `ObjectArea`.
        names: of the object, as in `ObjectArea`.
        coverage: the part of the pixel, as the file has it.
    """

    id: str
    names: tuple[str, ...]
    coverage: float


@dataclass(frozen=True)
class IdAreas:
    """The objects of one type of ids.

    Attributes:
        type: its name.
        ranks: how many pairs of id and coverage a pixel has.
        frame: the frame.
        objects: those that cover something of it, the largest first.
        absent: names of the manifest that cover nothing.
        under: what stands under the pixel that was asked for, the largest first; None where none was.
        doubts: sentences about what may be wrong.
    """

    type: str
    ranks: int
    frame: Window
    objects: tuple[ObjectArea, ...]
    absent: tuple[str, ...]
    under: tuple[ObjectShare, ...] | None
    doubts: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        frame = [self.frame.x0, self.frame.y0, self.frame.width, self.frame.height]
        return {**asdict(self), "frame": frame}


def measure_ids(
    path: PathLike,
    *,
    type: str | None = None,
    at: tuple[int, int] | None = None,
    frame: int | None = None,
    root: PathLike = ".",
    names: Names = PARAMETERS,
) -> tuple[IdAreas, ...]:
    """Add up the coverage of each object of a file.

    Args:
        path: file, or a file sequence with a frame token.
        type: of ids, such as CryptoObject; all that the header declares when None.
        at: x and y of a pixel.
        frame: frame number; needed where the path has a token.
        root: folder for relative paths.
        names: what messages call these inputs.

    Returns:
        For each type its objects. What lies outside of the frame is not counted.

    Raises:
        ArgumentError: an argument of the wrong kind.
        RequestError: no such file or type of ids, ids that have lost bits, a pixel outside of the picture.
        FileError: the file is damaged.
    """
    text = str(arguments.file_path(path)) if isinstance(path, os.PathLike) else arguments.text(path, "path")
    if type is not None:
        arguments.text(type, "type")
    at = None if at is None else _pixel(at)
    source = Source(text, frame, root=arguments.file_path(root, "root"), names=names)
    channels = source.header().channels
    file = Path(root, _file_name(source))
    header, state = header_of(file)
    found = []
    for ids in _types(header, channels, type, source):
        found.append(_measured(file, header, state, ids, at, source))
    return tuple(found)


def _pixel(at: object) -> tuple[int, int]:
    try:
        x, y = (operator.index(one) for one in at)  # type: ignore[attr-defined]
    except (TypeError, ValueError):
        message = f"{arguments.value_text(at)} is not a pixel"
        raise ArgumentError("at", message, "give x and y, two whole numbers") from None
    return x, y


def _file_name(source: Source) -> str:
    """The file of the source's frame, as a path from its root."""
    return frame_path(source.path).for_frame(source.number)


def _types(header: PictureHeader, channels: tuple[str, ...], wanted: str | None, source: Source) -> list[IdType]:
    declared = id_types(channels, header.metadata)
    try:
        if wanted is not None or not declared:
            return [type_of_ids(channels, header.metadata, wanted)]
        return [type_of_ids(channels, header.metadata, name) for name in declared]
    except NoTypeError as error:
        option = source.names.layer.rstrip("=")
        way_out = error.way_out.replace('"type":', option) if option else error.way_out
        raise RequestError(Problem("ids-type", f"{source.path}: {error.reason}", way_out)) from None


def _measured(
    file: Path, header: PictureHeader, state: FileState, ids: IdType, at: tuple[int, int] | None, source: Source
) -> IdAreas:
    bad = next((name for name, _ in ids.pairs if name in header.lossy), None)
    if bad is not None:
        message = (
            f"{source.path}: channel {bad} holds ids, and is {header.lossy[bad]}, so they mean nothing any more"
        )
        raise RequestError(
            Problem("ids-bits", message, "render ids as 32-bit floats with lossless compression, such as zip")
        )
    if at is not None and Window(at[0], at[1], at[0] + 1, at[1] + 1) not in header.window:
        message = f"the pixel {at[0]},{at[1]} lies outside of the picture, which is {header.window}"
        raise RequestError(Problem("area", message, "choose a pixel inside"))
    held, window = planes(file, ids.channels, state)
    pairs = [(_bits(held[one]), held[cover].astype(np.float32, copy=False)) for one, cover in ids.pairs]
    manifest, doubts = _manifest(ids, file)
    known = {} if manifest is None else manifest.names
    seen = window & header.display
    areas, odd = _areas(pairs, seen.slices_in(window)) if not seen.empty else ({}, 0)
    if odd:
        doubts.append(f"{odd} coverages are negative or not finite, and were left out")
    pixels = header.display.width * header.display.height
    total = sum(area for area, _ in areas.values())
    if total > 1.001 * pixels:
        doubts.append(f"all coverage adds up to {100 * total / pixels:.1f} % of the frame, more than there is")
    objects = [
        ObjectArea(id_text(bits), known.get(bits, ()), area, area / pixels, count)
        for bits, (area, count) in sorted(areas.items(), key=lambda item: (-item[1][0], item[0]))
    ]
    absent = () if manifest is None else tuple(sorted(n for n, bits in manifest.ids.items() if bits not in areas))
    under = None if at is None else _under(pairs, at[1] - window.y0, at[0] - window.x0, known)
    return IdAreas(ids.name, len(pairs), header.display, tuple(objects), absent, under, tuple(doubts))


def _manifest(ids: IdType, file: Path) -> tuple[Manifest | None, list[str]]:
    try:
        manifest = manifest_of(ids, file)
    except FileError as error:
        return None, [f"there are no names: {error}"]
    if manifest is None:
        return None, [f"there are no names: the header has no manifest of {ids.name}"]
    return manifest, [f"in the manifest, {doubt}" for doubt in manifest.doubts]


def _bits(plane: Plane) -> Plane:
    return plane if plane.dtype == np.uint32 else plane.view(np.uint32)


def _areas(
    pairs: Iterable[tuple[Plane, Plane]], part: tuple[slice, slice]
) -> tuple[dict[int, tuple[float, int]], int]:
    """Covered area and pixels by id, and how many coverages were left out."""
    areas: dict[int, tuple[float, int]] = {}
    odd = 0
    for ids, cover in pairs:
        ids, cover = ids[part], cover[part]
        for first in range(0, len(ids), _ROWS):
            bits = ids[first : first + _ROWS].ravel()
            shares = cover[first : first + _ROWS].ravel().astype(np.float64)
            with np.errstate(invalid="ignore"):
                bad = ~(np.isfinite(shares) & (shares >= 0))
            odd += int(np.count_nonzero(bad))
            shares[bad] = 0
            # Neighbours mostly belong to one object: each run of them is added up first.
            starts = np.flatnonzero(np.concatenate([[True], bits[1:] != bits[:-1]]))
            sums, counts = np.add.reduceat(shares, starts), np.add.reduceat((shares > 0).astype(np.int64), starts)
            found, which = np.unique(bits[starts], return_inverse=True)
            sums, counts = np.bincount(which, sums), np.bincount(which, counts)
            for one, area, count in zip(found.tolist(), sums.tolist(), counts.tolist(), strict=True):
                if count:
                    before = areas.get(one, (0.0, 0))
                    areas[one] = before[0] + area, before[1] + int(count)
    return areas, odd


def _under(
    pairs: Iterable[tuple[Plane, Plane]], row: int, column: int, names: Mapping[int, tuple[str, ...]]
) -> tuple[ObjectShare, ...]:
    shares: dict[int, float] = {}
    for ids, cover in pairs:
        share = float(cover[row, column])
        if np.isfinite(share) and share > 0:
            bits = int(ids[row, column])
            shares[bits] = shares.get(bits, 0.0) + share
    order = sorted(shares.items(), key=lambda item: -item[1])
    return tuple(ObjectShare(id_text(bits), names.get(bits, ()), share) for bits, share in order)
