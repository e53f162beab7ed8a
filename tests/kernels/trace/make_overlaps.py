"""Trace scenes of overlapping things through a pinhole and through lenses with apertures of several shapes.

Needs mitsuba (extra ``demo``) and OpenEXR; run it by hand; it writes files beside itself:

    python tests/kernels/trace/make_overlaps.py

**Method.** The renderer only finds where a ray meets the scene. Rays and shading are written here, independent
of stackcomp. A ray leaves a point ``(u, v)`` of the aperture and passes through the point of the focused plane
that the pinhole at the aperture's middle sees in the same place, so the lens is an average of pinholes with
shifted pictures, and an aperture of any shape is exact. Light is a sun with shadows, a sky that is brighter from
above, and for brass a highlight; no part of it is random, so all noise is that of pixel and lens positions,
which are a lattice in four dimensions with a random shift for each pixel. Small lamps are discs that face
the camera. Their light is traced backwards: from points of a lamp to points of the aperture, if nothing stands
between them.

**Axes.** x runs right and y down in the picture, z away from the camera. Behind the focus a point becomes a
picture of the aperture as seen from behind the camera; in front of the focus it is turned by 180 degrees.

**Files.** ``R G B`` is the pinhole's picture (with ``A`` where nothing is behind the things), ``Z`` the distance
along the optical axis of the surface at each pixel's centre, ``lens1`` and ``lens2`` are the view through the
lens with different random numbers. Files with a ``pinhole`` attribute have the lens alone, and that file has the
rest. A file with a ``layers`` attribute has each of the things that it names alone, from the nearest, as
``near.R``. Text attributes: ``fieldOfView`` (degrees, across the width), ``apertureRadius`` and ``focusDistance``
in the unit of Z, and for an aperture that is not a circle:

- ``apertureBlades``: a regular polygon with its corners on the circle of that radius; ``apertureCorner`` is the
  direction of one corner in degrees from the right towards the top of the picture, as seen from behind the
  camera
- ``apertureAspect``: an ellipse with half axes radius · aspect across, and radius, down
- ``apertureRim``: the light per area through the aperture is ``1 + rim · (2 (r / radius)² − 1)``; its mean is 1
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
import OpenEXR
from overlap_scenes import (
    Array,
    View,
    balls_three,
    balls_two,
    cord_in_front,
    lights,
    long_lens_cord,
    long_lens_three,
    long_lens_two,
    overlap,
    plain,
    silhouettes,
)

HERE = Path(__file__).parent
SUN = np.array([-0.45, -0.75, -0.5]) / np.linalg.norm([-0.45, -0.75, -0.5])  # towards it
BATCH = 64
# Steps of the lattice: powers of the root of x^5 = x + 1.
LATTICE = [1.1673039782614187**-k for k in (1, 2, 3, 4)]


@dataclass(frozen=True)
class Lens:
    """An aperture and its focus. Blades 0 is a circle; `corner` is in degrees, anticlockwise from the right."""

    radius: float
    focus: float
    blades: int = 0
    corner: float = 0.0
    aspect: float = 1.0
    rim: float = 0.0

    def points(self, s: Any, t: Any, floats: Any) -> tuple[Any, Any, Any]:
        """Points across and down, and their weights, for two numbers from 0 to 1; of numpy or of the renderer."""
        if self.blades:
            side = floats.floor(s * self.blades)
            inner = floats.sqrt(s * self.blades - side)
            one = math.radians(self.corner) + side * (2 * math.pi / self.blades)
            two = one + 2 * math.pi / self.blades
            u = inner * (floats.cos(one) * (1 - t) + floats.cos(two) * t)
            v = inner * (floats.sin(one) * (1 - t) + floats.sin(two) * t)
        else:
            u = floats.sqrt(s) * floats.cos(t * (2 * math.pi))
            v = floats.sqrt(s) * floats.sin(t * (2 * math.pi))
        weight = 1 + self.rim * (2 * (u * u + v * v) - 1)
        return u * (self.radius * self.aspect), v * -self.radius, weight

    def header(self) -> dict[str, str]:
        shape = {}
        if self.blades:
            shape = {"apertureBlades": f"{self.blades}", "apertureCorner": f"{self.corner}"}
        if self.aspect != 1:
            shape["apertureAspect"] = f"{self.aspect}"
        if self.rim:
            shape["apertureRim"] = f"{self.rim}"
        return {"apertureRadius": f"{self.radius}", "focusDistance": f"{self.focus}"} | shape


PINHOLE = Lens(0.0, 1.0)


def load(view: View, surroundings: bool) -> Any:
    lamps = {
        f"lamp{k}": {
            "type": "disk",
            "to_world": mi.ScalarTransform4f()
            .translate(list(lamp.place))
            .rotate([1, 0, 0], 180)
            .scale(lamp.radius),
            "bsdf": plain(0, 0, 0),
        }
        for k, lamp in enumerate(view.lamps)
    }
    parts = view.things | (view.surroundings if surroundings else {}) | lamps
    return mi.load_dict({"type": "scene", **parts}, parallel=False, optimize=False)


class Alone:
    """One thing of a view, lit and shaded as in the whole of it: what it looks like where others hide it."""

    def __init__(self, view: View, name: str) -> None:
        part = (view.things | view.surroundings)[name]
        self._part = mi.load_dict({"type": "scene", name: part}, parallel=False, optimize=False)
        self._whole = load(view, True)

    def ray_intersect(self, ray: Any) -> Any:
        return self._part.ray_intersect(ray)

    def ray_test(self, ray: Any) -> Any:
        return self._whole.ray_test(ray)

    def shapes(self) -> Any:
        return self._part.shapes()


def shade(scene: Any, view: View, ray: Any) -> tuple[Any, Any]:
    """Light towards the ray's origin, and coverage."""
    hit = scene.ray_intersect(ray)
    normal = dr.select(dr.dot(hit.n, ray.d) > 0, -hit.sh_frame.n, hit.sh_frame.n)
    sun = mi.Vector3f(*map(float, SUN))
    facing = dr.maximum(dr.dot(normal, sun), 0)
    start = hit.p + normal * 1e-4 * hit.t
    facing = dr.select(hit.is_valid() & ~scene.ray_test(mi.Ray3f(start, sun)), facing, 0)
    surface = hit.bsdf().eval_diffuse_reflectance(hit)
    light = surface * (0.32 - 0.2 * normal.y + 1.5 * facing)
    middle = dr.normalize(sun - ray.d)
    for shape in scene.shapes():
        if shape.id() in view.brass:
            strength, power = view.brass[shape.id()]
            shine = strength * dr.power(dr.maximum(dr.dot(normal, middle), 0), power)
            light += dr.select((hit.shape == mi.ShapePtr(shape)) & (facing > 0), shine, 0) * mi.Color3f(
                1, 0.8, 0.5
            )
    there = hit.is_valid()
    return dr.select(there, light, 0), dr.select(there, mi.Float(1), mi.Float(0))


