"""One layer of two pictures, compared number by number in strips of rows."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np

from stackcomp.compare.tolerance import Tolerance
from stackcomp.data.image import Plane
from stackcomp.data.planes import plane_over
from stackcomp.data.window import Window
from stackcomp.kernels.difference import add_differences
from stackcomp.kernels.strips import over_strips

__all__ = ["LayerComparison", "Places", "Side", "compare_layer", "in_strips"]

#: Rows that are compared at a time, so that the arrays between stay in the processor's memory.
_ROWS = 32
_Result = TypeVar("_Result")


@dataclass(frozen=True)
class Side:
    """Planes of one of the two pictures.

    Attributes:
        planes: by name, of shape ``window.shape``: float16, float32 or uint32.
        window: where they lie.
        outside: value of pixels that the window does not cover.
    """

    planes: Mapping[str, Plane]
    window: Window
    outside: float = 0.0

    def over(self, channel: str, window: Window) -> Plane:
        """A plane over another window; of full rows of the same window it is a view."""
        return plane_over(self.planes[channel], self.window, window, outside=self.outside)

    def value(self, channel: str, x: int, y: int) -> float | int:
        """The value of a pixel; ids as whole numbers."""
        return self.over(channel, Window(x, y, x + 1, y + 1))[0, 0].item()  # type: ignore[no-any-return]

    def bits(self, channel: str, x: int, y: int) -> int:
        """The bits of a pixel."""
        return int(_bits(self.over(channel, Window(x, y, x + 1, y + 1)))[0, 0])


@dataclass(frozen=True)
class Places:
    """Pixels of a channel.

    Attributes:
        count: how many.
        first: x and y of the first of them, row by row.
        values: of that one, in the first and in the second picture; ids as whole numbers.
    """

    count: int
    first: tuple[int, int]
    values: tuple[float, float]

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {"pixels": self.count, "first": list(self.first), "values": [_in_json(v) for v in self.values]}


@dataclass(frozen=True)
class LayerComparison:
    """How one layer differs.

    Attributes:
        layer: its name; empty for the channels without one.
        channels: names of the channels, in full.
        pixels: how many there are.
        tolerance: what is allowed.
        over: pixels that differ by more than ``tolerance.small``.
        largest: the largest difference of a pixel, as `Tolerance` measures it. Pixels that are not finite do not
            count.
        mean: mean of the absolute differences over pixels and channels, in plain numbers.
        psnr: peak signal-to-noise ratio in decibels, over pixels and channels; infinite where nothing differs.
        peak: value that the ratio takes as its peak: 1, or the largest magnitude in the two where that is more.
        worst: x and y of the pixel with the largest difference, in the coordinates of the windows, the first one
            row by row; None where nothing differs.
        values: of that pixel, channel → value in the first and in the second picture.
        not_finite: channel → pixels that are NaN, +infinity or -infinity in one picture and something else in the
            other.
        ids: channel → pixels whose ids differ.
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
    not_finite: Mapping[str, Places] | None = None
    ids: Mapping[str, Places] | None = None

    @property
    def name(self) -> str:
        """What it is called in words: its own name, or the names of its channels."""
        listed = ", ".join(self.channels[:8]) + (" …" if len(self.channels) > 8 else "")
        return f"layer {self.layer}" if self.layer else listed

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
        """What goes beyond the tolerance, in words: masks, then ids, then numbers."""
        return (*self.mask_findings, *self.id_findings, *self.number_findings)

    @property
    def mask_findings(self) -> tuple[str, ...]:
        """Differences of the masks of pixels that are not finite."""
        return tuple(
            f"{channel}: not finite in the same way at {_pixels(places.count)}, "
            f"first {places.first[0]},{places.first[1]} ({places.values[0]:.6g} / {places.values[1]:.6g})"
            for channel, places in (self.not_finite or {}).items()
        )

    @property
    def id_findings(self) -> tuple[str, ...]:
        """Differences of ids."""
        return tuple(
            f"{channel}: ids differ at {_pixels(places.count)}, first {places.first[0]},{places.first[1]} "
            f"({int(places.values[0]):08x} / {int(places.values[1]):08x})"
            for channel, places in (self.ids or {}).items()
        )

    @property
    def number_findings(self) -> tuple[str, ...]:
        """Differences beyond the two limits of the tolerance."""
        return tuple(self._number_findings())

    def _number_findings(self) -> Iterator[str]:
        if self.worst is None:
            return
        x, y = self.worst
        beyond = self.largest > self.tolerance.limit
        if beyond:
            yield (
                f"{self.name}: pixel {x},{y} differs by {self.largest:.4g}, more than {self.tolerance.limit:g} "
                f"({self._worst_values()})"
            )
        if self.share > self.tolerance.share:
            worst = "" if beyond else f"; worst {x},{y} by {self.largest:.4g} ({self._worst_values()})"
            yield (
                f"{self.name}: {_percent(self.share)} of the pixels ({self.over}) differ by more than "
                f"{self.tolerance.small:g}, allowed are {_percent(self.tolerance.share)}{worst}"
            )

    def _worst_values(self) -> str:
        values = {name: pair for name, pair in (self.values or {}).items() if pair[0] != pair[1]}
        shown = ", ".join(f"{name} {a:.6g} / {b:.6g}" for name, (a, b) in list(values.items())[:4])
        return shown + (f" and {len(values) - 4} more" if len(values) > 4 else "")

    def as_dict(self) -> dict[str, Any]:
        """As JSON data; values that are not finite are the texts ``nan``, ``inf`` and ``-inf``."""
        return {
            "layer": self.layer,
            "channels": list(self.channels),
            "equal": self.equal,
            "pixels": self.pixels,
            "over": self.over,
            "share": self.share,
            "largest": self.largest,
            "mean": self.mean,
            "psnr": self.psnr if math.isfinite(self.psnr) else None,
            "peak": self.peak,
            "worst": None if self.worst is None else list(self.worst),
            "values": {name: [_in_json(a), _in_json(b)] for name, (a, b) in (self.values or {}).items()},
            "not_finite": {name: places.as_dict() for name, places in (self.not_finite or {}).items()},
            "ids": {name: places.as_dict() for name, places in (self.ids or {}).items()},
            "tolerance": self.tolerance.as_dict(),
        }


