"""What is known of a still, whichever format it has, and the sums that the formats share."""

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
    """What a still says about itself.

    Attributes:
        width: pixels across, as the picture is to be seen (its orientation followed).
        height: pixels down.
        channels: 1 grey, 2 grey and alpha, 3 colour, 4 colour and alpha.
        bits: of a value as stored.
        alpha: what its format promises: straight for PNG (its standard); for TIFF what its tag for extra samples
            says, and straight where that leaves it open.
        doubts: what is odd about it, though it can be read; sentences.
    """

    width: int
    height: int
    channels: int
    bits: int
    alpha: Alpha
    doubts: tuple[str, ...] = ()


def from_steps(array: Array, bits: int) -> Pixels:
    """Whole numbers of so many bits as 0 to 1 (−1 to 1 where they are signed); floats as they are.

    The largest positive number is 1, in signed numbers as well, as Vulkan and OpenImageIO have it.
    """
    if array.dtype.kind == "f":
        with np.errstate(over="ignore"):  # what is beyond float32 is infinite there
            return np.ascontiguousarray(array, np.float32)
    most = 2 ** (bits - (array.dtype.kind == "i")) - 1
    if bits <= 16:  # exact in float32, so that one rounding is left
        scaled: Pixels = np.divide(array, np.float32(most), dtype=np.float32)
        return np.ascontiguousarray(scaled)
    return np.ascontiguousarray(array / np.float64(most), np.float32)


def upright(array: Array, orientation: int) -> Array:
    """Pixels ``(height, width, …)`` turned as they are to be seen.

    Args:
        array: pixels as stored.
        orientation: 1 to 8; where the first row and column are, by TIFF 6.0, tag 274 (Exif has the same).
    """
    if orientation >= 5:
        array = array.swapaxes(0, 1)
    # Rows run upwards in 3 and 4; after the swap, those that were columns and ran leftwards in 7 and 8.
    if orientation in (3, 4, 7, 8):
        array = array[::-1]
    if orientation in (2, 3, 6, 7):
        array = array[:, ::-1]
    return array