def trace(scene: Any, view: View, lens: Lens, seed: int, samples: int) -> Array:
    """R G B A, float64 (height, width, 4): the mean over the pixel's area and the aperture."""
    pixel = dr.arange(mi.UInt32, view.width * view.height * BATCH) // BATCH
    lane = dr.arange(mi.UInt32, view.width * view.height * BATCH) % BATCH
    shifts = np.random.default_rng(seed).integers(0, 2**32, (4, view.width * view.height), dtype=np.uint32)
    shift = [dr.gather(mi.UInt32, mi.UInt32(row), pixel) for row in shifts]
    total = np.zeros((view.width * view.height, 4))
    half_down = view.half * view.height / view.width
    for first in range(0, samples, BATCH):
        index = lane + dr.opaque(mi.UInt32, first)
        # Whole numbers that wrap round, so that the places of late samples are as exact as those of early ones.
        numbers = [
            mi.Float((index * mi.UInt32(round(step * 2**32)) + start) >> 8) * 2.0**-24
            for step, start in zip(LATTICE, shift, strict=True)
        ]
        across = ((mi.Float(pixel % view.width) + numbers[0]) * (2 / view.width) - 1) * view.half
        down = ((mi.Float(pixel // view.width) + numbers[1]) * (2 / view.height) - 1) * half_down
        u, v, weight = lens.points(numbers[2], numbers[3], dr)
        start = mi.Point3f(u, v, 0)
        towards = mi.Point3f(across, down, 1) * lens.focus - start
        light, alpha = shade(scene, view, mi.Ray3f(start, dr.normalize(towards)))
        planes = [dr.block_reduce(dr.ReduceOp.Add, mi.Float(p) * weight, BATCH) for p in (*light, alpha)]
        dr.eval(planes)
        total += np.stack([np.array(p, np.float64) for p in planes], -1)
    return (total / samples).reshape(view.height, view.width, 4) + lamplight(scene, view, lens, seed)


def lamplight(scene: Any, view: View, lens: Lens, seed: int, samples: int = 2**20) -> Array:
    """What the lamps add, traced from them to the aperture."""
    out = np.zeros((view.height, view.width, 4))
    scale = view.width / (2 * view.half)
    for number, lamp in enumerate(view.lamps):
        random = np.random.default_rng([seed, number])
        index = np.arange(samples)[:, None]
        s, t, a, b = ((index * np.array(LATTICE) + random.random(4)) % 1).T
        u, v, weight = lens.points(s, t, np)
        x = lamp.place[0] + lamp.radius * np.sqrt(a) * np.cos(2 * np.pi * b)
        y = lamp.place[1] + lamp.radius * np.sqrt(a) * np.sin(2 * np.pi * b)
        z = lamp.place[2]
        away = np.stack([x - u, y - v, np.full(samples, z)])
        length = np.linalg.norm(away, axis=0)
        ray = mi.Ray3f(
            mi.Point3f(*(mi.Float(p.astype(np.float32)) for p in (u, v, 0 * u))),
            mi.Vector3f(*(mi.Float(p.astype(np.float32)) for p in away / length)),
            mi.Float((length * (1 - 1e-4)).astype(np.float32)),
            0.0,
            [],
        )
        seen = ~np.array(scene.ray_test(ray))
        # Where the focused plane is met, as seen by the pinhole in the aperture's middle.
        focus = lens.focus if lens.radius else z
        across = (u + (x - u) * focus / z) / focus
        down = (v + (y - v) * focus / z) / focus
        column = np.floor(across * scale + view.width / 2).astype(int)
        row = np.floor(down * scale + view.height / 2).astype(int)
        inside = seen & (column >= 0) & (column < view.width) & (row >= 0) & (row < view.height)
        area = np.pi * (lamp.radius * scale / z) ** 2  # of the lamp's picture, in pixels
        for channel in range(3):
            amount = lamp.colour[channel] * area / samples * weight[inside]
            np.add.at(out[..., channel], (row[inside], column[inside]), amount)
    return out


def axial_depth(scene: Any, view: View) -> Array:
    """Distance along the optical axis of the surface at each pixel's centre; 0 if there is none."""
    x = ((np.arange(view.width) + 0.5) / view.width * 2 - 1) * view.half
    y = ((np.arange(view.height) + 0.5) / view.height * 2 - 1) * view.half * view.height / view.width
    across, down = (plane.ravel() for plane in np.meshgrid(x, y))
    length = np.sqrt(across**2 + down**2 + 1)
    towards = [mi.Float((p / length).astype(np.float32)) for p in (across, down, np.ones_like(across))]
    hit = scene.ray_intersect(mi.Ray3f(mi.Point3f(0, 0, 0), mi.Vector3f(*towards)))
    distance = np.where(np.array(hit.is_valid()), np.array(hit.t), 0) / length
    return distance.reshape(view.height, view.width)


def coarse(values: Array, bits: int) -> Array:
    """Round to so many mantissa bits: noise below any use does not fill the files."""
    m, e = np.frexp(values)
    return np.ldexp(np.round(m * 2 ** (bits + 1)) / 2 ** (bits + 1), e)


def layer(picture: Array, names: str = "RGB", prefix: str = "", bits: int = 7) -> dict[str, Array]:
    return {f"{prefix}{c}": coarse(picture[..., k], bits).astype(np.float16) for k, c in enumerate(names)}


def save(name: str, view: View, channels: dict[str, Array], lens: Lens, samples: int, **more: str) -> None:
    header = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "comments": "Invented scene, traced by make_overlaps.py beside this file",
        "fieldOfView": f"{view.field_of_view}",
        "samples": f"{samples}",
        **lens.header(),
        **more,
    }
    stored = {key: np.ascontiguousarray(value) for key, value in channels.items()}
    OpenEXR.File(header, stored).write(str(HERE / name))
    print(name, (HERE / name).stat().st_size, flush=True)


def whole(name: str, view: View, lens: Lens, samples: int) -> None:
    """A view with its surroundings."""
    scene = load(view, True)
    channels = layer(trace(scene, view, PINHOLE, 1, 2048), bits=8)
    for k in (1, 2):
        channels |= layer(trace(scene, view, lens, 1 + k, samples), prefix=f"lens{k}.")
    save(name, view, channels | {"Z": coarse(axial_depth(scene, view), 13).astype(np.float32)}, lens, samples)


def pieces(name: str, view: View, lens: Lens, samples: int) -> None:
    """The things alone, with alpha."""
    scene = load(view, False)
    channels = layer(trace(scene, view, PINHOLE, 4, 2048), "RGBA", bits=8)
    channels |= layer(trace(scene, view, lens, 5, samples), "RGBA", "lens1.")
    save(name, view, channels | {"Z": coarse(axial_depth(scene, view), 13).astype(np.float32)}, lens, samples)


def layers(name: str, view: View, lens: Lens, samples: int) -> None:
    """Each thing of a view as the pinhole sees it without the others, from the nearest."""
    channels: dict[str, Array] = {}
    for part in [*view.things, *view.surroundings]:
        alone = Alone(view, part)
        channels |= layer(trace(alone, view, PINHOLE, 1, samples), "RGBA", f"{part}.", bits=8)
        channels[f"{part}.Z"] = coarse(axial_depth(alone, view), 13).astype(np.float32)
    save(name, view, channels, lens, samples, layers=" ".join([*view.things, *view.surroundings]))


def aperture(name: str, view: View, lens: Lens, samples: int, pinhole: str, times: int = 1) -> None:
    """The same view as in the file `pinhole`, through another aperture."""
    scene = load(view, True)
    channels: dict[str, Array] = {}
    for k in range(1, 1 + times):
        channels |= layer(trace(scene, view, lens, 10 + k, samples), prefix=f"lens{k}.")
    save(name, view, channels, lens, samples, pinhole=pinhole)


def main() -> None:
    whole("overlap.exr", overlap(), Lens(0.2, 3.0), 2048)
    balls = Lens(0.11, 2.0)
    whole("balls_two.exr", balls_two(), balls, 512)
    whole("balls_three.exr", balls_three(), balls, 512)
    layers("balls_three_layers.exr", balls_three(), balls, 512)
    long = Lens(0.025, 2.0)  # in metres: 100 mm at f/2
    whole("long_lens_two.exr", long_lens_two(), long, 512)
    whole("long_lens_three.exr", long_lens_three(), long, 512)
    whole("long_lens_cord.exr", long_lens_cord(), long, 512)
    near = Lens(0.12, 2.4)
    whole("silhouettes.exr", silhouettes(), near, 2048)
    pieces("silhouettes_pieces.exr", silhouettes(), near, 2048)
    whole("cord_in_front.exr", cord_in_front(), Lens(0.09, 3.0), 2048)
    view, open_lens = lights(), Lens(0.2, 2.6)
    whole("lights.exr", view, open_lens, 4096)
    for name, shape, times in (
        ("lights_six_blades.exr", {"blades": 6, "corner": 10.0}, 2),
        ("lights_five_blades.exr", {"blades": 5, "corner": 90.0}, 2),
        ("lights_ellipse.exr", {"aspect": 0.5}, 1),
        ("lights_bright_rim.exr", {"rim": 0.6}, 1),
    ):
        aperture(name, view, Lens(open_lens.radius, open_lens.focus, **shape), 4096, "lights.exr", times)


if __name__ == "__main__":
    main()