def in_strips(window: Window, work: Callable[[Window], _Result]) -> list[_Result]:
    """What a function gives for each strip of a window, from above, however many threads there are."""
    count = -(-window.height // _ROWS)
    found: dict[int, _Result] = {}

    def some(first: int, last: int) -> None:
        for number in range(first, last):
            top = window.y0 + number * _ROWS
            strip = Window(window.x0, top, window.x1, min(top + _ROWS, window.y1))
            # Patterns of ids that nobody declared may be NaN of a kind that warns when it is widened.
            with np.errstate(invalid="ignore", over="ignore"):
                found[number] = work(strip)

    over_strips(some, count, least=1)
    return [found[number] for number in range(count)]


def compare_layer(
    layer: str,
    channels: Collection[str],
    first: Side,
    second: Side,
    window: Window,
    tolerance: Tolerance,
    id_channels: Collection[str] = (),
) -> LayerComparison:
    """Compare planes of the same names over a window.

    Args:
        layer: name of the layer.
        channels: names of its channels.
        first: the first picture.
        second: the other.
        window: pixels to compare.
        tolerance: what is allowed.
        id_channels: float planes whose bits are ids; planes of uint32 are ids as well.
    """
    known = LayerComparison(layer, tuple(channels), window.width * window.height, tolerance)
    if not known.pixels:
        return known
    both = first, second
    ids: dict[str, Places] = {}
    numbers, changed = [], []
    for name in channels:
        exact = name in id_channels or any(side.planes[name].dtype == np.uint32 for side in both)
        if exact:
            if places := _ids(name, first, second, window):
                ids[name] = places
            continue
        numbers.append(name)
        if not _same_bits(name, first, second, window):
            changed.append(name)
    known = replace(known, ids=ids or None)
    return _numbers(known, numbers, changed, first, second, window) if changed else known


class _Sums(NamedTuple):
    """What one strip adds up to."""

    total: float
    squares: float
    peak: float
    over: int
    largest: float
    at: tuple[int, int]
    odd: dict[str, tuple[int, tuple[int, int]]]


def _numbers(
    known: LayerComparison, numbers: list[str], changed: list[str], first: Side, second: Side, window: Window
) -> LayerComparison:
    """The comparison with its numbers; channels that are equal to the last bit only count for the peak."""
    alike = [name for name in numbers if name not in changed]

    def work(strip: Window) -> _Sums:
        total = squares = peak = 0.0
        worst = np.zeros(strip.shape)
        odd = {}
        for name in changed:
            a, b = (np.ascontiguousarray(side.over(name, strip), np.float32) for side in (first, second))
            plain, square, count, at, magnitude = add_differences(a, b, worst)
            total, squares, peak = total + plain, squares + square, max(peak, magnitude)
            if count:
                y, x = divmod(int(at), strip.width)
                odd[name] = int(count), (strip.x0 + x, strip.y0 + y)
        for name in alike:
            peak = max(peak, _magnitude(first.over(name, strip)))
        y, x = divmod(int(worst.argmax()), strip.width)
        over = int(np.count_nonzero(worst > known.tolerance.small))
        return _Sums(total, squares, peak, over, float(worst.max()), (strip.x0 + x, strip.y0 + y), odd)

    strips = in_strips(window, work)
    largest = max(strip.largest for strip in strips)
    peak = max(1.0, *(strip.peak for strip in strips))
    values = known.pixels * len(numbers)
    mean_square = sum(strip.squares for strip in strips) / values
    not_finite: dict[str, Places] = {}
    for name in changed:
        odd = [strip.odd[name] for strip in strips if name in strip.odd]
        if odd:
            x, y = odd[0][1]
            pair = first.value(name, x, y), second.value(name, x, y)
            not_finite[name] = Places(sum(count for count, _ in odd), (x, y), pair)
    found = replace(
        known,
        over=sum(strip.over for strip in strips),
        largest=largest,
        mean=sum(strip.total for strip in strips) / values,
        psnr=10 * math.log10(peak**2 / mean_square) if mean_square else math.inf,
        peak=peak,
        not_finite=not_finite or None,
    )
    if not largest:
        return found
    x, y = next(strip.at for strip in strips if strip.largest == largest)
    pairs = {name: (first.value(name, x, y), second.value(name, x, y)) for name in numbers}
    return replace(found, worst=(x, y), values=pairs)


def _magnitude(plane: Plane) -> float:
    """The largest magnitude of the finite values."""
    size = np.abs(plane)
    largest = float(size.max())
    return largest if math.isfinite(largest) else float(size.max(where=np.isfinite(size), initial=0))


def _bits(plane: Plane) -> Plane:
    return plane.view(np.uint16 if plane.dtype == np.float16 else np.uint32)


def _same_bits(name: str, first: Side, second: Side, window: Window) -> bool:
    if first.planes[name].dtype != second.planes[name].dtype:
        return False

    def same(strip: Window) -> bool:
        return np.array_equal(_bits(first.over(name, strip)), _bits(second.over(name, strip)))

    return all(in_strips(window, same))


def _ids(name: str, first: Side, second: Side, window: Window) -> Places | None:
    """Where ids differ. Half has too few bits for an id, so none of it equals one of 32 bits."""

    def work(strip: Window) -> tuple[int, tuple[int, int]] | None:
        a, b = _bits(first.over(name, strip)), _bits(second.over(name, strip))
        other = (a != b) if a.dtype == b.dtype else np.ones(strip.shape, bool)
        count = int(np.count_nonzero(other))
        y, x = divmod(int(other.argmax()), strip.width)
        return (count, (strip.x0 + x, strip.y0 + y)) if count else None

    found = [strip for strip in in_strips(window, work) if strip is not None]
    if not found:
        return None
    x, y = found[0][1]
    return Places(sum(count for count, _ in found), (x, y), (first.bits(name, x, y), second.bits(name, x, y)))


def _in_json(value: float) -> float | int | str:
    return value if isinstance(value, int) or math.isfinite(value) else f"{value:g}"


def _pixels(count: int) -> str:
    return f"{count} pixel{'' if count == 1 else 's'}"


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"
