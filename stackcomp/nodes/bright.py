"""Which share of a pixel's light lies above a threshold, for kinds in which bright light alone acts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackcomp.data.image import Plane

__all__ = ["LARGEST", "share_above"]

#: Half of the largest float32: no light is brighter than twice this.
LARGEST = 1.7e38


def share_above(light: Sequence[Plane], threshold: float, knee: float = 0.0) -> Plane:
    """Share of each pixel's light above a threshold, judged by its brightest channel so that hue stays.

    Args:
        light: R, G and B, float32.
        threshold: scene-linear, 0 or more.
        knee: how far below and above the threshold the share sets in, instead of at once; as far as 0.

    Returns:
        float32, 0 to 1; 0 where no channel is above 0.
    """
    red, green, blue = light
    brightest = np.maximum(np.maximum(red, green), np.maximum(blue, 0))
    limit = np.float32(min(threshold, LARGEST))
    excess = np.maximum(brightest - limit, 0)
    # A knee that began below 0 would make light of black.
    bend = np.float32(min(knee, threshold, LARGEST))
    if bend > 0:
        # A parabola that meets both straight parts with their own slopes. The order of factors keeps the square of
        # very large and very small numbers inside of float32.
        into = np.clip(brightest - (limit - bend), 0, 2 * bend)
        excess = np.where(np.abs(brightest - limit) < bend, np.float32(0.25) * into * (into / bend), excess)
    share = np.zeros_like(brightest)
    np.divide(excess, brightest, out=share, where=brightest > 0)
    return np.minimum(share, 1, out=share)
