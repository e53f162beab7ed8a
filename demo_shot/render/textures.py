"""Textures painted with seeded noise: bench planks, wall boards, rope lay, and the room around the bench.

Pictures are float32 (height, width, 3), scene-linear reflectance (or radiance for the room).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

Array = np.ndarray


def noise(rng: np.random.Generator, shape: tuple[int, int], blur: tuple[float, float]) -> Array:
    """Smooth noise, mean 0, standard deviation 1, tiling at its edges."""
    n = gaussian_filter(rng.standard_normal(shape), blur, mode="wrap")
    return (n - n.mean()) / n.std()


def planks(
    seed: int, height: int, width: int, rows: int, tones: list[tuple[float, float, float]], wear: float = 1.0
) -> Array:
    """Planks lying along the picture's x axis, each with its own rings, tone, pores and a few knots."""
    rng = np.random.default_rng(seed)
    out = np.zeros((height, width, 3))
    tall = height // rows
    for row in range(rows):
        y, x = np.mgrid[0:tall, 0:width].astype(float)
        bend = noise(rng, (tall, width), (tall / 3, width / 14)) * tall * 0.06
        for _ in range(rng.integers(0, 3)):  # a knot pushes the rings aside and darkens its middle
            kx, ky, size = rng.uniform(0, width), rng.uniform(0.2, 0.8) * tall, rng.uniform(0.07, 0.13) * tall
            far = ((x - kx) / (3.2 * size)) ** 2 + ((y - ky) / size) ** 2
            bend += np.sign(y - ky) * size * 1.6 * np.exp(-far / 2)
        heart = rng.uniform(-1.2, 2.2) * tall
        rings = np.abs(y + bend - heart) / (tall * rng.uniform(0.055, 0.10))
        late = (0.5 + 0.5 * np.sin(2 * np.pi * rings + noise(rng, (tall, width), (2, 60)) * 0.5)) ** 2.2
        fibre = noise(rng, (tall, width), (0.7, 22)) * 0.5 + noise(rng, (tall, width), (1.8, 90)) * 0.5
        broad = noise(rng, (tall, width), (tall / 4, width / 10))
        tone = np.array(tones[rng.integers(len(tones))]) * rng.uniform(0.85, 1.12)
        level = np.exp(-0.30 * late + 0.07 * fibre * wear + 0.07 * broad * wear)
        tint = np.stack([level, level**1.15, level**1.35], -1)
        plank = tone * tint
        pores = gaussian_filter((rng.random((tall, width)) > 0.9975).astype(float), (0.5, 7))
        plank *= np.exp(-3.0 * pores)[..., None]
        edge = np.minimum(y, tall - 1 - y)
        plank *= (1 - 0.86 * np.exp(-((edge / 1.6) ** 2)) - 0.12 * np.exp(-edge / 7))[..., None]
        for joint in rng.uniform(0.05, 0.95, size=1) * width:  # butt joint
            plank *= (1 - 0.75 * np.exp(-(((x - joint) / 1.6) ** 2)))[..., None]
        out[row * tall : (row + 1) * tall] = plank
    stains = noise(rng, (height, width), (height / 22, height / 22)) + noise(rng, (height, width), (6, 9)) * 0.5
    out *= np.exp(-0.10 * wear * np.clip(stains - 0.9, 0, 2))[..., None]
    return np.clip(out, 0.005, 0.9).astype(np.float32)


def painted_boards(seed: int, height: int, width: int, boards: int) -> Array:
    """Upright boards with old green-grey paint, worn through to the wood here and there."""
    wood = planks(seed, width, height, boards, [(0.27, 0.20, 0.14), (0.24, 0.175, 0.12)]).transpose(1, 0, 2)
    rng = np.random.default_rng(seed + 1)
    paint = np.array([0.165, 0.188, 0.172])
    shade = np.exp(0.10 * noise(rng, (height, width), (40, 3)) + 0.08 * noise(rng, (height, width), (60, 60)))
    worn = noise(rng, (height, width), (18, 4)) + 0.8 * noise(rng, (height, width), (4, 2))
    cover = np.clip((2.5 - worn) * 2.5, 0, 1)[..., None]
    tall = wood.mean(-1, keepdims=True)
    groove = np.clip(tall / gaussian_filter(tall, (30, 30, 0)), 0.15, 1.1)
    out = cover * paint * shade[..., None] * groove**0.8 + (1 - cover) * wood
    return np.clip(out, 0.004, 0.9).astype(np.float32)


