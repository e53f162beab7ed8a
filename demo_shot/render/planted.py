"""What the camera of `evening` adds to the light: glow, softness and grain, by numbers that are stated here.

They are invented, and planted so that a measurement can be judged. Arrays are scene-linear light, float64
(height, width, 3); lengths are pixels.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve

# Share of the light that is scattered, and the length of its falloff exp(−r / length): a core and a skirt. Half of
# such a lobe's light lands within 1.678 lengths.
LOBES = ((0.05, 2.5), (0.03, 18.0))
SOFTNESS = 0.6  # standard deviation of a normal distribution
GRAIN_FLOOR, GRAIN_SLOPE = 4.0e-7, 4.0e-5  # variance = floor + slope · level
GRAIN_CHANNELS = (1.0, 0.9, 1.3)  # factors of the standard deviation
GRAIN_SIZE = 0.6  # standard deviation of the blur of its white noise
GRAIN_SHARED = 0.35  # correlation coefficient of two channels
BEYOND = 160  # pixels that the picture is continued by, with its outermost values: nine lengths of the skirt

Array = np.ndarray


def falloff(length: float, reach: int, steps: int = 15) -> Array:
    """The lobe exp(−r / length) over pixels about its centre, averaged over each pixel's area; its sum is 1."""
    fine = (np.arange((2 * reach + 1) * steps) + 0.5) / steps - reach - 0.5
    out = np.zeros((2 * reach + 1, 2 * reach + 1))
    for k in range(2 * reach + 1):
        rows = fine[k * steps : (k + 1) * steps, None]
        levels = np.exp(-np.hypot(rows, fine) / length)
        out[k] = levels.reshape(steps, -1, steps).mean(axis=(0, 2))
    return out / out.sum()


def scattered(light: Array) -> Array:
    """Light after the lens: a share of it is moved to the lobes, and none is made or lost."""
    wide = np.pad(light, ((BEYOND, BEYOND), (BEYOND, BEYOND), (0, 0)), mode="edge")
    out = light * (1 - sum(share for share, _ in LOBES))
    for share, length in LOBES:
        kernel = falloff(length, BEYOND)
        out += share * np.stack([fftconvolve(wide[..., c], kernel, mode="valid") for c in range(3)], -1)
    return out


def softened(light: Array) -> Array:
    """Light after a uniform softness: a normal distribution, sampled at pixel centres, its sum 1."""
    return np.stack([gaussian_filter(light[..., c], SOFTNESS, mode="nearest", truncate=8) for c in range(3)], -1)


def grained(linear: Array, seed: int) -> Array:
    """The picture with grain: blurred noise that channels share a part of."""
    random = np.random.default_rng(seed)
    fields = random.standard_normal((4, *linear.shape[:2]))
    point = np.zeros((33, 33))
    point[16, 16] = 1
    keeps = np.sqrt((gaussian_filter(point, GRAIN_SIZE, truncate=8) ** 2).sum())  # deviation left by the blur
    soft = np.stack([gaussian_filter(f, GRAIN_SIZE, mode="wrap", truncate=8) for f in fields], -1) / keeps
    noise = np.sqrt(GRAIN_SHARED) * soft[..., 3:] + np.sqrt(1 - GRAIN_SHARED) * soft[..., :3]
    deviation = np.sqrt(GRAIN_FLOOR + GRAIN_SLOPE * np.maximum(linear, 0)) * np.array(GRAIN_CHANNELS)
    return linear + deviation * noise
