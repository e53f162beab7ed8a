"""Clean pictures of many sorts, made from a seed: CG with soft edges, plates with grain, pairs and sequences.

Everything is scene-linear ACEScg, float32. "Clean" means that an experienced eye would let it pass: edges are
averages of premultiplied samples, values are finite, alpha lies within 0 to 1, CG has the plate's black level,
grain and sharpness. Light without coverage (a glow) is clean.

Use it as ``from inspection.made_pictures import made_cg, made_plate, made_pair``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from stackcomp import Colour, Encoding, Image

__all__ = ["LINEAR", "Grain", "coloured", "grained", "made_cg", "made_pair", "made_plate"]

Array = npt.NDArray[np.float32]
LINEAR = Encoding("ACEScg", "scene-linear")
#: Samples of a pixel each way.
_SAMPLES = 3


@dataclass(frozen=True)
class Grain:
    """Noise of a camera: variance = shot x level + read squared; a blur makes it coarser than a pixel."""

    shot: float
    read: float
    blur: float
    #: Of chroma against luma.
    chroma: float = 0.6


def coloured(array: npt.ArrayLike, *, alpha: str = "premultiplied", encoding: Encoding = LINEAR) -> Image:
    """Pixels ``(height, width, 3 or 4)`` as colour."""
    pixels = np.asarray(array, np.float32)
    state = alpha if pixels.shape[2] == 4 else "none"
    return Image.from_array(pixels, type=Colour(state, encoding))  # type: ignore[arg-type]


def made_grain(seed: int) -> Grain:
    """Grain between that of a clean digital camera and that of a dark, pushed one."""
    rng = np.random.default_rng([seed, 11])
    return Grain(
        shot=float(10 ** rng.uniform(-5.0, -3.3)),
        read=float(10 ** rng.uniform(-3.7, -2.7)),
        blur=float(rng.uniform(0.0, 0.8)),
        chroma=float(rng.uniform(0.2, 1.0)),
    )


def grained(light: Array, grain: Grain, rng: np.random.Generator, cover: Array | None = None) -> Array:
    """Light with grain; with ``cover``, only as much as there is coverage."""
    shape = light.shape[:2]
    grey, colours = rng.standard_normal(shape), rng.standard_normal((*shape, 3))
    noise = np.stack([grey * (1 - grain.chroma) + colours[..., k] * grain.chroma for k in range(3)], axis=-1)
    if grain.blur > 0:
        noise = ndimage.gaussian_filter(noise, (grain.blur, grain.blur, 0))
    noise /= noise.std()
    deviation = np.sqrt(grain.shot * np.maximum(light, 0) + grain.read**2)
    weight = 1 if cover is None else cover[..., None]
    return (light + noise * deviation * weight).astype(np.float32)


def _clouds(shape: tuple[int, int], rng: np.random.Generator, finest: float, coarsest: float) -> Array:
    """A texture between -1 and 1 with detail from ``finest`` to ``coarsest`` pixels."""
    total = np.zeros(shape)
    size = coarsest
    while size >= finest:
        total += ndimage.gaussian_filter(rng.standard_normal(shape), size, mode="wrap") * size * size**0.2
        size /= 2
    return np.asarray(total / max(float(np.abs(total).max()), 1e-9), np.float32)


def _shape(kind: str, shape: tuple[int, int], rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Where an element is, sampled on a fine grid."""
    height, width = shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    cx, cy = rng.uniform(0.35, 0.65) * width, rng.uniform(0.35, 0.65) * height
    radius = rng.uniform(0.16, 0.34) * min(width, height)
    angle = np.arctan2(y - cy, x - cx)
    distance = np.hypot(x - cx, y - cy)
    if kind == "blob":
        waves = sum(rng.uniform(0, 0.16) * np.sin(k * angle + rng.uniform(0, 6.3)) for k in (2, 3, 5, 9))
        return np.asarray(distance < radius * (1 + waves))
    if kind == "polygon":
        corners = int(rng.integers(3, 7))
        turn = rng.uniform(0, 6.3)
        step = 2 * math.pi / corners
        within = (angle - turn) % step - step / 2
        return np.asarray(distance * np.cos(within) < radius * math.cos(step / 2))
    if kind == "ropes":
        count = int(rng.integers(2, 6))
        inside = np.zeros(shape, bool)
        for _ in range(count):
            slope, start = rng.uniform(-1, 1), rng.uniform(0.1, 0.9) * height
            thick = rng.uniform(0.8, 5) * _SAMPLES / 2
            sag = rng.uniform(-0.2, 0.2) * height * (2 * x / width - 1) ** 2
            inside |= np.abs(y - start - slope * (x - width / 2) * 0.6 - sag) < thick
        return inside
    # A frame with a hole: two edges near each other.
    return np.asarray(np.abs(distance - radius) < rng.uniform(0.05, 0.25) * radius)


