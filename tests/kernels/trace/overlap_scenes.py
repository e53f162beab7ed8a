"""Scenes of things that overlap, for `make_overlaps`: floats, balls, posts, cords. Made up."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import mitsuba as mi
import numpy as np

mi.set_variant("llvm_ad_rgb")

Array = np.ndarray
LONG = math.degrees(2 * math.atan(36 / 2 / 100))  # of 100 mm before a picture 36 mm wide


@dataclass(frozen=True)
class Lamp:
    """A small bright disc that faces the camera."""

    place: tuple[float, float, float]
    radius: float
    colour: tuple[float, float, float]


@dataclass
class View:
    """Things by name, which of them shine as brass, and the lamps; size of the picture, and field of view."""

    things: dict[str, Any]
    surroundings: dict[str, Any] = field(default_factory=dict)
    brass: dict[str, tuple[float, float]] = field(default_factory=dict)  # strength and power of the highlight
    lamps: tuple[Lamp, ...] = ()
    width: int = 192
    height: int = 144
    field_of_view: float = 40.0  # degrees across

    @property
    def half(self) -> float:
        """Half the width of the picture, at distance 1."""
        return math.tan(math.radians(self.field_of_view) / 2)


def cells(seed: int, across: int, down: int) -> Array:
    """Smooth random numbers from 0 to 1."""
    return np.random.default_rng(seed).random((down, across))


def grown(values: Array, times: tuple[int, int]) -> Array:
    return np.kron(values, np.ones(times))


def tinted(level: Array, dark: tuple[float, float, float], light: tuple[float, float, float]) -> Array:
    return np.array(dark) + (np.array(light) - np.array(dark)) * level[..., None]


def wood(seed: int, rings: float = 9.0) -> Array:
    """Turned wood: wavy rings down the picture and a few dark pores."""
    y, x = np.mgrid[0:128, 0:256] / 128
    phase = np.random.default_rng(seed).uniform(0, 6, 4)
    wave = 0.05 * np.sin(2 * np.pi * x + phase[0]) + 0.03 * np.sin(4 * np.pi * x + phase[1])
    ring = 0.5 + 0.5 * np.sin(2 * np.pi * rings * (y + wave) + phase[2])
    pores = grown(cells(seed, 64, 64) > 0.94, (2, 4))
    return tinted(ring**1.5 * (1 - 0.7 * pores), (0.16, 0.07, 0.03), (0.72, 0.46, 0.24))


def cork(seed: int) -> Array:
    """A float: cork with a painted band."""
    level = grown(cells(seed, 32, 16), (8, 8)) * 0.5 + grown(cells(seed + 1, 64, 32), (4, 4)) * 0.5
    out = tinted(level, (0.25, 0.15, 0.08), (0.66, 0.47, 0.30))
    out[48:72] = tinted(level[48:72], (0.50, 0.06, 0.04), (0.72, 0.10, 0.06))
    out[72:80] = 0.85
    return out


def lay(turns: int, strands: int = 3) -> Array:
    """The slanting strands of a cord along v; also of a ball wound of it."""
    y, x = np.mgrid[0:512, 0:64]
    level = (0.5 + 0.5 * np.sin(2 * np.pi * (strands * x / 64 + turns * y / 512))) ** 0.8
    return tinted(level, (0.10, 0.07, 0.04), (0.82, 0.70, 0.48))


def boards(seed: int, rows: int, dark: tuple[float, float, float], light: tuple[float, float, float]) -> Array:
    """Planks along the picture's x axis with grain and dark gaps."""
    tones = grown(cells(seed, 1, rows), (16, 512))
    grain = (
        grown(cells(seed + 1, 64, rows * 16), (1, 8)) * 0.6 + grown(cells(seed + 2, 8, rows * 4), (4, 64)) * 0.4
    )
    level = 0.5 * tones + 0.5 * grain
    level[::16] = -0.2
    level[1::16] *= 0.4
    return np.maximum(tinted(level, dark, light), 0.01)


