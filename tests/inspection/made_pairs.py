"""CG that sits in a plate, of many sorts, made from a seed; and faults planted into it.

A pair is clean where the CG has the black, grain and sharpness of the plate, and is premultiplied. Sorts:

=============  =====================================================================================
usual          as `made_pictures.made_pair`: any element over any plate, some with glow, glass, motion blur
out of focus   the backdrop is out of focus, and the CG is not; the grain is sharp
night          little light and much grain
shadow         the backdrop was multiplied by a ratio from 0.3 to 1.8
bright         neither has a dark part
deep           both have parts without light
plain          large areas of even light, parts without light, edges of one softness: all can be measured
photograph     a photograph of scikit-image; the element is another part of it, cut out softly
=============  =====================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from inspection.made_pictures import (
    _SAMPLES,
    Grain,
    _clouds,
    _down,
    _shape,
    coloured,
    grained,
    made_cg,
    made_grain,
    made_plate,
)
from scipy import ndimage

from stackcomp import Image

__all__ = ["CLEAN", "Pair", "laid_over", "linear_photograph", "made", "veil_of", "with_element"]

SIZE = (256, 144)
CLEAN = ("usual", "out of focus", "night", "shadow", "bright", "deep", "photograph", "plain")
PHOTOGRAPHS = ("astronaut", "coffee", "chelsea", "rocket")


@dataclass(frozen=True)
class Pair:
    """CG, plate and what was made to make them."""

    source: Image
    backdrop: Image
    comp: Image
    sort: str = ""

    @property
    def pictures(self):
        return self.source, self.backdrop, self.comp


def laid_over(source: Image, backdrop: Image, sort: str = "") -> Pair:
    """The comp by Porter & Duff's over."""
    front, behind = source.to_array(), backdrop.to_array()[..., :3]
    comp = front[..., :3] + behind * (1 - front[..., 3:])
    return Pair(source, backdrop, coloured(comp.astype(np.float32)), sort)


def with_element(pair: Pair, pixels) -> Pair:
    """The pair with another element."""
    source = replace(pair.source, planes=coloured(np.asarray(pixels, np.float32)).planes)
    return laid_over(source, pair.backdrop, pair.sort)


@cache
def linear_photograph(name: str):
    """A photograph of scikit-image as light (sRGB decoded, IEC 61966-2-1)."""
    from skimage import data

    codes = getattr(data, name)()[..., :3] / 255.0
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


