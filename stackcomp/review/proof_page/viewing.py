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
_KNEE = 1 / 512  # of the range that counts: below it, steps are even
_HALF = 60000.0


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
    largest = max((_largest(plane) for plane in planes), default=0.0)
    scale = 1.0 if 0 < largest <= _HALF and largest > 1e-2 else (1.0 if largest == 0 else _HALF / largest)
    counts = np.zeros(65536, np.int64)
    for plane in planes:
        counts += np.bincount(_half_bits(plane[::2, ::2], scale).ravel(), minlength=65536)
    every = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float64)
    good = np.isfinite(every)
    seen = good & (counts > 0)
    if not seen.any():
        return Levels(np.zeros(256, np.float32), np.zeros(65536, np.uint8), scale)
    low, high = every[seen].min(), every[seen].max()
    typical = _typical(every, np.where(good, counts, 0))
    knee = max(typical * _KNEE, 1e-7)
    place = np.arcsinh(np.where(good, every, 0) / knee)
    start, end = np.arcsinh(low / knee), np.arcsinh(high / knee)
    if end <= start:
        return Levels(np.full(256, low / scale, np.float32), np.zeros(65536, np.uint8), scale)
    density, edges = np.histogram(place[good], _BINS, (start, end), weights=counts[good])
    share = density / density.sum()
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


def _largest(plane: Plane) -> float:
    sizes = np.abs(plane[::2, ::2])
    sizes = sizes[np.isfinite(sizes)]
    return float(sizes.max()) if sizes.size else 0.0


def _half_bits(plane: Plane, scale: float) -> npt.NDArray[np.uint16]:
    scaled = plane if scale == 1 else plane * np.float32(scale)
    kept = np.clip(np.nan_to_num(scaled, nan=0.0), -65504, 65504)
    with np.errstate(under="ignore"):
        return kept.astype(np.float16).view(np.uint16)


def _typical(values: npt.NDArray[np.float64], counts: npt.NDArray[np.int64]) -> float:
    """The size that a tenth of the pixels other than 0 exceed."""
    sizes = np.abs(np.where(np.isfinite(values), values, 0))
    order = np.argsort(sizes, kind="stable")
    running = np.cumsum(np.where(sizes[order] > 0, counts[order], 0))
    if not running[-1]:
        return 1.0
    return float(sizes[order][np.searchsorted(running, 0.9 * running[-1])])