def dusk_sky(seed: int) -> Array:
    """A far shore under a clear sky: smooth above, dark shapes below."""
    y = np.mgrid[0:256, 0:512][0]
    out = tinted((y / 255) ** 1.3, (0.10, 0.16, 0.30), (0.85, 0.55, 0.36))
    shore = 160 + 22 * grown(cells(seed, 32, 1), (1, 16))
    ground = tinted(grown(cells(seed + 1, 64, 32), (8, 8)), (0.02, 0.025, 0.02), (0.22, 0.20, 0.14))
    return np.where((y > shore)[..., None], ground, out)[::-1]


def matt(pixels: Array) -> dict[str, Any]:
    picture = mi.Bitmap(np.ascontiguousarray(pixels, np.float32))
    return {
        "type": "diffuse",
        "reflectance": {"type": "bitmap", "bitmap": picture, "raw": True, "filter_type": "bilinear"},
    }


def plain(r: float, g: float, b: float) -> dict[str, Any]:
    return {"type": "diffuse", "reflectance": {"type": "rgb", "value": [r, g, b]}}


def ball(x: float, y: float, z: float, radius: float, look: dict[str, Any], lean: float = 0.0) -> dict[str, Any]:
    """A ball; its texture's poles are up and down, leaning by some degrees."""
    turn = (
        mi.ScalarTransform4f()
        .translate([x, y, z])
        .rotate([0.28, 0, 0.96], lean)
        .rotate([1, 0, 0], 90)
        .scale(radius)
    )
    return {"type": "sphere", "to_world": turn, "bsdf": look}


def rod(one: list[float], two: list[float], radius: float, look: dict[str, Any]) -> dict[str, Any]:
    return {"type": "cylinder", "p0": one, "p1": two, "radius": radius, "bsdf": look}


def upright(x: float, y: float, z: float, half: tuple[float, float], look: dict[str, Any]) -> dict[str, Any]:
    """A board that faces the camera."""
    turn = mi.ScalarTransform4f().translate([x, y, z]).rotate([1, 0, 0], 180).scale([*half, 1])
    return {"type": "rectangle", "to_world": turn, "bsdf": look}


def bench(y: float, z: float, half: tuple[float, float], look: dict[str, Any]) -> dict[str, Any]:
    """A horizontal board seen from above."""
    turn = mi.ScalarTransform4f().translate([0, y, z]).rotate([1, 0, 0], 90).scale([*half, 1])
    return {"type": "rectangle", "to_world": turn, "bsdf": look}


OAK = ((0.14, 0.09, 0.05), (0.62, 0.46, 0.30))
PAINTED = ((0.05, 0.08, 0.08), (0.42, 0.52, 0.46))


def overlap() -> View:
    """Three things, each over the edge of the next: nearer than the focus, in it, and farther."""
    return View(
        {
            "float": ball(-0.20, 0.12, 1.62, 0.24, matt(cork(11)), 25),
            "ball": ball(0.05, 0.02, 3.0, 0.46, matt(wood(12)), -30),
            "wound": ball(0.85, -0.35, 5.2, 0.62, matt(lay(40, 2)), 50),
            "peg": rod([-1.0, 0.6, 4.0], [-0.62, -0.8, 4.0], 0.07, matt(wood(14, 3))),
        },
        {
            "bench": bench(0.62, 4, (5, 5), matt(boards(15, 24, *OAK))),
            "wall": upright(0, -1, 8, (5, 4), matt(boards(16, 20, *PAINTED))),
        },
    )


