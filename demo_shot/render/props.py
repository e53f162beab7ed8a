"""Objects of the workshop: bench, walls, window bars, rope, tins, plane, shavings; jar, cord, stand-in rig.

Each function gives a dictionary of shapes. `picture` turns a numpy texture into a renderer bitmap.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from shapes import ball, box, lathe, moved, plate, ribbon, shape, tube
from textures import painted_boards, planks, rope_lay

BENCH = (-1.35, 1.35, -0.62, 0.62)  # x from, to, y from, to, at z = 0
WALL_Y = 0.74
WINDOW = (-1.80, -0.92, 0.70)  # corner of the bright pane, in the left wall
WINDOW_SIZE = (0.62, 0.78)  # along y, along z

Array = np.ndarray


def paint(r: float, g: float, b: float) -> dict[str, Any]:
    """A diffuse material, seen from both sides."""
    diffuse = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [r, g, b]}}
    return {"type": "twosided", "bsdf": diffuse}


def gloss(r: float, g: float, b: float, rough: float) -> dict[str, Any]:
    """A glazed or lacquered material."""
    return {
        "type": "principled",
        "base_color": {"type": "rgb", "value": [r, g, b]},
        "roughness": rough,
        "specular": 0.5,
    }


def textured(picture: Any, array: Array) -> dict[str, Any]:
    """A diffuse material with a picture on it."""
    return {
        "type": "twosided",
        "bsdf": {"type": "diffuse", "reflectance": {"type": "bitmap", "bitmap": picture(array), "raw": True}},
    }


def workshop(folder: Path, picture: Any) -> dict[str, Any]:
    """Bench, back wall with a shelf and things, left wall."""
    x0, x1, y0, y1 = BENCH
    oak = [(0.37, 0.285, 0.195), (0.33, 0.25, 0.165), (0.41, 0.325, 0.235)]
    pine = [(0.43, 0.34, 0.235)]
    out: dict[str, Any] = {}

    top = plate([x0, y0, 0], [x1 - x0, 0, 0], [0, y1 - y0, 0])
    out["bench"] = shape(top, folder, "bench", textured(picture, planks(11, 1024, 2048, 8, oak)))
    board = textured(picture, planks(12, 128, 1024, 1, oak))
    out["bench_edge"] = shape(box([0, y0 + 0.02, -0.0305], [x1 - x0, 0.05, 0.06]), folder, "bench_edge", board)
    back = plate([-2.4, WALL_Y, -0.9], [4.8, 0, 0], [0, 0, 3.2])
    out["wall"] = shape(back, folder, "wall", textured(picture, painted_boards(21, 1024, 2048, 30)))
    out["floor"] = shape(plate([-3, -3, -0.9], [6, 0, 0], [0, 4, 0]), folder, "floor", paint(0.10, 0.085, 0.07))
    out["left_wall"] = shape(
        plate([-1.85, -3, -0.9], [0, 5, 0], [0, 0, 3.2]), folder, "left_wall", paint(0.28, 0.27, 0.24)
    )

    # On the wall: a shelf, tins, a curved rib mould.
    out["shelf"] = shape(
        box([0.50, WALL_Y - 0.075, 0.40], [0.95, 0.15, 0.022]),
        folder,
        "shelf",
        textured(picture, planks(13, 96, 1024, 1, pine)),
    )
    tin_paints = [(0.24, 0.075, 0.055), (0.075, 0.105, 0.14), (0.40, 0.36, 0.28), (0.10, 0.14, 0.10)]
    for k, (x, r, h) in enumerate(
        ((0.12, 0.045, 0.10), (0.26, 0.035, 0.075), (0.68, 0.05, 0.115), (0.82, 0.04, 0.09))
    ):
        for part, mesh in enumerate(_tin([x, WALL_Y - 0.075, 0.4115], r, h)):
            look = gloss(*tin_paints[k], 0.42) if part == 0 else _tinned()
            out[f"shelf_tin_{k}_{part}"] = shape(mesh, folder, f"shelf_tin_{k}_{part}", look)
    a = np.linspace(0.15, np.pi * 0.93, 60)
    mould = np.stack([-0.62 + 0.34 * np.cos(a), np.full(60, WALL_Y - 0.03), 0.20 + 0.42 * np.sin(a)], 1)
    radial = np.stack([np.cos(a), np.zeros(60), np.sin(a)], 1)
    inner, outer = mould - radial * 0.03, mould + radial * 0.03
    rib = ribbon(mould, [0, 0, 0])._replace(points=np.concatenate([outer, inner]))
    out["rib_mould"] = shape(rib, folder, "rib_mould", textured(picture, planks(14, 64, 1024, 1, pine)))

    out.update(_bench_things(folder, picture, pine))
    return out


def _bench_things(folder: Path, picture: Any, pine: Any) -> dict[str, Any]:
    out: dict[str, Any] = {}
    # A coil of rope at the left back: two layers of a spiral.
    turns = np.linspace(0, 4.4, 420)
    r = 0.088 + 0.021 * (turns % 2.2)
    z = 0.0125 + 0.0205 * np.clip((turns - 2.05) / 0.3, 0, 1)
    r = np.where((turns > 2.05) & (turns < 2.35), np.interp(turns, [2.05, 2.35], [0.131, 0.091]), r)
    coil = np.stack([-0.60 + r * np.cos(2 * np.pi * turns), 0.36 + r * np.sin(2 * np.pi * turns), z], 1)
    out["rope"] = shape(tube(coil, 0.012, 16), folder, "rope", textured(picture, rope_lay(130, 5)))

    # A smoothing plane: body, wedge, iron, rear grip.
    beech = textured(picture, planks(15, 128, 512, 1, [(0.37, 0.265, 0.165)]))
    dark = textured(picture, planks(16, 128, 256, 1, [(0.16, 0.085, 0.05)]))
    at, turn = np.array([0.46, 0.20, 0.0]), 24.0
    for name, centre, size, tilt, look in (
        ("plane_body", [0, 0, 0.032], [0.25, 0.068, 0.064], 0.0, beech),
        ("plane_sole", [0, 0, 0.003], [0.252, 0.070, 0.006], 0.0, dark),
        ("plane_wedge", [0.018, 0, 0.082], [0.018, 0.044, 0.075], 0.0, dark),
        ("plane_iron", [0.006, 0, 0.086], [0.004, 0.048, 0.100], 0.0, _tinned()),
    ):
        mesh = moved(box(centre, size, 0.0, tilt), turn, at)
        out[name] = shape(mesh, folder, name, look)
    grip = np.array([[-0.085, 0, 0.062], [-0.088, 0, 0.085], [-0.080, 0, 0.105], [-0.066, 0, 0.118]])
    out["plane_grip"] = shape(moved(tube(_curve(grip, 24), 0.0125, 16), turn, at), folder, "plane_grip", dark)
    knob = lathe(
        [(0.012, 0.062), (0.010, 0.070), (0.016, 0.082), (0.016, 0.090), (0.010, 0.096), (0.001, 0.097)],
        [0.09, 0, 0],
        32,
    )
    out["plane_knob"] = shape(moved(knob, turn, at), folder, "plane_knob", dark)

    # Tins at the back, a brush in one of them.
    for k, (place, r, h, colour) in enumerate(
        (
            ([-0.20, 0.45, 0], 0.052, 0.115, (0.065, 0.090, 0.125)),
            ([-0.07, 0.50, 0], 0.042, 0.085, (0.38, 0.33, 0.24)),
        )
    ):
        for part, mesh in enumerate(_tin(place, r, h)):
            look = gloss(*colour, 0.38) if part == 0 else _tinned()
            out[f"tin_{k}_{part}"] = shape(mesh, folder, f"tin_{k}_{part}", look)
    stem = np.array([[-0.21, 0.44, 0.10], [-0.235, 0.46, 0.26]])
    out["brush"] = shape(
        tube(_curve(stem, 12), np.linspace(0.006, 0.009, 12), 12), folder, "brush", gloss(0.22, 0.07, 0.045, 0.4)
    )

    # Shavings: curled ribbons, seeded.
    rng = np.random.default_rng(7)
    curl_look = textured(picture, planks(17, 64, 256, 1, [(0.54, 0.44, 0.31)]))
    spots = [
        (0.33, 0.03),
        (0.27, 0.12),
        (0.36, -0.06),
        (0.56, 0.02),
        (0.62, 0.10),
        (0.42, -0.22),
        (-0.46, -0.06),
        (-0.60, 0.04),
        (0.68, -0.08),
        (0.30, 0.30),
        (0.52, -0.14),
    ]
    for k, (x, y) in enumerate(spots):
        turns, r0 = rng.uniform(1.1, 2.6), rng.uniform(0.012, 0.022)
        t = np.linspace(0, 2 * np.pi * turns, 70)
        r = r0 * (1 - 0.16 * t / (2 * np.pi))
        slide = rng.uniform(0.004, 0.012) * t
        curl = np.stack([r * np.sin(t), slide, r0 - r * np.cos(t) + 0.0006], 1)
        strip = ribbon(curl, [0, rng.uniform(0.014, 0.022), 0])
        out[f"shaving_{k}"] = shape(
            moved(strip, rng.uniform(0, 360), np.array([x, y, 0.0])), folder, f"shaving_{k}", curl_look
        )
    return out


def jar(place: Array, folder: Path) -> dict[str, Any]:
    """A glazed jar, bare clay at its foot, that stands in front."""
    foot = [(0.001, 0.0), (0.036, 0.0), (0.039, 0.003), (0.043, 0.020), (0.046, 0.032)]
    wall = [(0.046, 0.032), (0.0475, 0.040), (0.049, 0.062), (0.047, 0.082), (0.041, 0.096), (0.035, 0.104)]
    wall += [
        (0.034, 0.108),
        (0.037, 0.113),
        (0.0375, 0.116),
        (0.035, 0.118),
        (0.031, 0.115),
        (0.030, 0.106),
        (0.001, 0.090),
    ]
    return {
        "jar_foot": shape(lathe(foot, place), folder, "jar_foot", paint(0.34, 0.22, 0.14)),
        "jar_wall": shape(lathe(wall, place), folder, "jar_wall", gloss(0.17, 0.21, 0.225, 0.25)),
    }


def cord(points: Array, folder: Path, picture: Any) -> dict[str, Any]:
    """A hanging cord through these points, with a turned toggle at its lower end."""
    path = _curve(points, 90)
    end = points[-1]
    toggle = lathe(
        [(0.0005, -0.030), (0.006, -0.029), (0.0095, -0.020), (0.0085, -0.008), (0.005, 0.0), (0.0005, 0.001)],
        end,
        32,
    )
    return {
        "cord_line": shape(
            tube(path, 0.0032, 12), folder, "cord_line", textured(picture, rope_lay(150, 6) * 1.15)
        ),
        "cord_toggle": shape(toggle, folder, "cord_toggle", gloss(0.22, 0.12, 0.07, 0.35)),
    }


def rig(place: Array, folder: Path) -> dict[str, Any]:
    """The stand-in that the crew left on the bench: a grey ball on a short rod on a small block."""
    p = np.asarray(place, float)
    return {
        "rig_foot": shape(
            box(_above(p, 0.0055), [0.046, 0.046, 0.010], 20), folder, "rig_foot", paint(0.05, 0.05, 0.055)
        ),
        "rig_rod": shape(
            tube(np.array([_above(p, 0.012), _above(p, 0.032)]), 0.0032, 12),
            folder,
            "rig_rod",
            paint(0.10, 0.10, 0.10),
        ),
        "rig_ball": shape(ball(_above(p, RIG_BALL[0]), RIG_BALL[1]), folder, "rig_ball", paint(0.18, 0.18, 0.18)),
    }


RIG_BALL = (0.046, 0.018)  # height of its centre, radius


def _above(points: Array, height: float) -> Array:
    return points + np.array([0, 0, height])


def rig_hull(place: Array) -> Array:
    """Points (n, 3) whose hull holds the stand-in."""
    p = np.asarray(place, float)
    a = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.stack([np.cos(a), np.sin(a), np.zeros(24)], 1)
    foot = p + ring * 0.033
    z, r = RIG_BALL
    caps = [p + [0, 0, z] + ring * r * np.cos(e) + [0, 0, r * np.sin(e)] for e in np.linspace(-1.5, 1.5, 9)]
    return np.concatenate([foot, _above(foot, 0.0105), *caps])


def _tin(place: Any, r: float, h: float) -> tuple[Any, Any]:
    body = lathe([(r, 0.004), (r, h - 0.006)], place, 64)
    metal = [(r * 0.97, 0.0), (r * 1.025, 0.001), (r * 1.025, 0.004), (r * 1.0, 0.0055)]
    lid = [
        (r * 1.0, h - 0.007),
        (r * 1.03, h - 0.005),
        (r * 1.03, h - 0.001),
        (r * 0.99, h),
        (r * 0.90, h - 0.002),
        (r * 0.88, h - 0.006),
        (0.001, h - 0.006),
    ]
    a, b = lathe(metal, place, 64), lathe(lid, place, 64)
    both = a._replace(
        points=np.concatenate([a.points, b.points]),
        faces=np.concatenate([a.faces, b.faces + len(a.points)]),
        normals=np.concatenate([a.normals, b.normals]),
        uv=np.concatenate([a.uv, b.uv]),
    )
    return body, both


def _tinned() -> dict[str, Any]:
    """Dull tin plate; not a metal to the renderer, so that it throws no noisy reflections about."""
    return gloss(0.36, 0.36, 0.35, 0.35)


def _curve(points: Array, n: int) -> Array:
    """A smooth path through the points (cubic interpolation over chord length)."""
    from scipy.interpolate import CubicSpline

    d = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    if len(points) < 3:
        return np.linspace(points[0], points[-1], n)
    return CubicSpline(d, points, bc_type="natural")(np.linspace(0, d[-1], n))