def _down(samples: Array) -> Array:
    """Averages over the samples of each pixel."""
    height, width, channels = samples.shape
    small = samples.reshape(height // _SAMPLES, _SAMPLES, width // _SAMPLES, _SAMPLES, channels)
    return np.asarray(small.mean(axis=(1, 3)), np.float32)


def _moved(samples: Array, dx: float, dy: float, steps: int) -> Array:
    """Averages along a path: motion blur of half a frame and so on."""
    total = np.zeros_like(samples)
    for k in range(steps):
        t = (k + 0.5) / steps - 0.5
        total += np.roll(samples, (round(dy * t), round(dx * t)), (0, 1))
    return total / steps


def made_cg(
    seed: int,
    size: tuple[int, int] = (192, 144),
    *,
    frame: int = 0,
    light: float | None = None,
    black: float = 0.0,
    glow: bool | None = None,
    sharpness: float | None = None,
) -> Image:
    """One element: premultiplied R G B A.

    Args:
        seed: decides everything.
        size: width and height.
        frame: the element moves a little from frame to frame.
        light: brightness of its texture; the seed's when None (0.02 to 3).
        black: level that is added wherever it covers.
        glow: whether light without coverage lies around it; the seed's when None (one in five).
        sharpness: blur in pixels that a lens would give; the seed's when None.
    """
    rng = np.random.default_rng([seed, 1])
    width, height = size
    fine = (height * _SAMPLES, width * _SAMPLES)
    kind = str(rng.choice(["blob", "polygon", "ropes", "ring"]))
    inside = _shape(kind, fine, rng)
    level = float(10 ** rng.uniform(-1.7, 0.5)) if light is None else light
    tint = rng.uniform(0.5, 1.3, 3)
    texture = np.exp(rng.uniform(0, 1.2) * _clouds(fine, rng, 1.5, rng.uniform(6, 40)))
    y, x = np.mgrid[0 : fine[0], 0 : fine[1]]
    slope = 1 + rng.uniform(-0.7, 0.7) * (x / fine[1] - 0.5) + rng.uniform(-0.7, 0.7) * (y / fine[0] - 0.5)
    colour = (level * texture * slope)[..., None] * tint
    if rng.random() < 0.3:  # A rim of light along the edge, as against a window.
        depth = ndimage.distance_transform_edt(inside)
        colour = colour + (level * rng.uniform(0.5, 4) * np.exp(-depth / (2.5 * _SAMPLES)))[..., None]
    if rng.random() < 0.25:  # A dark side.
        colour = colour * np.clip((x / fine[1] - 0.3) * 3, 0.01, 1)[..., None]
    thin = float(rng.uniform(0.15, 0.8)) if rng.random() < 0.15 else 1.0  # Glass.
    cover = inside[..., None].astype(np.float32) * np.float32(thin)
    samples = np.concatenate([(colour + black) * cover, cover], axis=-1).astype(np.float32)
    if rng.random() < 0.35:
        dx, dy = rng.uniform(-12, 12, 2) * _SAMPLES
        samples = _moved(samples, dx, dy, 24)
    drift = rng.uniform(-2, 2, 2) * _SAMPLES
    samples = np.roll(samples, (round(drift[1] * frame), round(drift[0] * frame)), (0, 1))
    pixels = _down(samples)
    soft = float(rng.choice([0.35, 0.6, 1.2, 3.0], p=[0.4, 0.3, 0.2, 0.1])) if sharpness is None else sharpness
    if soft > 0:
        pixels = ndimage.gaussian_filter(pixels, (soft, soft, 0))
    pixels[..., 3] = np.clip(pixels[..., 3], 0, 1)
    pixels[pixels[..., 3] < 1e-6] = 0
    if glow if glow is not None else rng.random() < 0.2:
        spread = rng.uniform(4, 20)
        shine = ndimage.gaussian_filter(pixels[..., :3].sum(axis=-1), spread)
        warm = np.array([1.0, 0.75, 0.45]) * rng.uniform(0.1, 0.6)
        pixels[..., :3] += (shine[..., None] * warm).astype(np.float32)
    return coloured(pixels)


def made_plate(
    seed: int,
    size: tuple[int, int] = (192, 144),
    *,
    frame: int = 0,
    grain: Grain | None = None,
    sharpness: float | None = None,
    black: float | None = None,
) -> Image:
    """A photographed place: R G B without alpha.

    Args:
        seed: decides everything; with it, each frame has its own grain.
        size: width and height.
        frame: see ``seed``.
        grain: the seed's when None.
        sharpness: blur of the lens in pixels; the seed's when None.
        black: level of its blacks, by flare; the seed's when None.
    """
    rng = np.random.default_rng([seed, 2])
    width, height = size
    shape = (height, width)
    light = np.full((*shape, 3), 10 ** rng.uniform(-1.6, 0.3)) * rng.uniform(0.7, 1.2, 3)
    y, x = np.mgrid[0:height, 0:width]
    light = (
        light
        * (1 + rng.uniform(-0.5, 0.5) * (x / width - 0.5) + rng.uniform(-0.9, 0.9) * (y / height - 0.5))[..., None]
    )
    for _ in range(int(rng.integers(4, 12))):
        fine = (height * _SAMPLES, width * _SAMPLES)
        inside = _down(_shape(str(rng.choice(["blob", "polygon", "ropes", "ring"])), fine, rng)[..., None] * 1.0)
        inside = np.roll(inside, (int(rng.integers(-height, height)), int(rng.integers(-width, width))), (0, 1))
        there = 10 ** rng.uniform(-2.3, 0.4) * rng.uniform(0.5, 1.3, 3)
        light = light * (1 - inside) + there * inside
    strength = rng.uniform(0.05, 0.6)
    light = light * np.exp(strength * _clouds(shape, rng, 1.0, rng.uniform(8, 30)))[..., None]
    soft = float(rng.uniform(0.4, 1.2)) if sharpness is None else sharpness
    light = ndimage.gaussian_filter(light, (soft, soft, 0)) if soft > 0 else light
    light = light + (float(10 ** rng.uniform(-3.5, -2)) if black is None else black)
    own = np.random.default_rng([seed, 3, frame])
    return coloured(grained(light.astype(np.float32), made_grain(seed) if grain is None else grain, own))


def made_pair(
    seed: int, size: tuple[int, int] = (192, 144), *, frame: int = 0, glow: bool | None = None
) -> tuple[Image, Image, Image]:
    """CG that sits in a plate: source (premultiplied), backdrop and their comp.

    Black level, grain and sharpness of the CG are those of the plate.
    """
    rng = np.random.default_rng([seed, 4])
    grain, soft, black = made_grain(seed), float(rng.uniform(0.5, 1.1)), float(10 ** rng.uniform(-3.2, -2))
    backdrop = made_plate(seed, size, frame=frame, grain=grain, sharpness=soft, black=black)
    bare = made_cg(seed, size, frame=frame, black=black, glow=glow, sharpness=soft)
    pixels = bare.to_array()
    cover = pixels[..., 3]
    own = np.random.default_rng([seed, 5, frame])
    pixels[..., :3] = grained(pixels[..., :3], grain, own, cover)
    source = replace(bare, planes=coloured(pixels).planes)
    behind = backdrop.to_array()
    comp = pixels[..., :3] + behind * (1 - cover[..., None])
    return source, backdrop, coloured(comp)
