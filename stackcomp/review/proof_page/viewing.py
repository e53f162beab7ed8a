"""A picture to look at where its numbers do not fit: 8 bits a channel, for any exposure, as JPEG.

The 256 levels are spaced by what the picture holds: on the scale of asinh, which is linear near 0 and logarithmic
far from it, in both signs, steps are small where many pixels are (cube root of the density, which is the spacing
of least squared error: Panter and Dite 1951), and never larger than a few per cent of the range. The page
gets the value of each level and so works with light again.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image as Canvas

__all__ = ["Levels", "encoded", "levels_of", "picture_of"]

Plane = npt.NDArray[np.float32]
_BINS = 1024
#: Below the knee steps are even. It lies where dark pixels are, within these parts of what is bright.
_WIDEST, _NARROWEST = 8192, 128
_HALF = 60000.0
#: Within float32, also where all values are near its smallest.
_LARGEST_SCALE = 1e38
_SMOOTH = 24
_KERNEL = np.hanning(2 * _SMOOTH + 1) / np.hanning(2 * _SMOOTH + 1).sum()


@dataclass(frozen=True)
class Levels:
    """What 8-bit levels mean.

    Attributes:
        values: of the 256 levels, rising.
        table: level of each half float, by its bits.
        scale: what values are multiplied with before they are looked up as half floats.
    """

    values: npt.NDArray[np.float32]
    table: npt.NDArray[np.uint8]
    scale: float


def levels_of(planes: list[Plane]) -> Levels:
    """The spacing of levels for planes that are shown together."""
    ends = [end for plane in planes for end in _ends(plane)]
    if not ends:
        return Levels(np.zeros(256, np.float32), np.zeros(65536, np.uint8), 1.0)
    largest = max(map(abs, ends))
    scale = 1.0 if 1e-2 < largest <= _HALF or largest == 0 else min(_HALF / largest, _LARGEST_SCALE)
    # The spacing is known from a quarter of the pixels; the ends are those of all.
    counts = np.zeros(65536, np.int64)
    for plane in planes:
        counts += np.bincount(_half_bits(plane[::2, ::2], scale).ravel(), minlength=65536)
    every = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float64)
    good = np.isfinite(every)
    low, high = (float(np.float16(end * scale)) for end in (min(ends), max(ends)))
    dark, bright = _sizes(every, np.where(good, counts, 0))
    knee = max(min(max(dark, bright / _WIDEST), bright / _NARROWEST), 1e-7)
    place = np.arcsinh(np.where(good, every, 0) / knee)
    start, end = np.arcsinh(low / knee), np.arcsinh(high / knee)
    if end <= start or not counts[good].any():
        return Levels(np.full(256, low / scale, np.float32), np.zeros(65536, np.uint8), scale)
    density, edges = np.histogram(place[good], _BINS, (start, end), weights=counts[good])
    # Smooth, because few pixels would leave holes, and the levels beside a hole far apart.
    density = np.convolve(np.pad(density, _SMOOTH, mode="reflect"), _KERNEL, mode="same")[_SMOOTH:-_SMOOTH]
    share = density / max(density.sum(), 1)
    # A little everywhere, so that rare values keep levels as well.
    widths = np.cbrt(share + 0.04 / _BINS)
    reached = np.concatenate(([0.0], np.cumsum(widths)))
    reached *= 255 / reached[-1]
    table = np.rint(np.interp(place, edges, reached)).astype(np.uint8)
    values = np.sinh(np.interp(np.arange(256), reached, edges)) * knee / scale
    return Levels(values.astype(np.float32), table, scale)


def picture_of(planes: list[Plane], levels: Levels) -> npt.NDArray[np.uint8]:
    """8-bit levels, ``(height, width, number of planes)``; pixels that are not finite are as 0."""
    return np.stack([levels.table[_half_bits(plane, levels.scale)] for plane in planes], axis=-1)


def encoded(levels: npt.NDArray[np.uint8], quality: int) -> bytes:
    """A picture of one or three channels as JPEG, colour at full size."""
    file = io.BytesIO()
    squeezed = levels[..., 0] if levels.shape[2] == 1 else levels
    Canvas.fromarray(squeezed).save(file, format="JPEG", quality=quality, subsampling=0, optimize=True)
    return file.getvalue()


def _ends(plane: Plane) -> tuple[float, ...]:
    """The least and the greatest finite value, if there are any."""
    finite = np.isfinite(plane)
    values = plane if finite.all() else plane[finite]
    return (float(values.min()), float(values.max())) if values.size else ()


def _half_bits(plane: Plane, scale: float) -> npt.NDArray[np.uint16]:
    # A NaN that signals does so here.
    with np.errstate(invalid="ignore", under="ignore"):
        scaled = plane if scale == 1 else plane * np.float32(scale)
    kept = np.clip(np.nan_to_num(scaled, nan=0.0), -65504, 65504)
    with np.errstate(under="ignore"):
        return kept.astype(np.float16).view(np.uint16)


def _sizes(values: npt.NDArray[np.float64], counts: npt.NDArray[np.int64]) -> tuple[float, float]:
    """The sizes that a twentieth of the pixels other than 0 stays below, and that a tenth exceeds."""
    sizes = np.abs(np.where(np.isfinite(values), values, 0))
    order = np.argsort(sizes, kind="stable")
    running = np.cumsum(np.where(sizes[order] > 0, counts[order], 0))
    if not running[-1]:
        return 1.0, 1.0
    dark, bright = sizes[order][np.searchsorted(running, [0.05 * running[-1], 0.9 * running[-1]])]
    return float(dark), float(bright)
