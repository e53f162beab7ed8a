"""The sampling integrators: the definition of each pass by its rays.

Radiance always comes from the renderer's stock path integrator. A pass only chooses the scene that
determines the first surface and the scene in which the path continues: a ray that starts just before that
surface hits it first and shades it, with the objects of the other scene around it. Every pass of a frame uses the
same seed, hence the same sample positions, and the pixel filter is a box: a pixel is the plain mean
of its samples, and alpha is the share of them that hit the lantern.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np
from camera import Camera

DEPTH = 6  # longest path, in segments
LANES = 5_000_000  # rays traced at once
Array = np.ndarray
Window = tuple[int, int, int, int]  # x from, y from, x to, y to; half open, display window's pixels


def trace(
    camera: Camera | LatLong, window: Window, samples: int, seed: int, work: Callable[..., dict[str, Any]]
) -> dict[str, Array]:
    """Mean over `samples` rays of each pixel in the window of what `work(sampler, ray)` returns.

    `work` gives floats or colours per ray; names ending in "_min" are reduced by the minimum instead.
    Returns float64 arrays (height, width) or (height, width, 3).
    """
    x0, y0, x1, y1 = window
    width, height = x1 - x0, y1 - y0
    side = round(samples**0.5)
    if side * side != samples:
        raise ValueError(
            f"samples = {samples}: the sampler is stratified on a square, so give a square such as {side * side}"
        )
    sampler = mi.load_dict({"type": "multijitter", "sample_count": samples})
    batch = max(b for b in range(1, samples + 1) if samples % b == 0 and (b == 1 or b * width * height <= LANES))
    sampler.set_samples_per_wavefront(batch)
    sampler.seed(seed, width * height * batch)
    total: dict[str, Array] = {}
    for _ in range(samples // batch):
        pixel = dr.arange(mi.UInt32, width * height * batch) // batch
        across = mi.Float(pixel % width) + float(x0)
        down = mi.Float(pixel // width) + float(y0)
        place = mi.Point2f(across, down) + sampler.next_2d()
        has_lens = isinstance(camera, Camera) and camera.aperture_radius > 0
        ray = camera_ray(camera, place, sampler.next_2d() if has_lens else None)
        results = work(sampler, ray)
        dr.eval(results, sampler)  # all of them in one kernel
        for name, value in results.items():
            least = name.endswith("_min")
            op = dr.ReduceOp.Min if least else dr.ReduceOp.Add
            planes = [value] if isinstance(value, mi.Float) else list(value)
            got = np.stack([np.array(dr.block_reduce(op, p, batch), np.float64) for p in planes], -1)
            old = total.get(name)
            total[name] = got if old is None else np.minimum(old, got) if least else old + got
        sampler.advance()
        sampler.schedule_state()
    out = {}
    for name, value in total.items():
        value = value if name.endswith("_min") else value / samples
        out[name] = value.reshape(height, width, -1).squeeze()
    return out


class LatLong:
    """A camera that sees every direction from one point.

    Column u = 0..1 is longitude −180°..180°, row v = 0..1 latitude 90°..−90°; the direction is
    (sin lon · cos lat, cos lon · cos lat, sin lat): the middle looks along +y, right of it is +x.
    """

    def __init__(self, point: Array, width: int, height: int) -> None:
        self.point, self.width, self.height = np.asarray(point, float), width, height


def camera_ray(camera: Camera | LatLong, pixel: Any, lens: Any = None) -> Any:
    """Rays through pixel coordinates; `lens`, two numbers from 0 to 1, chooses the point of the round aperture.

    A ray through the lens meets the plane in focus where the ray through its middle does.
    """
    if isinstance(camera, LatLong):
        lon = (pixel.x / camera.width - 0.5) * (2 * dr.pi)
        lat = (0.5 - pixel.y / camera.height) * dr.pi
        d = mi.Vector3f(dr.sin(lon) * dr.cos(lat), dr.cos(lon) * dr.cos(lat), dr.sin(lat))
        return mi.RayDifferential3f(mi.Point3f(*_live(camera.point)), d)
    r = camera.rotation
    right, down, ahead = (mi.Vector3f(*_live(r[:, k])) for k in range(3))
    x = (pixel.x - camera.width / 2) / camera.focal_px
    y = (pixel.y - camera.height / 2) / camera.focal_px
    position, through = mi.Point3f(*_live(camera.position)), right * x + down * y + ahead
    if lens is None:
        return mi.RayDifferential3f(position, dr.normalize(through))
    radius = dr.sqrt(lens.x) * camera.aperture_radius
    turn = lens.y * (2 * dr.pi)
    aside = right * (radius * dr.cos(turn)) + down * (radius * dr.sin(turn))
    return mi.RayDifferential3f(position + aside, dr.normalize(through * camera.focus_distance - aside))


def _live(values: Array) -> list[Any]:
    """Numbers as renderer variables that are not baked into the compiled kernel."""
    return [dr.opaque(mi.Float, float(v)) for v in values]


def just_before(ray: Any, hit: Any) -> Any:
    """The same ray, starting a ten-thousandth of the distance before the hit (unchanged where it missed)."""
    near = dr.select(hit.is_valid(), hit.t * (1 - 1e-4), 0.0)
    return mi.RayDifferential3f(ray.o + ray.d * near, ray.d)


def named(scene: Any, prefix: str) -> list[Any]:
    """Shapes of the scene whose name starts so."""
    return [s for s in scene.shapes() if s.id().startswith(prefix)]


def met(hit: Any, shapes: list[Any]) -> Any:
    """Mask: the hit is on one of the shapes."""
    mask = mi.Bool(False)
    for s in shapes:
        mask |= hit.shape == mi.ShapePtr(s)
    return mask & hit.is_valid()


def radiance(scene: Any) -> Callable[..., dict[str, Any]]:
    """The stock path integrator on one scene (plates, stills, truths)."""
    integrator = mi.load_dict({"type": "path", "max_depth": DEPTH})

    def work(sampler: Any, ray: Any) -> dict[str, Any]:
        colour, _, _ = integrator.sample(scene, sampler, ray)
        return {"colour": colour}

    return work


def continued(first: Any, then: Any) -> Callable[..., dict[str, Any]]:
    """First surface in `first`, path from just before it in `then`: the two halves of the shadow ratio."""
    integrator = mi.load_dict({"type": "path", "max_depth": DEPTH})

    def work(sampler: Any, ray: Any) -> dict[str, Any]:
        hit = first.ray_intersect_preliminary(ray)
        colour, _, _ = integrator.sample(then, sampler, just_before(ray, hit))
        return {"colour": colour}

    return work


def held_out(first: Any, then: Any, objects: tuple[str, ...], camera: Camera) -> Callable[..., dict[str, Any]]:
    """Beauty, coverage of each object, nearest depth and emission, where the first surface is the lantern."""
    integrator = mi.load_dict({"type": "path", "max_depth": DEPTH})
    ahead = mi.Vector3f(*_live(camera.rotation[:, 2]))

    def work(sampler: Any, ray: Any) -> dict[str, Any]:
        hit = first.ray_intersect(ray)
        out: dict[str, Any] = {}
        any_object = mi.Bool(False)
        for name in objects:
            mask = met(hit, [s for s in first.shapes() if s.id() == name])
            any_object |= mask
            out[f"coverage.{name}"] = dr.select(mask, mi.Float(1), mi.Float(0))
        colour, _, _ = integrator.sample(then, sampler, just_before(ray, hit), active=any_object)
        out["colour"] = dr.select(any_object, colour, 0)
        shine = hit.emitter(first, any_object).eval(hit, any_object)
        out["emission"] = dr.select(any_object, mi.Color3f(shine), 0)
        out["depth_min"] = dr.select(any_object, hit.t * dr.dot(ray.d, ahead), mi.Float(1e9))
        return out

    return work


def distance(scene: Any, camera: Camera) -> Callable[..., dict[str, Any]]:
    """Nearest distance along the optical axis of the first surface."""
    ahead = mi.Vector3f(*_live(camera.rotation[:, 2]))

    def work(sampler: Any, ray: Any) -> dict[str, Any]:
        hit = scene.ray_intersect(ray)
        return {"depth_min": dr.select(hit.is_valid(), hit.t * dr.dot(ray.d, ahead), mi.Float(1e9))}

    return work


def coverage(scene: Any, prefix: str) -> Callable[..., dict[str, Any]]:
    """Share of samples whose first surface is one of the shapes named so."""
    shapes = named(scene, prefix)

    def work(sampler: Any, ray: Any) -> dict[str, Any]:
        hit = scene.ray_intersect(ray)
        return {"matte": dr.select(met(hit, shapes), mi.Float(1), mi.Float(0))}

    return work
