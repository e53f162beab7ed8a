"""CG that sits in a plate, of many sorts, made from a seed; and faults planted into it.

A pair is clean where the CG has the black, grain and sharpness of the plate, and is premultiplied. Sorts:

=============  =====================================================================================
usual          as `made_pictures.made_pair`: any element over any plate, some with glow, glass, motion blur
out of focus   the backdrop is out of focus, and the CG is not; the grain is sharp
night          little light and much grain
shadow         the backdrop was multiplied by a ratio from 0.3 to 1.8
bright         neither has a dark part
deep           both have parts without light
photograph     a photograph of scikit-image; the element is another part of it, cut out softly
=============  =====================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from inspection.made_pictures import Grain, _clouds, coloured, grained, made_cg, made_grain, made_plate
from scipy import ndimage

from stackcomp import Image

__all__ = ["CLEAN", "Pair", "laid_over", "linear_photograph", "made", "with_element"]

SIZE = (256, 144)
CLEAN = ("usual", "out of focus", "night", "shadow", "bright", "deep", "photograph", "usual")
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
    """
    sort = CLEAN[seed % len(CLEAN)] if sort is None else sort
    rng = np.random.default_rng([seed, 21])
    if sort == "photograph":
        return _photographed(seed, size, rng, grain, blur, plate_blur, black)
    camera = made_grain(seed)
    soft, veil = float(rng.uniform(0.45, 1.1)), float(10 ** rng.uniform(-3.2, -2))
    if sort == "night":
        camera = Grain(camera.shot * 2, max(camera.read, 1e-3), camera.blur, camera.chroma)
    light = _plate_light(seed, size, sort, rng, 5.0 + 3 * rng.random() if sort == "out of focus" else soft)
    element = made_cg(seed, size, sharpness=soft).to_array()
    element[..., 3] = np.clip(element[..., 3], 0, 1)
    cover = element[..., 3:]
    if sort == "night":
        light, element = light * 0.06, element * np.array([0.06, 0.06, 0.06, 1], np.float32)
    if sort == "bright":
        element[..., :3] += 0.15 * cover
        light = light + 0.15
    if sort == "deep":
        dark = _deep(size, rng, soft)
        light = light * dark[0][..., None]
        element[..., :3] *= dark[1][..., None]
    if blur > 0:
        element = ndimage.gaussian_filter(element, (blur, blur, 0))
        cover = element[..., 3:]
    if plate_blur > 0:
        light = ndimage.gaussian_filter(light, (plate_blur, plate_blur, 0))
    element[..., :3] += (veil if black is None else black) * cover
    noise = np.random.default_rng([seed, 22])
    plate = grained((light + veil).astype(np.float32), camera, noise)
    if sort == "shadow":
        plate = plate * _ratio(size, rng)[..., None]
    clean = element[..., :3].astype(np.float32)
    element[..., :3] = clean + grain * (grained(clean, camera, noise, cover[..., 0]) - clean)
    return laid_over(coloured(element), coloured(plate), sort)


def _plate_light(seed, size, sort, rng, soft):
    """Light of a place, before the camera."""
    quiet = Grain(0, 0, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        plate = made_plate(seed, size, grain=replace(quiet, read=1e-9), sharpness=soft, black=0.0)
    return np.maximum(plate.to_array(), 0)


def _deep(size, rng, soft):
    """Factors with parts that get no light: of the plate and of the CG."""
    width, height = size
    y, x = np.mgrid[0:height, 0:width]
    factors = []
    for _ in range(2):
        dark = np.zeros((height, width), bool)
        for _ in range(3):
            cx, cy = rng.uniform(0, width), rng.uniform(0, height)
            dark |= np.hypot((x - cx) / rng.uniform(0.8, 1.6), y - cy) < rng.uniform(0.1, 0.2) * height
        factors.append(ndimage.gaussian_filter(np.where(dark, 0.0, 1.0), soft))
    # Under the element half of the frame is dark, so that it has a part of that.
    half = np.where(x > width * rng.uniform(0.46, 0.54), 0.0, 1.0)
    factors[1] = ndimage.gaussian_filter(np.minimum(factors[1], half), 6)
    return factors


def _ratio(size, rng):
    clouds = _clouds((size[1], size[0]), rng, 6, 40)
    return np.clip(1.05 + 0.75 * clouds, 0.3, 1.8).astype(np.float32)


def _photographed(seed, size, rng, grain, blur, plate_blur, black):
    width, height = size
    whole = linear_photograph(PHOTOGRAPHS[int(rng.integers(len(PHOTOGRAPHS)))])
    camera, veil = made_grain(seed), 0.002
    # Far softer than the photograph itself, so that both are equally soft.
    soft = float(rng.uniform(1.0, 1.4))

    def part():
        y, x = int(rng.integers(whole.shape[0] - height + 1)), int(rng.integers(whole.shape[1] - width + 1))
        return ndimage.gaussian_filter(whole[y : y + height, x : x + width], (soft, soft, 0))

    light, other = part(), part()[:, ::-1].copy()
    cover = made_cg(seed, size, sharpness=float(np.hypot(soft, 0.4)), glow=False)["A"]
    element = np.concatenate([other * cover[..., None], cover[..., None]], axis=-1)
    if blur > 0:
        element = ndimage.gaussian_filter(element, (blur, blur, 0))
    if plate_blur > 0:
        light = ndimage.gaussian_filter(light, (plate_blur, plate_blur, 0))
    cover = element[..., 3]
    noise = np.random.default_rng([seed, 22])
    plate = grained((light + np.float32(veil)).astype(np.float32), camera, noise)
    element[..., :3] += (veil if black is None else black) * cover[..., None]
    clean = element[..., :3].astype(np.float32)
    element[..., :3] = clean + grain * (grained(clean, camera, noise, cover) - clean)
    return laid_over(coloured(element), coloured(plate), "photograph")
