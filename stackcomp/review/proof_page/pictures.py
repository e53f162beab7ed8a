"""Pictures of dumps, measured and packed for the page, in two passes over their files.

The first pass takes readings of every plane and estimates what it takes at each rung; the second packs each unit
at the rung that it reached. Only the planes of two files are in memory at a time.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xxhash

from stackcomp.errors import FileError
from stackcomp.files import exr
from stackcomp.review.proof_page import readings, viewing
from stackcomp.review.proof_page.ladder import RUNGS, Rung, Unit, climbed
from stackcomp.review.proof_page.layers import Layer, layers_of
from stackcomp.review.proof_page.pack import (
    Packed,
    deflated,
    holds_half,
    packed,
    rounded_to_half,
    sampled_size,
)
from stackcomp.review.proof_page.store import Store

__all__ = ["Measured", "PictureFile", "measured", "pack_all"]

Numbers = npt.NDArray[Any]
#: Files whose planes take more than this are read one at a time.
_LARGE = 400 << 20
_STRIP, _STRIPS = 32, 6


@dataclass(frozen=True)
class PictureFile:
    """A picture of a dump.

    Attributes:
        path: of the OpenEXR file.
        type: of the node, as ``nodes.json`` has it.
        ids: channels whose bits are ids.
        final: whether it is a final picture.
        place: of its node along the graph.
    """

    path: Path
    type: Mapping[str, Any]
    ids: tuple[str, ...]
    final: bool
    place: int


@dataclass
class Measured:
    """What the first pass found.

    Attributes:
        layers: of the picture.
        keys: of the unit that each of its channels belongs to.
        channels: readings by channel.
        units: with what they take.
        window: data window: x, y, width, height.
        frame: display window, likewise.
        objects: of layers of ids, by their name: id, pixels, coverage.
        scales: of layers of depth and motion, by their name: what their picture is scaled by.
        failure: why the file cannot be read, or empty.
    """

    layers: list[Layer] = field(default_factory=list)
    keys: dict[tuple[str, ...], str] = field(default_factory=dict)
    channels: dict[str, dict[str, Any]] = field(default_factory=dict)
    units: list[Unit] = field(default_factory=list)
    window: tuple[int, int, int, int] = (0, 0, 0, 0)
    frame: tuple[int, int, int, int] = (0, 0, 0, 0)
    objects: dict[str, list[list[float]]] = field(default_factory=dict)
    scales: dict[str, dict[str, float]] = field(default_factory=dict)
    failure: str = ""


class _Files:
    """Reads files in two threads; large ones wait for each other."""

    def __init__(self) -> None:
        self._large = threading.Lock()

    def each(
        self, files: Sequence[PictureFile], work: Callable[[int, PictureFile, exr.Pixels], None]
    ) -> dict[int, str]:
        """Read each file and work on it; returns the reasons why some cannot be read."""
        failures: dict[int, str] = {}

        def one(number: int) -> None:
            file = files[number]
            try:
                header = exr.read_header(file.path)
                size = 4 * header.data_window.width * header.data_window.height * len(header.channels)
                if size > _LARGE:
                    with self._large:
                        work(number, file, _read(file))
                else:
                    work(number, file, _read(file))
            except FileError as error:
                failures[number] = str(error)

        with ThreadPoolExecutor(2, "proof-page") as pool:
            for done in [pool.submit(one, number) for number in range(len(files))]:
                done.result()
        return failures


def _read(file: PictureFile) -> exr.Pixels:
    pixels = exr.read(file.path)
    for name in file.ids:
        plane = pixels.planes.get(name)
        if plane is not None and plane.dtype == np.float32:
            pixels.planes[name] = plane.view(np.uint32)
    return pixels


# -- the first pass ------------------------------------------------------------------------------------------


def measured(files: Sequence[PictureFile]) -> list[Measured]:
    """Take readings of all files, and estimate what their units take."""
    found = [Measured() for _ in files]
    known: dict[str, tuple[dict[str, Any], ...]] = {}
    sizes: dict[str, tuple[int | None, ...]] = {}

    def measure(number: int, file: PictureFile, pixels: exr.Pixels) -> None:
        one, header = found[number], pixels.header
        one.window, one.frame = _corner(pixels.window), _corner(header.display_window)
        channels = [name for name in pixels.planes if name not in header.subsampled]
        one.layers = layers_of(file.type, channels, file.ids)
        for layer in one.layers:
            for names in layer.units:
                planes = [pixels.planes[name] for name in names]
                light = len(names) == 3 and _holds_light(layer)
                key = _key(planes, light)
                if key not in known:
                    known[key] = tuple(_readings(plane, light) for plane in planes)
                if key not in sizes:
                    sizes[key] = _sizes(planes)
                one.keys[names] = key
                one.channels |= dict(zip(names, known[key], strict=True))
                one.units.append(Unit(key, sizes[key], file.final, file.place))
            if layer.view == "ids":
                one.objects[layer.name] = _objects(layer, pixels.planes)
            if layer.view in ("depth", "motion"):
                one.scales[layer.name] = _scales(layer, pixels.planes)

    for number, reason in _Files().each(files, measure).items():
        found[number] = Measured(failure=reason)
    return found


def _corner(window: Any) -> tuple[int, int, int, int]:
    return window.x0, window.y0, window.width, window.height


def _key(planes: Sequence[Numbers], light: bool) -> str:
    digest = xxhash.xxh3_128()
    for plane in planes:
        digest.update(repr((plane.shape, plane.dtype.str, light)).encode())
        digest.update(np.ascontiguousarray(plane).data)
    return digest.hexdigest()


def _holds_light(layer: Layer) -> bool:
    return layer.view == "colour" and (layer.encoding or {}).get("family", "scene-linear") == "scene-linear"


def _readings(plane: Numbers, light: bool) -> dict[str, Any]:
    if plane.dtype == np.uint32:
        return {"ids": True}
    made = readings.light_histogram(plane) if light else readings.even_histogram(plane)
    return {"statistics": readings.statistics(plane), "histogram": made}


def _objects(layer: Layer, planes: Mapping[str, Numbers]) -> list[list[float]]:
    total: dict[int, list[float]] = {}
    for name, after in zip(layer.channels, (*layer.channels[1:], ""), strict=True):
        if planes[name].dtype != np.uint32:
            continue
        cover = planes.get(after)
        weights = cover if cover is not None and cover.dtype == np.float32 else None
        for bit, count, weight in readings.id_counts(planes[name], weights):
            row = total.setdefault(int(bit), [bit, 0, 0.0])
            row[1] += count
            row[2] += weight
    return sorted(total.values(), key=lambda row: -row[2])


def _scales(layer: Layer, planes: Mapping[str, Numbers]) -> dict[str, float]:
    """As `stackcomp.files.viewable` scales depth and motion."""
    if layer.view == "motion":
        fast = np.hypot(*(np.nan_to_num(planes[name], posinf=0, neginf=0) for name in layer.channels[:2]))
        return {"fastest": max(1.0, float(np.percentile(fast, 99.9))) if fast.size else 1.0}
    depth = planes[layer.channels[0]]
    there = depth[np.isfinite(depth) & (depth > 0)]
    if not there.size:
        return {"far": 0.0, "near": 1.0}
    far, near = np.percentile(1 / there.astype(np.float64), [0, 99.5])
    return {"far": float(far), "near": float(near)}


def _text_size(size: float) -> int:
    """Characters of base64, with what surrounds a piece."""
    return round(size * 4 / 3) + 60


def _sizes(planes: Sequence[Numbers]) -> tuple[int | None, ...]:
    """What a unit takes in the page at each rung."""
    if planes[0].dtype == np.uint32 or not planes[0].size:
        return (_text_size(sum(sampled_size(plane) for plane in planes)), *(None for _ in RUNGS[1:]))
    halves = [holds_half(plane) for plane in planes]
    kept = [rounded_to_half(plane) if half else plane for plane, half in zip(planes, halves, strict=True)]
    exact = sum(sampled_size(plane) for plane in kept)
    fits = all(halves) or all(float(np.abs(p[np.isfinite(p)]).max(initial=0)) < 65504 for p in planes)
    half = exact if all(halves) else sum(sampled_size(rounded_to_half(p)) for p in planes)
    views: dict[tuple[int, int], int] = {}
    strips = _strips(planes)
    levels = viewing.levels_of(list(planes))
    cut = viewing.picture_of(strips, levels)
    share = planes[0].shape[0] / strips[0].shape[0]
    sizes: list[int | None] = []
    for rung in RUNGS:
        if rung.name == "exact":
            sizes.append(_text_size(exact))
        elif rung.name == "half":
            sizes.append(None if all(halves) or not fits else _text_size(half))
        else:
            look = (rung.quality, rung.shrink)
            if look not in views:
                views[look] = round(len(viewing.encoded(_shrunk(cut, rung.shrink), rung.quality)) * share) + 1200
            sizes.append(_text_size(exact / rung.step**2 * 1.06 + views[look]))
    # A rung that takes as much as a better one is none.
    for k in range(len(sizes) - 1, 0, -1):
        better = [size for size in sizes[:k] if size is not None]
        worse = sizes[k]
        if worse is not None and better and worse >= min(better):
            sizes[k] = None
    return tuple(sizes)


def _strips(planes: Sequence[Numbers]) -> list[Numbers]:
    height = len(planes[0])
    if height <= 2 * _STRIP * _STRIPS:
        return list(planes)
    starts = np.linspace(0, height - _STRIP, _STRIPS).astype(int)
    return [np.concatenate([plane[start : start + _STRIP] for start in starts]) for plane in planes]


def _shrunk(levels: npt.NDArray[np.uint8], shrink: int) -> npt.NDArray[np.uint8]:
    return np.ascontiguousarray(levels[::shrink, ::shrink])


# -- the second pass -----------------------------------------------------------------------------------------


def pack_all(
    files: Sequence[PictureFile], found: Sequence[Measured], store: Store, most: int
) -> dict[str, dict[str, Any]]:
    """Pack all units within a number of characters.

    Returns:
        What the page is told of each unit, by its key.
    """
    units = _merged(found)
    at = dict(climbed(list(units.values()), most))
    left = _Budget(most, {key: units[key].sizes[rung] or 0 for key, rung in at.items()})
    made: dict[str, dict[str, Any]] = {}
    begun: set[str] = set()
    lock = threading.Lock()

    def pack(number: int, file: PictureFile, pixels: exr.Pixels) -> None:
        for names, key in found[number].keys.items():
            with lock:
                if key in begun:
                    continue
                begun.add(key)
            planes = [pixels.planes[name] for name in names]
            rung = at[key]
            while True:
                told, data = _packed_unit(planes, RUNGS[rung])
                size = sum(_text_size(len(piece)) for piece in data)
                lower = next((k for k in range(rung + 1, len(RUNGS)) if units[key].sizes[k] is not None), None)
                if left.take(key, size) or lower is None:
                    break
                rung = lower
            made[key] = _stored(told, data, store)

    wanted = [k for k, one in enumerate(found) if not one.failure]
    failures = _Files().each([files[k] for k in wanted], lambda k, file, pixels: pack(wanted[k], file, pixels))
    for number, reason in failures.items():
        found[wanted[number]].failure = reason
    return made


class _Budget:
    """What is left, with what everything that is still to be packed was estimated to take."""

    def __init__(self, most: int, estimates: dict[str, int]) -> None:
        self._left = most - sum(estimates.values())
        self._estimates = estimates
        self._lock = threading.Lock()

    def take(self, key: str, size: int) -> bool:
        with self._lock:
            more = size - self._estimates[key]
            if more > max(0, self._left):
                return False
            self._left -= more
            self._estimates[key] = size
            return True


def _merged(found: Sequence[Measured]) -> dict[str, Unit]:
    units: dict[str, Unit] = {}
    for one in found:
        for unit in one.units:
            before = units.get(unit.key)
            if before is not None:
                unit = Unit(unit.key, unit.sizes, unit.final or before.final, max(unit.place, before.place))
            units[unit.key] = unit
    return units


def _packed_unit(planes: Sequence[Numbers], rung: Rung) -> tuple[dict[str, Any], list[bytes]]:
    """What the page is told, with places of pieces in the list for their numbers."""
    data: list[bytes] = []

    def keep(piece: bytes) -> int:
        data.append(piece)
        return len(data) - 1

    def kept(plane: Numbers) -> dict[str, Any]:
        one: Packed = packed(plane)
        told: dict[str, Any] = {"code": one.code, "width": one.width, "height": one.height}
        return {**told, "piece": keep(one.data), **({"ids": True} if one.ids else {})}

    told: dict[str, Any] = {"rung": rung.name, "step": rung.step}
    if rung.name == "exact":
        return {**told, "planes": [kept(plane) for plane in planes]}, data
    if rung.name == "half":
        return {**told, "planes": [kept(rounded_to_half(plane)) for plane in planes]}, data
    told["planes"] = [kept(np.ascontiguousarray(plane[:: rung.step, :: rung.step])) for plane in planes]
    levels = viewing.levels_of(list(planes))
    view = viewing.picture_of(list(planes), levels)
    told["view"] = {
        "picture": keep(viewing.encoded(_shrunk(view, rung.shrink), rung.quality)),
        "levels": keep(deflated(levels.values.tobytes())),
        "shrink": rung.shrink,
    }
    bad = np.zeros(planes[0].shape, bool)
    for plane in planes:
        bad |= ~np.isfinite(plane)
    if bad.any():
        told["view"]["bad"] = keep(deflated(np.packbits(bad, axis=None).tobytes()))
    return told, data


def _stored(told: Mapping[str, Any], data: Sequence[bytes], store: Store) -> dict[str, Any]:
    numbers = [store.add(piece) for piece in data]
    planes = [{**plane, "piece": numbers[plane["piece"]]} for plane in told["planes"]]
    made = {**told, "planes": planes}
    if "view" in told:
        pieces = ("picture", "levels", "bad")
        made["view"] = {k: numbers[v] if k in pieces else v for k, v in told["view"].items()}
    return made
