"""Types and arithmetic that all formats of stills share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from stackcomp.data.port_types import Alpha

__all__ = ["Array", "Pixels", "Still", "StillHeader", "from_steps", "upright"]

Array = npt.NDArray[Any]
Pixels = npt.NDArray[np.float32]


class Still(NamedTuple):
    """Pixels ``(height, width, channels)`` float32, whether the last channel is alpha, bits as stored."""

    pixels: Pixels
    has_alpha: bool
    bits: int


@dataclass(frozen=True)
class StillHeader:
    """The header of a still.

    Attributes:
        width: pixels across, upright (after its orientation is applied).
        height: pixels down.
        channels: 1 grey, 2 grey and alpha, 3 colour, 4 colour and alpha.
        bits: of a value as stored.
        alpha: straight for PNG (by its standard); for TIFF by its tag for extra samples, and straight if that tag
            does not state it.
        doubts: what is wrong with it although it can be read; clauses without a full stop.
    """

    width: int
    height: int
    channels: int
    bits: int
    alpha: Alpha
    doubts: tuple[str, ...] = ()


def from_steps(array: Array, bits: int) -> Pixels:
    """Convert whole numbers of some bits to 0 to 1 (signed ones to −1 to 1), float32; floats are kept.

    The largest positive number is 1, for signed numbers as well, as in Vulkan and OpenImageIO.
    """
    if array.dtype.kind == "f":
        with np.errstate(over="ignore"):  # values beyond the range of float32 become infinite
            return np.ascontiguousarray(array, np.float32)
    most = 2 ** (bits - (array.dtype.kind == "i")) - 1
    if bits <= 16:  # exact in float32, so that the result is rounded once
        scaled: Pixels = np.divide(array, np.float32(most), dtype=np.float32)
        return np.ascontiguousarray(scaled)
    return np.ascontiguousarray(array / np.float64(most), np.float32)


def upright(array: Array, orientation: int) -> Array:
    """Return pixels ``(height, width, …)`` turned upright, as a view.

    Args:
        array: pixels as stored.
        orientation: 1 to 8, the sides of the first row and column by TIFF 6.0, tag 274 (the same in Exif).
    """
    if orientation >= 5:
        array = array.swapaxes(0, 1)
    # Rows run upwards in 3 and 4, and after the swap in 7 and 8, where the stored columns run leftwards.
    if orientation in (3, 4, 7, 8):
        array = array[::-1]
    if orientation in (2, 3, 6, 7):
        array = array[:, ::-1]
    return array
