"""One layer of two pictures: planes over the same window, compared number by number."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.compare.tolerance import Tolerance
from stackcomp.data.image import Plane
from stackcomp.data.window import Window
from stackcomp.kernels.difference import add_differences

__all__ = ["LayerComparison", "compare_layer", "difference"]

#: Rows that are compared at a time, so that the arrays between stay in the processor's memory.
_ROWS = 64
_Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class LayerComparison:
    """How one layer differs.

    Attributes:
        layer: its name; empty for the channels without one.
        channels: names of the channels, in full.
        pixels: how many there are.
        tolerance: what is allowed.
        over: pixels that differ by more than ``tolerance.small``.
        largest: the largest difference of a pixel, as `Tolerance` measures it; infinite for one value that is
            finite on one side alone.
        mean: mean of the absolute differences over pixels and channels, in plain numbers.
        psnr: peak signal-to-noise ratio in decibels; infinite where nothing differs.
        peak: value that the ratio takes as its peak: 1, or the largest of both pictures where that is more.
        worst: x and y of the pixel with the largest difference, in the coordinates of the windows; None where
            nothing differs.
        values: of that pixel, channel → value in the first and in the second picture.
        not_finite: channel → pixels that are NaN, +infinity or -infinity in one picture and something else in the
            other; and the first of them.
        ids: channel → pixels whose ids differ, and the first of them.
    """

    layer: str
    channels: tuple[str, ...]
    pixels: int
    tolerance: Tolerance
    over: int = 0
    largest: float = 0.0
    mean: float = 0.0
    psnr: float = math.inf
    peak: float = 1.0
    worst: tuple[int, int] | None = None
    values: Mapping[str, tuple[float, float]] | None = None
    not_finite: Mapping[str, tuple[int, tuple[int, int]]] | None = None
    ids: Mapping[str, tuple[int, tuple[int, int]]] | None = None

    @property
    def share(self) -> float:
        """The part of the pixels that differ by more than ``tolerance.small``."""
        return self.over / self.pixels if self.pixels else 0.0

    @property
    def equal(self) -> bool:
        """Whether the layers are equal within the tolerance."""
        return not self.findings

    @property
    def findings(self) -> tuple[str, ...]:
        """What goes beyond the tolerance, in words."""
        return tuple(self._findings())

    def _findings(self) -> Iterator[str]:
        name = f"layer {self.layer}" if self.layer else f"{', '.join(self.channels)}"
        for channel, (count, (x, y)) in (self.not_finite or {}).items():
            yield f"{channel}: {_pixels(count)} not finite on one side alone or in another way, first {x},{y}"
        for channel, (count, (x, y)) in (self.ids or {}).items():
            yield f"{channel}: {_pixels(count)} with another id, first {x},{y}"
        if self.worst is None:
            return
        x, y = self.worst
        if self.largest > self.tolerance.limit:
            yield (
                f"{name}: pixel {x},{y} differs by {self.largest:.4g}, more than {self.tolerance.limit:g} "
                f"({self._worst_values()})"
            )
        if self.share > self.tolerance.share:
            yield (
                f"{name}: {_percent(self.share)} of the pixels ({self.over}) differ by more than "
                f"{self.tolerance.small:g}, allowed are {_percent(self.tolerance.share)}; worst {x},{y} by "
                f"{self.largest:.4g} ({self._worst_values()})"
            )

    def _worst_values(self) -> str:
        return ", ".join(f"{name} {a:.6g} / {b:.6g}" for name, (a, b) in (self.values or {}).items())

    def as_dict(self) -> dict[str, Any]:
        """As JSON data; numbers that are not finite are None."""
        return {
            "layer": self.layer,
            "channels": list(self.channels),
            "equal": self.equal,
            "pixels": self.pixels,
            "over": self.over,
            "share": self.share,
            "largest": _number(self.largest),
            "mean": _number(self.mean),
            "psnr": _number(self.psnr),
            "peak": _number(self.peak),
            "worst": None if self.worst is None else list(self.worst),
            "values": {name: [_number(a), _number(b)] for name, (a, b) in (self.values or {}).items()},
            "not_finite": _counts(self.not_finite),
            "ids": _counts(self.ids),
            "tolerance": self.tolerance.as_dict(),
        }


def compare_layer(
    layer: str,
    first: Mapping[str, Plane],
    second: Mapping[str, Plane],
    window: Window,
    tolerance: Tolerance,
    id_channels: frozenset[str] = frozenset(),
) -> LayerComparison:
    """Compare planes of the same names over the same window.

    Args:
        layer: name of the layer.
        first: planes of the first picture by name, shape ``window.shape``: float16, float32 or uint32.
        second: those of the other.
        window: where they lie.
        tolerance: what is allowed.
        id_channels: float planes whose bits are ids; planes of uint32 are ids as well.
    """
    ids: dict[str, tuple[int, tuple[int, int]]] = {}
    numbers: list[str] = []
    for name, plane in first.items():
        if name not in id_channels and plane.dtype != np.uint32 and second[name].dtype != np.uint32:
            numbers.append(name)
        elif found := _ids(plane, second[name], window):
            ids[name] = found
    pixels = window.width * window.height
    known = LayerComparison(layer, tuple(first), pixels, tolerance, ids=ids or None)
    changed = [name for name in numbers if not _same_bytes(first[name], second[name])]
    if not changed or not pixels:
        return known
    # Patterns of ids that nobody declared may be NaN of a kind that warns when it is widened.
    with np.errstate(invalid="ignore"):
        return _numbers(known, {name: first[name] for name in numbers}, second, window, changed)


def _numbers(
    known: LayerComparison,
    first: Mapping[str, Plane],
    second: Mapping[str, Plane],
    window: Window,
    changed: list[str],
) -> LayerComparison:
    """The comparison with its numbers; channels that are equal to the last bit need not be looked at."""
    small, over, largest, at = known.tolerance.small, 0, 0.0, (0, 0)
    total = squares = 0.0
    peak = 1.0
    not_finite: dict[str, tuple[int, tuple[int, int]]] = {}
    for top in range(0, window.height, _ROWS):
        rows = slice(top, min(top + _ROWS, window.height))
        worst = np.zeros((rows.stop - top, window.width))
        for name in changed:
            a, b = (np.ascontiguousarray(planes[name][rows], np.float32) for planes in (first, second))
            plain, square, odd, first_odd, magnitude = add_differences(a, b, worst)
            total, squares, peak = total + plain, squares + square, max(peak, magnitude)
            if odd:
                y, x = divmod(first_odd, window.width)
                count, place = not_finite.get(name, (0, (window.x0 + x, window.y0 + top + y)))
                not_finite[name] = count + odd, place
        over += int(np.count_nonzero(worst > small))
        highest = float(worst.max())
        if highest > largest:
            y, x = divmod(int(worst.argmax()), window.width)
            largest, at = highest, (window.x0 + x, window.y0 + top + y)
    for name in first.keys() - set(changed):
        peak = max(peak, _magnitude(first[name]))
    mean_square = squares / (known.pixels * len(first))
    result = {
        **known.__dict__,
        "over": over,
        "largest": largest,
        "mean": total / (known.pixels * len(first)),
        "psnr": 10 * math.log10(peak**2 / mean_square) if mean_square else math.inf,
        "peak": peak,
        "not_finite": not_finite or None,
    }
    if largest:
        x, y = at[0] - window.x0, at[1] - window.y0
        values = {name: (float(first[name][y, x]), float(second[name][y, x])) for name in first}
        result |= {"worst": at, "values": values}
    return LayerComparison(**result)


def difference(
    a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], _Mask | None]:
    """The plain difference, the difference as `Tolerance` measures it, and where pixels are not finite alike.

    Pixels that are NaN on both sides, or the same infinity, do not differ. The third is None where all are alike.
    """
    finite = np.isfinite(a) & np.isfinite(b)
    if finite.all():
        plain = np.abs(a - b)
        return plain, plain / np.maximum(1.0, np.maximum(np.abs(a), np.abs(b))), None
    a, b, whole_a, whole_b = np.where(finite, a, 0.0), np.where(finite, b, 0.0), a, b
    plain = np.abs(a - b)
    relative = plain / np.maximum(1.0, np.maximum(np.abs(a), np.abs(b)))
    odd = ~finite & ~((whole_a == whole_b) | (np.isnan(whole_a) & np.isnan(whole_b)))
    return plain, relative, odd if odd.any() else None


def _magnitude(plane: Plane) -> float:
    """The largest magnitude of the finite values."""
    largest = 0.0
    for top in range(0, plane.shape[0], _ROWS):
        rows = np.abs(plane[top : top + _ROWS].astype(np.float32))
        largest = max(largest, float(rows.max(where=np.isfinite(rows), initial=0.0)))
    return largest


def _same_bytes(a: Plane, b: Plane) -> bool:
    if a.dtype != b.dtype:
        return False
    bits = np.uint16 if a.dtype == np.float16 else np.uint32
    return bool(np.array_equal(a.view(bits), b.view(bits)))


def _ids(a: Plane, b: Plane, window: Window) -> tuple[int, tuple[int, int]] | None:
    """How many ids differ, and where the first does."""
    if a.dtype != b.dtype:
        # Numbers of one type of storage never are the ids of another.
        return a.size, (window.x0, window.y0)
    bits = np.uint16 if a.dtype == np.float16 else np.uint32
    other = a.view(bits) != b.view(bits)
    if not other.any():
        return None
    y, x = np.argwhere(other)[0]
    return int(np.count_nonzero(other)), (window.x0 + int(x), window.y0 + int(y))


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _counts(found: Mapping[str, tuple[int, tuple[int, int]]] | None) -> dict[str, Any]:
    return {name: {"pixels": count, "first": list(place)} for name, (count, place) in (found or {}).items()}


def _pixels(count: int) -> str:
    return f"{count} pixel{'' if count == 1 else 's'}"


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"
