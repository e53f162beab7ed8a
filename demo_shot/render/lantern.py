"""The CG: a brass signal lantern, turned and bent from primitives. Its foot stands at `place` on the bench.

Objects (these names are in the ID mattes): lantern_base, lantern_body, lantern_glass, lantern_guard,
lantern_handle.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from shapes import lathe, shape, tube
from textures import lamp_glow

OBJECTS = ("lantern_base", "lantern_body", "lantern_glass", "lantern_guard", "lantern_handle")
HEIGHT = 0.305
FOOT_RADIUS = 0.076
GLASS_MIDDLE = 0.137

Array = np.ndarray


def brass(rough: float, tone: float = 1.0) -> dict[str, Any]:
    """Brass: a metal whose reflectance at normal incidence is a warm yellow."""
    base = [0.72 * tone, 0.565 * tone, 0.30 * tone]
    return {
        "type": "principled",
        "base_color": {"type": "rgb", "value": base},
        "metallic": 1.0,
        "roughness": rough,
        "specular": 0.5,
    }


def lantern(place: Array, folder: Path, picture: Any, lit: float = 0.0, bail: float = 14.0) -> dict[str, Any]:
    """Shapes of the lantern; with `lit` > 0 its glass shines with that radiance (the warm lamp behind it).

    The bail leans back by `bail` degrees, and forward where that is below 0.
    """
    place = np.asarray(place, float)

    # The foot goes a little into the bench so that no face lies in the bench's plane.
    base = [(0.001, -0.004), (0.074, -0.004), (FOOT_RADIUS, 0.002), (FOOT_RADIUS, 0.008), (0.073, 0.011)]
    base += [(0.066, 0.014), (0.061, 0.018), (0.059, 0.026), (0.060, 0.034), (0.063, 0.038), (0.063, 0.066)]
    base += [(0.0635, 0.068), (0.063, 0.070), (0.061, 0.073), (0.052, 0.077), (0.047, 0.080), (0.001, 0.0801)]
    collar = [(0.046, 0.079), (0.054, 0.080), (0.056, 0.083), (0.056, 0.088), (0.054, 0.090), (0.046, 0.0905)]
    cap = [(0.001, 0.184), (0.054, 0.184), (0.0565, 0.186), (0.0565, 0.193), (0.0625, 0.196), (0.063, 0.199)]
    cap += [(0.060, 0.203), (0.050, 0.213), (0.040, 0.220), (0.033, 0.225), (0.031, 0.229), (0.031, 0.243)]
    cap += [(0.038, 0.245), (0.039, 0.248), (0.036, 0.252), (0.024, 0.259), (0.011, 0.263), (0.0075, 0.266)]
    cap += [(0.0075, 0.270), (0.009, 0.273), (0.008, 0.277), (0.004, 0.2795), (0.0005, 0.280)]
    t = np.linspace(0, 1, 25)
    glass = [(0.0445 + 0.005 * np.sin(np.pi * v), 0.0885 + 0.097 * v) for v in t]

    if lit > 0:
        glow = {"type": "bitmap", "bitmap": picture(lamp_glow() * lit), "raw": True, "wrap_mode": "clamp"}
        shine: dict[str, Any] = {"emitter": {"type": "area", "radiance": glow}}
    else:
        shine = {}
    frosted = {
        "type": "principled",
        "base_color": {"type": "rgb", "value": [0.62, 0.66, 0.63] if not lit else [0.42, 0.40, 0.36]},
        "roughness": 0.32,
        "specular": 0.5,
    }

    return {
        "lantern_base": shape(lathe(base, place), folder, "lantern_base", brass(0.42)),
        "lantern_body": shape(_join(lathe(collar, place), lathe(cap, place)), folder, "lantern_body", brass(0.35)),
        "lantern_glass": shape(lathe(glass, place), folder, "lantern_glass", frosted, **shine),
        "lantern_guard": shape(_guard(place), folder, "lantern_guard", brass(0.38, 0.92)),
        "lantern_handle": shape(_handle(place, bail), folder, "lantern_handle", brass(0.35, 0.96)),
    }


def dark_lamp(folder: Path) -> dict[str, Any]:
    """A black emitter far below the bench: it stands in for the lit glass in scenes without the lantern.

    With it both scenes choose among the same number of lights, so the same seed makes the same paths.
    """
    far = lathe([(0.01, -50.1), (0.01, -50.0)], np.zeros(3), 6)
    light = {"type": "area", "radiance": {"type": "rgb", "value": 0.0}}
    black = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}}
    return {"lantern_dark": shape(far, folder, "lantern_dark", black, emitter=light)}


def _guard(place: Array) -> Any:
    """Six upright bars about the glass and one ring round its middle."""
    bars = []
    for k in range(6):
        a = np.radians(22 + 60 * k)
        z = np.linspace(0.084, 0.190, 12)
        r = 0.0535 + 0.004 * np.sin(np.pi * (z - 0.084) / 0.106)
        bars.append(tube(np.stack([r * np.cos(a), r * np.sin(a), z], 1) + place, 0.0019, 10))
    a = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = np.stack([0.0572 * np.cos(a), 0.0572 * np.sin(a), np.full(72, GLASS_MIDDLE)], 1)
    return _join(*bars, tube(ring + place, 0.0017, 10, closed=True))


def _handle(place: Array, bail: float) -> Any:
    """A bail from shoulder to shoulder, thicker at its top, leaning back by some degrees."""
    t = np.linspace(0, np.pi, 60)
    lean = np.radians(bail)
    across = 0.0655 * np.cos(t)
    rise = 0.105 * np.sin(t) ** 0.8
    bail = np.stack([across, rise * np.sin(lean), 0.197 + rise * np.cos(lean)], 1)
    turn = np.radians(18)
    spun = np.stack(
        [
            bail[:, 0] * np.cos(turn) - bail[:, 1] * np.sin(turn),
            bail[:, 0] * np.sin(turn) + bail[:, 1] * np.cos(turn),
            bail[:, 2],
        ],
        1,
    )
    thick = np.where(np.abs(across) < 0.024, 0.0046, 0.0025)
    return tube(spun + place, thick, 16)


def _join(*meshes: Any) -> Any:
    offset, faces = 0, []
    for m in meshes:
        faces.append(m.faces + offset)
        offset += len(m.points)
    return meshes[0]._replace(
        points=np.concatenate([m.points for m in meshes]),
        faces=np.concatenate(faces),
        normals=np.concatenate([m.normals for m in meshes]),
        uv=np.concatenate([m.uv for m in meshes]),
    )
