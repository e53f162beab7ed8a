"""The lat-long HDRI of the place, with and without the charts, and the numbers that check it."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import charts
import drjit as dr
import mitsuba as mi
import numpy as np
import passes
import patch
import write
from props import paint
from scene import HDRI_POINT, SHOTS, Stage, load
from shapes import plate, shape

PLANTED = (1.25, 1.0, 0.72)  # the HDRI camera's white balance: what its pixels were multiplied by
SIZE = (640, 320)
Array = np.ndarray


def pixel_of(points: Array) -> Array:
    """World points (n, 3) → lat-long pixel coordinates."""
    d = np.asarray(points, float) - HDRI_POINT
    lon = np.arctan2(d[:, 0], d[:, 1])
    lat = np.arctan2(d[:, 2], np.hypot(d[:, 0], d[:, 1]))
    return np.stack([(lon / (2 * np.pi) + 0.5) * SIZE[0], (0.5 - lat / np.pi) * SIZE[1]], 1)


def longitude_latitude(v: Array) -> list[float]:
    """A direction in degrees."""
    return [float(np.degrees(np.arctan2(v[0], v[1]))), float(np.degrees(np.arcsin(v[2] / np.linalg.norm(v))))]


def make_place(to: Path, samples: int) -> None:
    """hdri.exr, hdri_chart.exr and place.json."""
    shot = SHOTS["wide"]
    to.mkdir(parents=True, exist_ok=True)
    camera, full = passes.LatLong(np.array(HDRI_POINT), *SIZE), (0, 0, *SIZE)
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(shot, Path(folder))
        for name, scene in (("hdri", stage.scene(jar=False, cord=False)), ("hdri_chart", stage.scene(chart=shot))):
            radiance = passes.trace(camera, full, samples, 9001, passes.radiance(scene))["colour"]
            write.exr(to / f"{name}.exr", write.rgb(write.coarse(radiance * PLANTED, write.PLACE_BITS)), SIZE)
        points = [_card_at_point(stage, n) for n in ([0, -1, 0], [-0.6, -0.6, 0.52], [0, 0, 1], [-1, 0, 0])]
    corners = charts.card_corners(*shot.card)
    normal = np.cross(corners[1] - corners[0], corners[0] - corners[3])
    normal /= np.linalg.norm(normal)
    write.variables(
        to / "place.json",
        {
            "planted_white_balance": PLANTED,
            "width": SIZE[0],
            "height": SIZE[1],
            "point": HDRI_POINT,
            "mapping": "lon = (x / width - 0.5) * 360 deg, lat = (0.5 - y / height) * 180 deg, x and y in pixels "
            "with centres at + 0.5; direction = (sin(lon) cos(lat), cos(lon) cos(lat), sin(lat)), z up",
            "card_reflectance": charts.GREY,
            "card_normal": np.round(normal, 6).tolist(),
            "card_normal_lon_lat": np.round(longitude_latitude(normal), 4).tolist(),
            "card_corners": np.round(pixel_of(corners), 2).tolist(),
            "card_area": patch.inner_box(pixel_of(corners)),
            "card_in_plate": "demo_shot/wide/chart.exr",
            "cards_at_point": points,
        },
    )


def _card_at_point(stage: Stage, normal: Any) -> dict[str, Any]:
    """Radiance (without the planted balance) of a 1 mm card at the HDRI's own point, path-traced."""
    n = np.array(normal, float) / np.linalg.norm(normal)
    a = np.cross(n, [0.31, 0.2, 0.93])
    a /= np.linalg.norm(a)
    b = np.cross(n, a)
    centre, side = np.array(HDRI_POINT), 0.001
    face = plate(centre - (a + b) * side / 2, a * side, b * side)
    look = {"type": "diffuse", "reflectance": {"type": "rgb", "value": charts.GREY}}
    base = stage.scene_dict(jar=False, cord=False)
    base["tiny_card"] = shape(face, stage.folder, "tiny_card", look)
    base["tiny_back"] = shape(
        plate(centre - (a + b) * side / 2 - n * 1e-5, b * side, a * side),
        stage.folder,
        "tiny_back",
        paint(0, 0, 0),
    )
    scene = load(base)
    count, rounds, got = 1 << 20, 8, []
    integrator = mi.load_dict({"type": "path", "max_depth": passes.DEPTH})
    for k in range(rounds):
        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(k, count)
        start, ahead = ([dr.full(mi.Float, float(x), count) for x in v] for v in (centre + n * 0.0004, -n))
        ray = mi.RayDifferential3f(mi.Point3f(*start), mi.Vector3f(*ahead))
        colour, _, _ = integrator.sample(scene, sampler, ray)
        got.append([float(dr.mean(c)[0]) for c in colour])
    got = np.array(got)
    return {
        "normal": np.round(n, 6).tolist(),
        "reflectance": charts.GREY,
        "radiance": np.round(got.mean(0), 6).tolist(),
        "standard_error": np.round(got.std(0, ddof=1) / rounds**0.5, 7).tolist(),
    }
