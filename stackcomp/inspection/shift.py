"""How far one picture moved against another as a whole, in whole pixels.

Phase correlation: C. D. Kuglin and D. C. Hines, "The phase correlation image alignment method", IEEE International
Conference on Cybernetics and Society, 1975.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

__all__ = ["overlap", "shift_between"]

Plane = npt.NDArray[np.float32]


def shift_between(before: Plane, now: Plane) -> tuple[int, int]:
    """Rows and columns by which what was in one picture lies further down and right in the other.

    Args:
        before: ``(height, width)``, finite.
        now: likewise, of the same shape.

    Returns:
        The shift, at most half the height and width; that of the strongest agreement, however weak that is.
    """
    height, width = before.shape
    if min(height, width) < 8:
        return 0, 0
    # Edges of the picture do not move with it.
    window = np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
    spectra = [fft.rfft2((plane - plane.mean()) * window) for plane in (before, now)]
    product = spectra[1] * np.conj(spectra[0])
    size = np.abs(product)
    # Frequencies that hold nothing would add noise.
    product /= np.maximum(size, 1e-3 * float(size.mean()) + 1e-12)
    peak = int(np.argmax(fft.irfft2(product, s=before.shape)))
    down, right = divmod(peak, width)
    return (down - height if down > height // 2 else down), (right - width if right > width // 2 else right)


def overlap(before: Plane, now: Plane, shift: tuple[int, int]) -> tuple[Plane, Plane]:
    """The parts of two pictures that show the same, one moved by ``shift`` against the other."""
    down, right = shift
    height, width = before.shape
    old = before[max(0, -down) : height - max(0, down), max(0, -right) : width - max(0, right)]
    new = now[max(0, down) : height - max(0, -down), max(0, right) : width - max(0, -right)]
    return old, new
