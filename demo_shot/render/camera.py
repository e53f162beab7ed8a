"""The pinhole camera, its hand-held drift, and homographies of the bench plane.

Pixel coordinates have their origin at the top-left corner of the display window, x to the right,
y down, pixel centres at + 0.5. World coordinates are metres with z up; the bench top is z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Camera:
    """Position (3,), rotation (3, 3) with columns right, down, forward; lens and gate in millimetres."""

    position: Array
    rotation: Array
    focal_length: float
    gate_width: float
    width: int
    height: int

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
