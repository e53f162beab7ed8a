"""Visible colour differences: CIE L*a*b* and CIEDE2000.

The formula is that of CIE 142-2001 (ISO/CIE 11664-6), written after its published description by G. Sharma, W. Wu
and E. N. Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes, Supplementary Test Data, and
Mathematical Observations", Color Research and Application 30 (2005). A test checks it with the table of pairs
there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["delta_e_2000", "lab_from_xyz"]

Array = npt.NDArray[np.float64]


def lab_from_xyz(xyz: npt.ArrayLike, white: npt.ArrayLike) -> Array:
    """CIE 1976 L*a*b* of X Y Z (ISO/CIE 11664-4).

    Args:
        xyz: ``(..., 3)``, in the units of ``white``. Below 0 the straight part of the curve is continued.
        white: X Y Z of the white that is L* = 100.
    """
    ratio = np.asarray(xyz, np.float64) / np.asarray(white, np.float64)
    knee = 6 / 29
    f = np.where(ratio > knee**3, np.cbrt(ratio), ratio / (3 * knee**2) + 4 / 29)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def delta_e_2000(first: npt.ArrayLike, second: npt.ArrayLike) -> Array:
    """CIEDE2000 between two colours, with all parametric factors 1. About 1 is just visible side by side.

    Args:
        first: L* a* b*, ``(..., 3)``.
        second: the same; the order of the two does not matter.

    Returns:
        ``(...)``, 0 and more.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, np.float64), -1, 0)
    # Near grey, a* is stretched, since the eye sees smaller differences there than L*a*b* does.
    mean_chroma = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    stretch = 1 + (1 - _share_of_chroma(mean_chroma)) / 2
    c1, c2 = np.hypot(a1 * stretch, b1), np.hypot(a2 * stretch, b2)
    h1, h2 = _hue(a1 * stretch, b1), _hue(a2 * stretch, b2)
    # The formula treats greys, which have no hue, separately. Here their product of chromas is 0 anyway.
    turn = (h2 - h1 + 180) % 360 - 180
    # Exactly opposite hues: the formula keeps +180 as it is, where the remainder above makes it -180.
    turn = np.where((turn == -180) & (h2 > h1), 180.0, turn)
    d_light, d_chroma = l2 - l1, c2 - c1
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))

    light, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue = _mean_hue(h1, h2)
    t = 1 - 0.17 * _cos(hue - 30) + 0.24 * _cos(2 * hue) + 0.32 * _cos(3 * hue + 6) - 0.20 * _cos(4 * hue - 63)
    away = (light - 50) ** 2
    s_light = 1 + 0.015 * away / np.sqrt(20 + away)
    s_chroma = 1 + 0.045 * chroma
    s_hue = 1 + 0.015 * chroma * t
    # Chroma and hue are not independent in the blue.
    rotation = -2 * _share_of_chroma(chroma) * np.sin(np.radians(60 * np.exp(-(((hue - 275) / 25) ** 2))))
    parts = d_light / s_light, d_chroma / s_chroma, d_hue / s_hue
    square = parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2 + rotation * parts[1] * parts[2]
    return np.asarray(np.sqrt(np.maximum(square, 0)), np.float64)


def _share_of_chroma(chroma: Array) -> Array:
    seventh = chroma**7
    return np.asarray(np.sqrt(seventh / (seventh + 25.0**7)))


def _hue(a: Array, b: Array) -> Array:
    """Angle in degrees from 0 to below 360; 0 of a grey."""
    return np.asarray(np.degrees(np.arctan2(b, a)) % 360)


def _mean_hue(h1: Array, h2: Array) -> Array:
    both = h1 + h2
    across = np.where(both < 360, both + 360, both - 360)
    return np.asarray(np.where(np.abs(h1 - h2) <= 180, both, across) / 2)


def _cos(degrees: Array) -> Array:
    return np.asarray(np.cos(np.radians(degrees)))