def rope_lay(turns: int, seed: int) -> Array:
    """The slanting strands of laid rope, for a tube's (around, along) coordinates."""
    rng = np.random.default_rng(seed)
    v, u = np.mgrid[0:2048, 0:64]
    strand = 0.5 + 0.5 * np.sin(2 * np.pi * (3 * u / 64 + turns * v / 2048))
    level = 0.30 + 0.70 * strand**0.6
    level = level * np.exp(0.12 * noise(rng, level.shape, (3, 1)))
    return (level[..., None] * np.array([0.46, 0.35, 0.21])).astype(np.float32)


def room(level: float, tint: tuple[float, float, float], seed: int) -> Array:
    """The rest of the workshop as a lat-long radiance picture (128 × 256): dim, a far door, ceiling beams.

    Row 0 is up; the middle column looks along +y as `scene.py` turns it. Levels are relative to `level`.
    """
    rng = np.random.default_rng(seed)
    h, w = 128, 256
    lat = np.linspace(90, -90, h)[:, None] + np.zeros((h, w))
    lon = np.linspace(-180, 180, w)[None, :] + np.zeros((h, w))
    ceiling, wall, floor = np.array([0.62, 0.60, 0.56]), np.array([0.40, 0.39, 0.37]), np.array([0.22, 0.18, 0.14])
    up = np.clip((lat - 18) / 25, 0, 1)[..., None]
    down = np.clip((-lat - 5) / 12, 0, 1)[..., None]
    out = wall + (ceiling - wall) * up + (floor - wall) * down
    beams = (np.sin(np.radians(lon) * 9) > 0.86) & (lat > 24) & (lat < 70)
    out[beams] *= 0.35
    for centre, wide, low, high, gain in ((118.0, 15.0, -22.0, 24.0, 9.0), (-150.0, 9.0, 4.0, 22.0, 5.0)):
        inside = (np.abs(lon - centre) < wide) & (lat > low) & (lat < high)
        post = np.abs(lon - centre) < 1.5
        out[inside & ~post] = np.array([0.9, 1.0, 1.12]) * gain * 0.4
    for _ in range(26):  # dark stacked things along the walls
        a, b = rng.uniform(-180, 180), rng.uniform(-30, 2)
        inside = (np.abs(lon - a) < rng.uniform(2, 9)) & (np.abs(lat - b) < rng.uniform(3, 12))
        out[inside] *= rng.uniform(0.35, 0.8)
    out = gaussian_filter(out, (1.2, 1.2, 0), mode=("nearest", "wrap", "nearest"))
    return (out * level * np.array(tint)).astype(np.float32)


def window_light(tint: tuple[float, float, float]) -> Array:
    """Daylight in the window: brighter sky above, dark bars in a cross and a dark frame."""
    h, w = 192, 160
    y, x = np.mgrid[0:h, 0:w].astype(float)
    sky = 1.12 - 0.30 * y / h
    bars = (np.abs(x - w / 2) < 4) | (np.abs(y - h / 2) < 4) | (x < 4) | (x > w - 5) | (y < 4) | (y > h - 5)
    level = np.where(bars, 0.03, sky)
    return (level[..., None] * np.array(tint)).astype(np.float32)


def lamp_glow() -> Array:
    """Brightness over the height of the lit glass: brightest about the flame (v = 0 at the foot)."""
    v = np.linspace(1, 0, 128)[:, None] + np.zeros((128, 4))
    glow = 0.30 + 0.70 * np.exp(-(((v - 0.42) / 0.24) ** 2))
    return glow[..., None] * np.array([1.0, 0.56, 0.24]).astype(np.float32)


def resample(picture: Array, size: tuple[int, int]) -> Array:
    """Linear resize, for previews."""
    y = (np.arange(size[0]) + 0.5) * picture.shape[0] / size[0] - 0.5
    x = (np.arange(size[1]) + 0.5) * picture.shape[1] / size[1] - 0.5
    grid = np.meshgrid(y, x, indexing="ij")
    return np.stack([map_coordinates(picture[..., c], grid, order=1, mode="nearest") for c in range(3)], -1)
