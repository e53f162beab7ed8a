"""R'G'B' pictures as the planes of a movie: Y', Cb and Cr of ITU-R BT.709, limited range.

Matrix: Y' = .2126 R' + .7152 G' + .0722 B', Cb = (B' − Y') / 1.8556, Cr = (R' − Y') / 1.5748. Code values of n
bits: round((219 Y' + 16) · 2^(n−8)) and round((224 C + 128) · 2^(n−8)), so that black is 16, white 235 and chroma
16 to 240 with 8 bits, and four times that with 10.

Chroma at half the width lies on every second pixel, the first included. Chroma at half the height lies midway
between two rows (the place called left, the default of H.264). Both are filtered before pixels are left out. The
filter across is (−1 0 9 16 9 0 −1)/32, the maximally flat half-band filter of seven taps. The filter down is
(−3 5 30 30 5 −3)/64, the six taps that keep cubic curves and vanish threefold at the highest frequency. At the
edges, pixels are repeated.

Sources: Recommendation ITU-R BT.709-6, items 3.2 to 3.4 and 4.6 (matrix, quantisation, levels); Rec. ITU-T H.264,
annex E, chroma_sample_loc_type 0 (place of chroma). The filters are worked out from the conditions stated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.kernels.strips import over_strips

__all__ = ["Clipped", "Codes", "ycbcr"]

Codes = npt.NDArray[np.unsignedinteger[Any]]
_Plane = npt.NDArray[np.float32]

_RED, _GREEN, _BLUE = np.float32(0.2126), np.float32(0.7152), np.float32(0.0722)
_CB, _CR = np.float32(1 / 1.8556), np.float32(1 / 1.5748)
_ACROSS = tuple(np.float32(k / 32) for k in (16, 9, -1))
_DOWN = tuple(np.float32(k / 64) for k in (30, 5, -3))
# Rows worked on at a time, so that the planes in between stay in the cache of the processor.
_ROWS = 16


@dataclass
class Clipped:
    """Counts of values that a movie cannot hold.

    Attributes:
        outside: finite values below 0 or above 1, clipped.
        nan: not a number, written as 0.
        above: +infinity, written as 1.
        below: −infinity, written as 0.
    """

    outside: int = 0
    nan: int = 0
    above: int = 0
    below: int = 0

    def add(self, other: Clipped) -> None:
        """Add the counts of another picture."""
        self.outside += other.outside
        self.nan += other.nan
        self.above += other.above
        self.below += other.below


def ycbcr(rgb: npt.NDArray[np.float32], steps: tuple[int, int], bits: int) -> tuple[list[Codes], Clipped]:
    """Return the planes Y', Cb and Cr of a picture.

    Args:
        rgb: ``(height, width, 3)``, display-encoded, 0 to 1; other values are clipped and counted.
        steps: pixels of a chroma sample across and down: (1, 1), (2, 1) or (2, 2); they divide the size.
        bits: of a code value: 8 gives uint8, 10 uint16.

    Returns:
        Three planes of code values, ``(height, width)`` and twice that divided by the steps; and the counts.
    """
    height, width = rgb.shape[:2]
    across, down = steps
    dtype = np.uint8 if bits == 8 else np.uint16
    luma: Codes = np.empty((height, width), dtype)
    chroma = [np.empty((height, width // across), np.float32) for _ in range(2)]
    counts: list[Clipped] = []

    def work(first: int, last: int) -> None:
        for start in range(first, last, _ROWS):
            rows = slice(start, min(start + _ROWS, last))
            red, green, blue = _within(rgb[rows], counts)
            y = red * _RED
            y += green * _GREEN
            y += blue * _BLUE
            blue -= y
            blue *= _CB
            red -= y
            red *= _CR
            for plane, full in zip(chroma, (blue, red), strict=True):
                plane[rows] = full if across == 1 else _narrowed(full)
            _quantise(y, 219, 16, bits, luma[rows])

    over_strips(work, height)
    planes = [luma]
    for plane in chroma:
        codes: Codes = np.empty((height // down, width // across), dtype)
        _quantise(plane if down == 1 else _flattened(plane), 224, 128, bits, codes)
        planes.append(codes)
    clipped = Clipped()
    for count in counts:
        clipped.add(count)
    return planes, clipped


def _within(rgb: _Plane, counts: list[Clipped]) -> list[_Plane]:
    """Return the three planes of a strip, limited to 0 to 1."""
    planes = [np.ascontiguousarray(rgb[..., k]) for k in range(3)]
    # A NaN makes both comparisons false.
    if all(plane.min() >= 0 and plane.max() <= 1 for plane in planes):
        return [plane if plane.base is None else plane.copy() for plane in planes]
    limited = []
    count = Clipped()
    for plane in planes:
        count.add(
            Clipped(
                int(np.count_nonzero(np.isfinite(plane) & ((plane < 0) | (plane > 1)))),
                int(np.count_nonzero(np.isnan(plane))),
                int(np.count_nonzero(np.isposinf(plane))),
                int(np.count_nonzero(np.isneginf(plane))),
            )
        )
        limited.append(np.clip(np.nan_to_num(plane, nan=0.0, posinf=1.0, neginf=0.0), 0, 1))
    counts.append(count)
    return limited


def _narrowed(plane: _Plane) -> _Plane:
    """Return a plane at half its width: samples on the first, third … pixel of a row."""
    # Apart, so that all arithmetic is on neighbours in memory.
    even = np.ascontiguousarray(plane[:, 0::2])
    odd = np.concatenate((even[:, :1], even[:, :1], plane[:, 1::2], plane[:, -1:]), axis=1)
    middle, near, far = _ACROSS
    even *= middle
    inner = odd[:, 1:-2] + odd[:, 2:-1]
    inner *= near
    even += inner
    outer = odd[:, :-3] + odd[:, 3:]
    outer *= far
    even += outer
    return even


def _flattened(plane: _Plane) -> _Plane:
    """Return a plane at half its height: samples midway between the first two rows, the next two …."""
    tall = np.concatenate((plane[:1], plane[:1], plane, plane[-1:], plane[-1:]))
    height, width = plane.shape
    flat = np.empty((height // 2, width), np.float32)

    def work(first: int, last: int) -> None:
        for start in range(first, last, _ROWS):
            end = min(start + _ROWS, last)
            at = [tall[2 * start + k : 2 * end + k : 2] for k in range(6)]
            middle, near, far = _DOWN
            rows = np.add(at[2], at[3], out=flat[start:end])
            rows *= middle
            inner = at[1] + at[4]
            inner *= near
            rows += inner
            outer = at[0] + at[5]
            outer *= far
            rows += outer

    over_strips(work, height // 2)
    return flat


def _quantise(plane: _Plane, scale: int, offset: int, bits: int, codes: Codes) -> None:
    """Write code values: the plane is changed."""
    unit = 2 ** (bits - 8)
    plane *= np.float32(scale * unit)
    # Conversion to whole numbers cuts, so a half more rounds.
    plane += np.float32(offset * unit + 0.5)
    if offset == 128:
        # A filter overshoots at edges.
        np.clip(plane, 16 * unit, 240 * unit + 0.5, out=plane)
    np.copyto(codes, plane, casting="unsafe")