def silhouettes() -> View:
    """Dark and light outlines against a background so far away that it is smooth."""
    return View(
        {
            "float": ball(0.17, 0.20, 1.3, 0.16, matt(cork(21)), -35),
            "ball": ball(-0.28, 0.08, 2.4, 0.42, matt(wood(22)), 20),
            "post": rod([0.42, 1.5, 2.45], [0.36, -0.55, 2.45], 0.045, matt(wood(23, 20) * 0.25)),
            "rail": rod([-3, -0.95, 5.0], [3, -0.55, 5.0], 0.06, matt(lay(120))),
        },
        {"shore": upright(0, 0, 60, (36, 27), matt(dusk_sky(24)))},
    )


def cord_in_front() -> View:
    """A thin cord and a thin rod near the lens, before sharp planks and a ball."""
    return View(
        {
            "cord": rod([-0.10, -0.4, 0.95], [0.02, 0.4, 0.95], 0.0085, matt(lay(60))),
            "rod": rod([0.0, 0.16, 1.1], [0.5, -0.12, 1.1], 0.012, plain(0.05, 0.045, 0.04)),
            "ball": ball(0.28, 0.22, 2.9, 0.36, matt(wood(31)), 40),
            "wound": ball(-0.52, 0.35, 2.7, 0.28, matt(lay(36, 2)), 20),
        },
        {
            "bench": bench(0.62, 4, (5, 5), matt(boards(35, 30, *OAK))),
            "wall": upright(0, -0.4, 3.3, (3, 1.5), matt(boards(36, 26, *PAINTED))),
        },
    )


def lights() -> View:
    """Lamps and highlights behind the focus and one in front of it, partly behind things."""
    far = 6.5
    places = [(-1.55, -1.05), (-0.95, -0.75), (-0.3, -1.1), (0.35, -0.8), (1.0, -1.12), (1.6, -0.72), (0.72, 0.0)]
    colours = [(40, 26, 12), (22, 24, 30), (50, 30, 14), (12, 30, 20), (44, 28, 13), (30, 10, 8), (36, 30, 22)]
    lamps = tuple(
        Lamp((x, y, far), 0.03, tuple(map(float, colour))) for (x, y), colour in zip(places, colours, strict=True)
    )
    return View(
        {
            "float": ball(-0.52, 0.20, 1.5, 0.2, matt(cork(41) * 0.5), 15),
            "ball": ball(0.22, 0.10, 2.6, 0.38, matt(wood(42) * 0.6), -20),
            "post": rod([-0.22, 0.7, 2.7], [-0.22, -0.62, 2.7], 0.05, matt(wood(43, 3) * 0.6)),
            "brass": ball(-1.1, 0.28, 5.0, 0.42, plain(0.12, 0.085, 0.035)),
            "small brass": ball(1.35, 0.42, 4.6, 0.28, plain(0.12, 0.085, 0.035)),
        },
        {
            "bench": bench(0.62, 4, (5, 5), matt(boards(45, 24, *OAK) * 0.3)),
            "wall": upright(0, -1, 8, (5, 4), matt(boards(46, 20, *PAINTED) * 0.12)),
        },
        {"brass": (26.0, 900.0), "small brass": (26.0, 500.0)},
        (*lamps, Lamp((0.30, -0.23, 1.45), 0.006, (40.0, 34.0, 24.0))),
    )


def soft(values: Array, times: tuple[int, int]) -> Array:
    """Cells grown to so many pixels each, with smooth steps between their middles."""
    for axis, n in enumerate(times):
        near = np.moveaxis(values, axis, 0)
        place = (np.arange(len(near) * n) + 0.5) / n - 0.5
        first = np.floor(place).astype(int)
        part = (place - first)[:, None] ** 2 * (3 - 2 * (place - first)[:, None])
        mixed = near[first % len(near)] * (1 - part) + near[(first + 1) % len(near)] * part
        values = np.moveaxis(mixed, 0, axis)
    return values


