"""A picture as checks of a sequence see it: at full size, and small."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.window import Window

__all__ = ["Seen", "averaged"]


def averaged(plane: npt.NDArray[np.float32], factor: int) -> npt.NDArray[np.float32]:
    """A plane averaged over squares of ``factor`` pixels; what does not fill a square at the end is left out.

    Values that are not finite count as 0.

    Returns:
        float32 ``(height // factor, width // factor)``, at least one pixel each way.
    """
    height, width = plane.shape
    down, across = max(1, min(factor, height)), max(1, min(factor, width))
    rows, columns = height // down, width // across
    whole = plane[: rows * down, : columns * across]
    if not np.isfinite(whole.sum(dtype=np.float64)):
        whole = np.where(np.isfinite(whole), whole, np.float32(0))
    if factor == 1:
        return np.ascontiguousarray(whole, np.float32)
    # Rows first: sums of whole rows run along memory.
    tall = np.add.reduceat(whole, np.arange(0, rows * down, down), axis=0, dtype=np.float32)
    small = tall.reshape(rows, columns, across).sum(axis=2, dtype=np.float32)
    small /= np.float32(down * across)
    return np.ascontiguousarray(small, np.float32)


@dataclass(frozen=True, eq=False)
class Seen:
    """A picture of a sequence.

    Attributes:
        image: its colour (R G B, A where there is one) or a single plane, float32; its type says the encoding.
        channels: full names of all channels of the file, in its order; those of the image for a rendered picture.
        alpha: state of A by the header: ``"premultiplied"``, ``"straight"`` or ``"none"``.
    """

    image: Image
    channels: tuple[str, ...] = ()
    alpha: str = "none"

    @cached_property
    def digest(self) -> bytes:
        """A hash of the pixels, windows and channel names; equal for pictures that are equal bit by bit."""
        digest = hashlib.blake2b(digest_size=16)
        digest.update(repr((self.image.window, self.image.display, self.image.channels)).encode())
        for plane in self.image.planes.values():
            digest.update(np.ascontiguousarray(plane).view(np.uint8).data)
        return digest.digest()

    def small(self, longest: int = 240) -> Image:
        """The picture averaged over whole squares of pixels, so that its longer side has about ``longest`` pixels.

        Values that are not finite count as 0. The averages are of the numbers as stored.

        Returns:
            float32 planes over a window at the origin, of the same type.
        """
        window = self.image.window
        factor = max(1, max(window.width, window.height) // longest)
        if window.empty:
            return self.image
        planes = {name: averaged(plane, factor) for name, plane in self.image.planes.items()}
        height, width = next(iter(planes.values())).shape
        size = Window.of_size(width, height)
        return Image(planes, size, size, self.image.type, self.image.metadata)