def made(
    seed: int,
    size: tuple[int, int] = SIZE,
    *,
    sort: str | None = None,
    grain: float = 1.0,
    blur: float = 0.0,
    plate_blur: float = 0.0,
    black: float | None = None,
    plain: bool = False,
    scenes: int | None = None,
) -> Pair:
    """A pair; clean as long as no number is changed.

    Args:
        seed: decides everything.
        size: width and height.
        sort: see the module; the seed's when None.
        grain: of the CG, times that of the plate.
        blur: that the CG has beyond that of the plate, standard deviation in pixels.
        plate_blur: likewise of the plate beyond that of the CG.
        black: of the CG; that of the plate when None.
        plain: an element that has all that can be measured: large, opaque, with edges of one softness, without
            motion blur, glow and light along its rim.
        scenes: how many elements and places there are, which take most of the time; one each when None. With a
            few, pairs still differ in what lies over what, mirroring, softness, grain, black and level.
    """
    sort = CLEAN[seed % len(CLEAN)] if sort is None else sort
    rng = np.random.default_rng([seed, 21])
    place, thing = (seed, seed) if scenes is None else (1000 + seed % scenes, 2000 + seed * 7 % scenes)
    if sort == "photograph":
        return _photographed(seed, thing, size, rng, grain, blur, plate_blur, black, plain)
    camera = _plain_grain(rng) if sort == "plain" else made_grain(seed)
    soft, veil = float(rng.uniform(0.45, 1.1)), veil_of(seed, sort)
    if sort == "night":
        camera = Grain(camera.shot * 2, max(camera.read, 1e-3), camera.blur, camera.chroma)
    behind = 5.0 + 3 * rng.random() if sort == "out of focus" else soft
    whole = _plain_place(place, size) if sort == "plain" else _place(place, size)
    light = np.maximum(_softened(_mirrored(whole, seed), behind), 0)
    plain = plain or sort in ("deep", "plain")
    element = _mirrored(_plain(thing, size) if plain else _thing(thing, size), seed // 2)
    element = _softened(element, soft)
    element[..., 3] = np.clip(element[..., 3], 0, 1)
    cover = element[..., 3:]
    if sort == "night":
        light, element = light * 0.06, element * np.array([0.06, 0.06, 0.06, 1], np.float32)
    if sort == "bright":
        element[..., :3] += 0.15 * cover
        light = light + 0.15
    if sort in ("deep", "plain"):
        dark = _deep(size, rng, soft, element[..., 3])
        light = light * dark[0][..., None]
        element[..., :3] *= dark[1][..., None]
    if blur > 0:
        element = _softened(element, blur)
        cover = element[..., 3:]
    if plate_blur > 0:
        light = _softened(light, plate_blur)
    element[..., :3] += (veil if black is None else black) * cover
    noise = np.random.default_rng([seed, 22])
    plate = grained((light + veil).astype(np.float32), camera, noise)
    if sort == "shadow":
        plate = plate * _ratio(size, rng)[..., None]
    clean = element[..., :3].astype(np.float32)
    element[..., :3] = clean + grain * (grained(clean, camera, noise, cover[..., 0]) - clean)
    return laid_over(coloured(element), coloured(plate), sort)


def veil_of(seed: int, sort: str = "") -> float:
    """The black of a made plate, other than a photograph."""
    low, high = (-2.9, -2.25) if sort == "plain" else (-3.2, -2)
    return float(10 ** np.random.default_rng([seed, 24]).uniform(low, high))


def _plain_grain(rng):
    """Grain that can be seen."""
    return Grain(
        shot=float(10 ** rng.uniform(-4.2, -3.3)),
        read=float(10 ** rng.uniform(-3.4, -3.0)),
        blur=float(rng.uniform(0.0, 0.5)),
        chroma=float(rng.uniform(0.3, 1.0)),
    )


def _softened(pixels, soft):
    return ndimage.gaussian_filter(pixels, (soft, soft, 0)) if soft > 0 else pixels.copy()


def _mirrored(pixels, number):
    return pixels[:: -1 if number & 1 else 1, :: -1 if number & 2 else 1]


@lru_cache(maxsize=64)
def _place(seed, size):
    """Light of a place, before lens and camera."""
    return made_plate(seed, size, grain=Grain(0, 1e-9, 0), sharpness=0, black=0.0).to_array()


@lru_cache(maxsize=64)
def _plain_place(seed, size):
    """A wall with large things of even light before it, brighter and darker."""
    rng = np.random.default_rng([seed, 25])
    width, height = size
    y, x = np.mgrid[0:height, 0:width]
    light = 10 ** rng.uniform(-0.9, -0.3) * (1 + rng.uniform(-0.4, 0.4) * (x / width - 0.5))[..., None]
    light = light * rng.uniform(0.8, 1.2, 3)
    for k in range(6):
        inside = _shape("polygon", (height * _SAMPLES, width * _SAMPLES), rng)
        inside = np.roll(_down(inside[..., None].astype(np.float32)), (k * height // 3, k * width // 4), (0, 1))
        there = (
            10 ** rng.uniform(-1.1, 0.2)
            * rng.uniform(0.7, 1.2, 3)
            * (1 + rng.uniform(-0.3, 0.3) * (y / height - 0.5))[..., None]
        )
        light = light * (1 - inside) + there * inside
    return np.asarray(light, np.float32)


@lru_cache(maxsize=64)
def _thing(seed, size):
    return made_cg(seed, size, sharpness=0).to_array()


@lru_cache(maxsize=64)
def _plain(seed, size):
    """A large element with plain edges, premultiplied."""
    rng = np.random.default_rng([seed, 23])
    width, height = size
    fine = (height * _SAMPLES, width * _SAMPLES)
    inside = _shape(str(rng.choice(["blob", "polygon"])), fine, rng)
    # A second one beside it, so that it has edges of all directions.
    inside |= np.roll(_shape("polygon", fine, rng), int(rng.integers(-fine[1] // 4, fine[1] // 4)), axis=1)
    level, tint = 10 ** rng.uniform(-0.8, 0.0), rng.uniform(0.7, 1.2, 3)
    colour = level * np.exp(rng.uniform(0, 0.3) * _clouds(fine, rng, 6, 40))[..., None] * tint
    cover = inside[..., None].astype(np.float32)
    return _down(np.concatenate([colour * cover, cover], axis=-1))


def _deep(size, rng, soft, cover):
    """Factors with parts that get no light: of the plate and of the CG."""
    width, height = size
    y, x = np.mgrid[0:height, 0:width]
    factors = []
    for _ in range(2):
        dark = np.zeros((height, width), bool)
        for k in range(3):  # One in each third of the frame: a plate has black in several places.
            cx, cy = (k + rng.uniform(0.3, 0.7)) * width / 3, rng.uniform(0.15, 0.85) * height
            dark |= np.hypot((x - cx) / rng.uniform(0.8, 1.2), y - cy) < rng.uniform(0.1, 0.18) * height
        factors.append(ndimage.gaussian_filter(np.where(dark, 0.0, 1.0), soft))
    # About a half of the element is dark.
    share = np.cumsum(cover.sum(axis=0)) / max(float(cover.sum()), 1e-9)
    half = np.where(x > np.searchsorted(share, rng.uniform(0.4, 0.6)), 0.0, 1.0)
    factors[1] = ndimage.gaussian_filter(np.minimum(factors[1], half), 6)
    return factors


def _ratio(size, rng):
    clouds = _clouds((size[1], size[0]), rng, 6, 40)
    return np.clip(1.05 + 0.75 * clouds, 0.3, 1.8).astype(np.float32)


def _photographed(seed, thing, size, rng, grain, blur, plate_blur, black, plain):
    width, height = size
    large = [name for name in PHOTOGRAPHS if np.all(np.array(linear_photograph(name).shape[:2]) >= size[::-1])]
    whole = linear_photograph(large[int(rng.integers(len(large)))])
    camera, veil = made_grain(seed), 0.002
    # Far softer than the photograph itself, so that both are equally soft.
    soft = float(rng.uniform(1.0, 1.4))

    def part():
        y, x = int(rng.integers(whole.shape[0] - height + 1)), int(rng.integers(whole.shape[1] - width + 1))
        return ndimage.gaussian_filter(whole[y : y + height, x : x + width], (soft, soft, 0))

    light, other = part(), part()[:, ::-1].copy()
    shape = _plain(thing, size) if plain else _thing(thing, size)
    cover = np.clip(_softened(_mirrored(shape, seed)[..., 3:], float(np.hypot(soft, 0.4))), 0, 1)[..., 0]
    element = np.concatenate([other * cover[..., None], cover[..., None]], axis=-1)
    if blur > 0:
        element = _softened(element, blur)
    if plate_blur > 0:
        light = _softened(light, plate_blur)
    cover = element[..., 3]
    noise = np.random.default_rng([seed, 22])
    plate = grained((light + np.float32(veil)).astype(np.float32), camera, noise)
    element[..., :3] += (veil if black is None else black) * cover[..., None]
    clean = element[..., :3].astype(np.float32)
    element[..., :3] = clean + grain * (grained(clean, camera, noise, cover) - clean)
    return laid_over(coloured(element), coloured(plate), "photograph")
