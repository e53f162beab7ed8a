"""Faults planted into clean pictures, each as it happens in a production."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from inspection.made_pictures import coloured
from scipy import ndimage

from stackcomp import Encoding, Image

__all__ = ["FAULTS", "as_code_values", "divided", "exposed", "with_colour_beside"]

SRGB = Encoding("sRGB Encoded Rec.709 (sRGB)", "display")


def as_code_values(light):
    """sRGB (IEC 61966-2-1) in 8 bits."""
    clipped = np.clip(light, 0, 1)
    code = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)
    return (np.rint(code * 255) / 255).astype(np.float32)


def exposed(pixels):
    """Light exposed for a display: of what is covered, all but the brightest fiftieth lies below white."""
    inside = pixels[..., 3] > 0.9 * pixels[..., 3].max()
    white = np.percentile(pixels[inside, :3].max(axis=-1), 98)
    return np.concatenate([pixels[..., :3] * (0.8 / max(white, 1e-6)), pixels[..., 3:]], axis=-1).astype(
        np.float32
    )


def divided(pixels):
    """Straight: colour divided by alpha; what lies under alpha 0 stays."""
    alpha = pixels[..., 3:]
    straight = np.where(alpha > 0, pixels[..., :3] / np.maximum(alpha, 1e-12), pixels[..., :3])
    return np.concatenate([straight, alpha], axis=-1).astype(np.float32)


def with_colour_beside(pixels):
    """Straight, with the colour of the edge going on under alpha 0, as paint programs write it."""
    straight = divided(pixels)
    nearest = ndimage.distance_transform_edt(pixels[..., 3] < 0.02, return_distances=False, return_indices=True)
    straight[..., :3] = straight[nearest[0], nearest[1], :3]
    return straight


def _straight(image: Image, rng) -> Image:
    return coloured(divided(image.to_array()))


def _straight_beside(image: Image, rng) -> Image:
    return coloured(with_colour_beside(image.to_array()))


def _straight_eight_bits(image: Image, rng) -> Image:
    """Straight stills lose the light under alpha 0, which they have no use for."""
    pixels = divided(exposed(image.to_array()))
    alpha = np.rint(pixels[..., 3:] * 255) / 255
    codes = as_code_values(pixels[..., :3]) * (alpha > 0)
    return coloured(np.concatenate([codes, alpha], axis=-1), encoding=SRGB)


def _premultiplied(image: Image, rng) -> Image:
    return coloured(image.to_array(), alpha="straight")


def _premultiplied_codes(image: Image, rng) -> Image:
    """8 bits whose code values were multiplied, declared straight as every PNG is."""
    pixels = divided(exposed(image.to_array()))
    alpha = np.rint(pixels[..., 3:] * 255) / 255
    codes = np.rint(as_code_values(pixels[..., :3]) * alpha * 255) / 255
    return coloured(np.concatenate([codes, alpha], axis=-1), alpha="straight", encoding=SRGB)


def _premultiplied_light(image: Image, rng) -> Image:
    """8 bits of light that was multiplied, declared straight."""
    pixels = exposed(image.to_array())
    alpha = np.rint(pixels[..., 3:] * 255) / 255
    return coloured(
        np.concatenate([as_code_values(pixels[..., :3]), alpha], axis=-1), alpha="straight", encoding=SRGB
    )


def _not_finite(value: float) -> Callable[[Image, np.random.Generator], Image]:
    def plant(image: Image, rng) -> Image:
        pixels = image.to_array()
        height, width, channels = pixels.shape
        for _ in range(int(rng.integers(1, 4))):
            pixels[rng.integers(height), rng.integers(width), rng.integers(channels)] = value
        return coloured(pixels)

    return plant


def _part(pixels, rng):
    """A patch of at least a thousandth of the picture."""
    height, width = pixels.shape[:2]
    high, wide = int(rng.integers(6, height // 3)), int(rng.integers(6, width // 3))
    y, x = int(rng.integers(height - high)), int(rng.integers(width - wide))
    return pixels[y : y + high, x : x + wide]


def _subtracted(image: Image, rng) -> Image:
    """A layer taken away that was not there."""
    pixels = image.to_array()
    part = _part(pixels, rng)
    part[..., :3] = -rng.uniform(0.05, 0.8, 3) + 0.1 * part[..., :3]
    return coloured(pixels)


def _sharpened(image: Image, rng) -> Image:
    """A lamp, and a filter with negative lobes."""
    pixels = image.to_array()
    height, width = pixels.shape[:2]
    y, x = int(rng.integers(10, height - 10)), int(rng.integers(10, width - 10))
    pixels[y - 3 : y + 3, x - 3 : x + 3, :3] += rng.uniform(8, 60)
    soft = ndimage.gaussian_filter(pixels, (1.2, 1.2, 0))
    pixels[..., :3] += (pixels - soft)[..., :3] * rng.uniform(0.8, 2)
    return coloured(pixels)


def _alpha(low: float, high: float) -> Callable[[Image, np.random.Generator], Image]:
    def plant(image: Image, rng) -> Image:
        pixels = image.to_array()
        _part(pixels, rng)[..., 3] = rng.uniform(low, high)
        return coloured(pixels)

    return plant


def _added_mattes(image: Image, rng) -> Image:
    """Two mattes added instead of joined."""
    pixels = image.to_array()
    pixels[..., 3] /= pixels[..., 3].max()
    pixels[..., 3] += np.roll(pixels[..., 3], int(rng.integers(2, 9)), axis=1)
    return coloured(pixels)


#: Class → check that finds it, and ways to plant it into CG with alpha.
FAULTS = {
    "pixels that are not finite": (
        "nonfinite",
        {"NaN": _not_finite(np.nan), "+inf": _not_finite(np.inf), "-inf": _not_finite(-np.inf)},
    ),
    "negative pixels": ("negative", {"subtracted": _subtracted, "sharpened": _sharpened}),
    "alpha outside 0 to 1": (
        "alpha_range",
        {"above": _alpha(1.02, 3), "below": _alpha(-1, -0.02), "added": _added_mattes},
    ),
    "straight, declared premultiplied": (
        "alpha_state",
        {"divided": _straight, "colour beside": _straight_beside, "8 bits": _straight_eight_bits},
    ),
    "premultiplied, declared straight": (
        "alpha_state",
        {"light": _premultiplied, "8 bits": _premultiplied_codes, "light in 8 bits": _premultiplied_light},
    ),
}
