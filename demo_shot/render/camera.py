"""The camera, its lens, its hand-held drift, and homographies of the bench plane.

Pixel coordinates have their origin at the top-left corner of the display window, x to the right,
y down, pixel centres at + 0.5. World coordinates are metres with z up; the bench top is z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Camera:
    """Position (3,), rotation (3, 3) with columns right, down, forward; lens and gate in millimetres.

    With an aperture radius of 0 it is a pinhole. Both lengths of the thin lens are in metres.
    """

    position: Array
    rotation: Array
    focal_length: float
    gate_width: float
    width: int
    height: int
    aperture_radius: float = 0.0
    focus_distance: float = 1.0

    def opened(self, f_number: float, focus_distance: float) -> Camera:
        """The same view through a thin lens.

        The picture's scale stays that of the focal length, as in every renderer, though a real lens that focuses
        near has its picture farther away and larger. The aperture is larger by the same factor, so that discs
        have the size ``|S2 − S1| / S2 · f² / (N (S1 − f))`` on the gate, as the thin-lens formula says.
        """
        focal = self.focal_length / 1000
        radius = focal / (2 * f_number) * focus_distance / (focus_distance - focal)
        return replace(self, aperture_radius=radius, focus_distance=focus_distance)

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.focal_length / self.gate_width * self.width

    @property
    def inner(self) -> Array:
        """The 3 × 3 matrix from camera space to homogeneous pixels."""
        return np.array([[self.focal_px, 0, self.width / 2], [0, self.focal_px, self.height / 2], [0, 0, 1.0]])

    def project(self, points: Array) -> Array:
        """World points (n, 3) → pixel coordinates (n, 2)."""
        p = (np.asarray(points, float) - self.position) @ self.rotation @ self.inner.T
        return p[:, :2] / p[:, 2:]

    def bench(self) -> Array:
        """The 3 × 3 homography from bench coordinates (x, y, 1) in metres to homogeneous pixels."""
        plane = np.stack([[1.0, 0, 0], [0, 1.0, 0], -self.position], 1)
        return self.inner @ self.rotation.T @ plane


def look(position: Array, target: Array, focal_length: float, gate_width: float, size: tuple[int, int]) -> Camera:
    """A level camera at `position` that looks at `target`; size = (width, height) in pixels."""
    position = np.asarray(position, float)
    forward = np.asarray(target, float) - position
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    return Camera(position, np.stack([right, down, forward], 1), focal_length, gate_width, *size)


def drift(camera: Camera, step: float, seed: int, metres: float = 0.004, degrees: float = 0.16) -> Camera:
    """The camera after `step` frames of hand-held drift; at step 0 it is the camera itself.

    Each of three positions and three angles follows a sum of three slow sines with seeded phases.
    """
    rng = np.random.default_rng(seed)
    rate = rng.uniform(0.15, 0.75, (6, 3))
    phase = rng.uniform(0, 2 * np.pi, (6, 3))
    weight = np.array([0.6, 0.3, 0.2])
    wobble = ((np.sin(rate * step + phase) - np.sin(phase)) * weight).sum(1)
    moved = camera.position + camera.rotation @ (wobble[:3] * metres)
    a, b, c = np.radians(degrees) * wobble[3:] * np.array([1, 1, 0.7])
    turn = _rotation(0, a) @ _rotation(1, b) @ _rotation(2, c)
    return replace(camera, position=moved, rotation=camera.rotation @ turn)


def record(about: str, cameras: dict[int, Camera]) -> dict[str, Any]:
    """The cameras of frames, as `stackcomp camera` writes them."""
    frames = {}
    for frame, camera in cameras.items():
        to_world = np.eye(4)
        to_world[:3, :3], to_world[:3, 3] = camera.rotation, camera.position
        gate = [camera.gate_width, camera.gate_width * camera.height / camera.width]
        frames[str(frame)] = {"to_world": to_world.tolist(), "focal_length": camera.focal_length, "gate": gate}
    return {"stackcomp_camera": 1, "about": about, "frames": frames}


def homography(source: Camera, target: Camera) -> Array:
    """Maps pixels of the bench seen by `source` to pixels of `target`, scaled so that h33 = 1."""
    h = target.bench() @ np.linalg.inv(source.bench())
    return h / h[2, 2]


def apply(h: Array, points: Array) -> Array:
    """A homography on points (n, 2)."""
    p = np.concatenate([points, np.ones((len(points), 1))], 1) @ h.T
    return p[:, :2] / p[:, 2:]


def _rotation(axis: int, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    r = np.eye(3)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    r[i, i] = r[j, j] = c
    r[i, j], r[j, i] = -s, s
    return r