def mottled(seed: int, dark: tuple[float, float, float], light: tuple[float, float, float], fine: float) -> Array:
    """Soft blotches of two sizes; `fine` is the share of the small ones."""
    level = (1 - fine) * soft(cells(seed, 16, 8), (32, 32)) + fine * soft(cells(seed + 1, 64, 32), (8, 8))
    return tinted(level, dark, light)


OCHRE, STRAW, SEA = (
    ((0.16, 0.08, 0.04), (0.70, 0.46, 0.25)),
    ((0.26, 0.2, 0.08), (0.76, 0.66, 0.38)),
    ((0.06, 0.11, 0.13), (0.36, 0.54, 0.54)),
)


def plastered(seed: int) -> dict[str, Any]:
    """A plain wall that fills the frame, softly textured, so far behind that shadows fall beside the frame."""
    return {"wall": upright(0, 0, 8.0, (6, 4.5), matt(mottled(seed, (0.24, 0.23, 0.21), (0.60, 0.56, 0.50), 0.5)))}


def balls_two() -> View:
    """Two balls that overlap, one nearer than the focus, one farther."""
    return View(
        {
            "near": ball(-0.09, 0.045, 0.95, 0.13, matt(mottled(51, *OCHRE, 0.5)), 25),
            "far": ball(0.36, -0.18, 4.4, 0.72, matt(mottled(53, *SEA, 0.5)), -30),
        },
        plastered(55),
    )


def balls_three() -> View:
    """Three balls, each over the edge of the next: nearer than the focus, a little nearer, farther."""
    return View(
        {
            "near": ball(-0.135, 0.075, 0.95, 0.12, matt(mottled(61, *OCHRE, 0.5)), 25),
            "middle": ball(0.03, 0.0, 1.8, 0.27, matt(mottled(63, *STRAW, 0.5)), 10),
            "far": ball(0.62, -0.3, 4.4, 0.6, matt(mottled(65, *SEA, 0.5)), -30),
        },
        plastered(67),
    )


def long_lens_two() -> View:
    """Two balls that overlap, nearer than the focus and farther, as a long lens sees them."""
    return View(
        {
            "near": ball(-0.06, 0.025, 1.1, 0.078, matt(wood(71)), 25),
            "far": ball(0.16, -0.08, 3.4, 0.3, matt(cork(73)), -30),
        },
        plastered(75),
        width=384,
        height=288,
        field_of_view=LONG,
    )


def long_lens_three() -> View:
    """Three balls, each over the edge of the next, on a bench: nearer than the focus, in it, and farther."""
    return View(
        {
            "near": ball(-0.115, 0.05, 1.1, 0.075, matt(cork(81)), 25),
            "middle": ball(-0.02, 0.0, 2.0, 0.12, matt(wood(83)), 10),
            "far": ball(0.19, -0.07, 3.2, 0.2, matt(mottled(85, *SEA, 0.5)), -30),
        },
        {
            "bench": bench(0.26, 4, (5, 5), matt(boards(86, 80, *OAK))),
            "wall": upright(0, -1, 8, (5, 4), matt(boards(87, 20, *PAINTED))),
        },
        width=384,
        height=288,
        field_of_view=LONG,
    )


def long_lens_cord() -> View:
    """A slack cord and a rod near the lens, a ball in the focus, a post behind it, and a far shore."""
    return View(
        {
            "cord": rod([-0.16, -0.2, 1.25], [0.10, 0.2, 1.2], 0.005, matt(lay(60))),
            "rod": rod([-0.2, 0.10, 1.45], [0.3, 0.02, 1.4], 0.008, plain(0.12, 0.10, 0.08)),
            "ball": ball(-0.05, 0.03, 2.0, 0.14, matt(wood(91)), 20),
            "post": rod([0.16, 1.5, 3.2], [0.12, -0.22, 3.2], 0.05, matt(wood(93, 30))),
        },
        {"shore": upright(0, 0, 60, (16, 12), matt(dusk_sky(94)))},
        width=384,
        height=288,
        field_of_view=LONG,
    )
