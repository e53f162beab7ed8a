"""Path-trace a small invented scene through a pinhole and through a thin lens.

Needs mitsuba (extra ``demo``) and OpenEXR; run it by hand; it writes files beside itself:

    python tests/kernels/trace/make_thin_lens.py

The scene is turned and painted pieces of wood on a bench: one near and out of focus, one in focus, one far,
before a painted board. ``set.exr`` has the pinhole's R G B, the distance along the optical axis of each
pixel's centre Z, and two renders of the same view through the lens, ``lens1`` and ``lens2``, with different
random numbers. ``pieces.exr`` has the pieces alone with alpha, without bench and board. The camera's numbers
are text attributes of both files.
"""

from __future__ import annotations

import math
from pathlib import Path

import mitsuba as mi
import numpy as np
import OpenEXR

mi.set_variant("llvm_ad_rgb")

HERE = Path(__file__).parent
WIDTH, HEIGHT = 128, 96
FIELD_OF_VIEW = 40.0
APERTURE_RADIUS, FOCUS = 0.17, 3.0
SAMPLES, PASSES = 2048, 4


def paint(seed: int, cells: int, low: float, high: float) -> dict:
    """A patchwork of soft-edged colours."""
    random = np.random.default_rng(seed)
    patches = random.uniform(low, high, (cells, cells, 3)) * random.choice([0.35, 1.0], (cells, cells, 1))
    pixels = np.kron(patches, np.ones((8, 8, 1))).astype(np.float32)
    return {"type": "bitmap", "bitmap": mi.Bitmap(pixels), "raw": True, "filter_type": "bilinear"}


def matt(texture: dict) -> dict:
    return {"type": "twosided", "nested": {"type": "diffuse", "reflectance": texture}}


def ball(x: float, y: float, z: float, radius: float, texture: dict) -> dict:
    return {"type": "sphere", "center": [x, y, z], "radius": radius, "bsdf": matt(texture)}


def scene(lens: bool, surroundings: bool) -> mi.Scene:
    """The view; z runs away from the camera."""
    move = mi.ScalarTransform4f
    camera = {
        "type": "thinlens" if lens else "perspective",
        "fov": FIELD_OF_VIEW,
        "fov_axis": "x",
        "near_clip": 0.05,
        "to_world": move().look_at(origin=[0, 0, 0], target=[0, 0, 1], up=[0, 1, 0]),
        "film": {
            "type": "hdrfilm",
            "width": WIDTH,
            "height": HEIGHT,
            "pixel_format": "rgba",
            "rfilter": {"type": "box"},
        },
        "sampler": {"type": "independent", "sample_count": SAMPLES},
    }
    if lens:
        camera |= {"aperture_radius": APERTURE_RADIUS, "focus_distance": FOCUS}
    parts = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 2, "hide_emitters": True},
        "camera": camera,
        "sun": {"type": "directional", "direction": [0.3, -0.5, 0.8], "irradiance": 2.2},
        "lamp": {"type": "point", "position": [-1.0, 1.5, 0.2], "intensity": 5.0},
        "near": ball(-0.2, -0.12, 1.45, 0.26, paint(1, 7, 0.2, 0.9)),
        "focused": ball(0.35, -0.05, 3.0, 0.45, paint(2, 9, 0.2, 0.9)),
        "far": ball(-0.75, 0.45, 5.0, 0.7, paint(3, 8, 0.2, 0.9)),
        "post": {
            "type": "cylinder",
            "p0": [0.54, -0.6, 2.0],
            "p1": [0.54, 0.35, 2.0],
            "radius": 0.06,
            "bsdf": matt(paint(4, 6, 0.4, 0.9)),
        },
    }
    if surroundings:
        parts["bench"] = {
            "type": "rectangle",
            "to_world": move().translate([0, -0.62, 4]).rotate([1, 0, 0], -90).scale([5, 5, 1]),
            "bsdf": matt(paint(5, 64, 0.15, 0.8)),
        }
        parts["board"] = {
            "type": "rectangle",
            "to_world": move().translate([0, 1, 8]).scale([5, 4, 1]),
            "bsdf": matt(paint(6, 40, 0.1, 0.9)),
        }
    return mi.load_dict(parts)


def render(lens: bool, surroundings: bool, seed: int) -> np.ndarray:
    view = scene(lens, surroundings)
    passes = [mi.render(view, seed=seed * PASSES + k, spp=SAMPLES) for k in range(PASSES)]
    return np.mean([np.array(picture, dtype=np.float32) for picture in passes], axis=0)


def axial_depth(surroundings: bool) -> np.ndarray:
    """Distance along the optical axis of the surface at each pixel's centre; 0 if there is none."""
    view = scene(False, surroundings)
    half = math.tan(math.radians(FIELD_OF_VIEW) / 2)
    x = ((np.arange(WIDTH) + 0.5) / WIDTH * 2 - 1) * half
    y = ((np.arange(HEIGHT) + 0.5) / HEIGHT * 2 - 1) * half * HEIGHT / WIDTH
    # Looking along +z with y up, x runs to the left of the picture.
    across, down = np.meshgrid(-x, -y)
    length = np.sqrt(across**2 + down**2 + 1).ravel()
    rays = mi.Ray3f(
        o=mi.Point3f(0, 0, 0),
        d=mi.Vector3f(
            mi.Float((across.ravel() / length).astype(np.float32)),
            mi.Float((down.ravel() / length).astype(np.float32)),
            mi.Float((1 / length).astype(np.float32)),
        ),
    )
    hit = view.ray_intersect(rays)
    distance = np.where(np.array(hit.is_valid()), np.array(hit.t), 0) / length
    return distance.reshape(HEIGHT, WIDTH).astype(np.float32)


def save(name: str, channels: dict[str, np.ndarray]) -> None:
    header = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "comments": "Invented scene, path-traced by make_thin_lens.py beside this file",
        "fieldOfView": f"{FIELD_OF_VIEW}",
        "apertureRadius": f"{APERTURE_RADIUS}",
        "focusDistance": f"{FOCUS}",
        "samples": f"{SAMPLES * PASSES}",
    }
    stored = {
        key: np.ascontiguousarray(value, dtype=np.float32 if key == "Z" else np.float16)
        for key, value in channels.items()
    }
    OpenEXR.File(header, stored).write(str(HERE / name))


def main() -> None:
    pinhole, first, second = (
        render(False, True, 1),
        render(True, True, 2),
        render(True, True, 3),
    )
    save(
        "set.exr",
        {c: pinhole[..., k] for k, c in enumerate("RGB")}
        | {f"lens1.{c}": first[..., k] for k, c in enumerate("RGB")}
        | {f"lens2.{c}": second[..., k] for k, c in enumerate("RGB")}
        | {"Z": axial_depth(True)},
    )
    pinhole, first = render(False, False, 4), render(True, False, 5)
    save(
        "pieces.exr",
        {c: pinhole[..., k] for k, c in enumerate("RGBA")}
        | {f"lens1.{c}": first[..., k] for k, c in enumerate("RGBA")}
        | {"Z": axial_depth(False)},
    )


if __name__ == "__main__":
    main()
