"""A few sums of a plane that tell how much it differs from another plane, when only the sums of that one are left.

By its place, each pixel is added to one of `SUMS` sums or subtracted from it, as a hash of x and y decides. The
squares of the differences between the sums of two planes add up to an estimate of the squared difference of the
planes themselves, without bias: the expected value of all mixed products is 0. The root of the estimate has a
relative standard deviation of about 1 / √(2 · SUMS), 18 %. A single pixel that differs changes one sum by its
whole difference, while rounding errors of N pixels, which have any sign, add up to about √N of one of them. So one
wrong pixel is seen among many whose last bits differ, as they do between processors.

Values are measured as by `stackcomp.compare.Tolerance`: as they are between -1 and 1, by their logarithm beyond.

Source: M. Charikar, K. Chen, M. Farach-Colton, "Finding frequent items in data streams" (2002), for the sums; N.
Alon, Y. Matias, M. Szegedy, "The space complexity of approximating the frequency moments" (1996), for the estimate
from them. Both from memory; tests/testing/test_sketches.py compares the estimate with true differences.
"""

from __future__ import annotations

import base64
import functools

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Plane
from stackcomp.data.window import Window

__all__ = ["SUMS", "Sketch", "as_text", "from_text", "rms_difference", "sketch"]

SUMS = 16
"""Number of sums of a plane."""

Sketch = npt.NDArray[np.float32]

_ROWS = 64
# Stand-ins that lie outside of what finite values are measured as, which is -90 to 90.
_NAN, _INFINITY = 128.0, 256.0


def sketch(plane: Plane, window: Window) -> Sketch:
    """The sums of a plane, float32 ``(SUMS,)``.

    Args:
        plane: float32, or uint32 ids, ``(height, width)``.
        window: where it lies.
    """
    sums = np.zeros(2 * SUMS)
    for top in range(0, window.height, _ROWS):
        rows = plane[top : top + _ROWS]
        places = _places(window.x0, window.y0 + top, *rows.shape)
        sums += np.bincount(places.ravel(), weights=_measured(rows).ravel(), minlength=2 * SUMS)
    return (sums[:SUMS] - sums[SUMS:]).astype(np.float32)


def rms_difference(first: Sketch, second: Sketch, pixels: int) -> float:
    """The estimated root mean square of the differences of two planes over the same window.

    Args:
        first: sums of the one.
        second: sums of the other.
        pixels: number of pixels of each.
    """
    if not pixels:
        return 0.0
    return float(np.sqrt(np.square(first.astype(np.float64) - second.astype(np.float64)).sum() / pixels))


def as_text(sums: Sketch) -> str:
    """The sums as text for JSON."""
    return base64.b64encode(sums.astype("<f4").tobytes()).decode("ascii")


def from_text(text: str) -> Sketch:
    """The sums that `as_text` wrote.

    Raises:
        ValueError: it is something else.
    """
    sums = np.frombuffer(base64.b64decode(text, validate=True), "<f4").astype(np.float32)
    if sums.shape != (SUMS,):
        raise ValueError(f"{sums.size} sums, not {SUMS}")
    return sums


@functools.lru_cache(maxsize=64)
def _places(x0: int, y0: int, height: int, width: int) -> npt.NDArray[np.uint8]:
    """The sum that each pixel goes to, plus `SUMS` where it is subtracted: a hash of x and y."""
    x = (np.arange(x0, x0 + width) & 0xFFFFFFFF).astype(np.uint64)
    y = (np.arange(y0, y0 + height) & 0xFFFFFFFF).astype(np.uint64)
    bits = (y[:, None] << np.uint64(32)) | x
    # The last steps of splitmix64 (Steele, Lea, Flood 2014; from memory): every bit depends on all bits.
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        bits = (bits ^ (bits >> np.uint64(shift))) * np.uint64(factor)
    return ((bits ^ (bits >> np.uint64(31))) % np.uint64(2 * SUMS)).astype(np.uint8)


def _measured(rows: Plane) -> npt.NDArray[np.float64]:
    if rows.dtype == np.uint32:
        # Any two ids are far from each other, however near their numbers are.
        return (rows * np.uint32(2654435761)).astype(np.float64) / 2**32
    values = rows.astype(np.float64)
    size = np.abs(values)
    if not (size <= 1).all():
        with np.errstate(invalid="ignore"):
            beyond = np.copysign(1 + np.log(np.maximum(size, 1)), values)
        values = np.where(size <= 1, values, beyond)
        values = np.nan_to_num(values, nan=_NAN, posinf=_INFINITY, neginf=-_INFINITY)
    return values
