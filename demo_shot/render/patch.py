"""Areas of the picture: where the stand-in rig and its shadow are, and the middle of a card."""

from __future__ import annotations

import numpy as np
import props
from camera import Camera, apply, homography
from scipy.spatial import ConvexHull

Array = np.ndarray


def touched(place: Array, clean: Camera, cameras: list[Camera]) -> Array:
    """Points (n, 2) in the clean still's pixels whose hull contains outline and window shadow in every frame."""
    hull = props.rig_hull(place)
    (x, y, z), (wide, tall) = props.WINDOW, props.WINDOW_SIZE
    pane = [np.array([x, y + a * wide, z + b * tall]) for a in (0, 1) for b in (0, 1)]
    shade = np.concatenate([p + (hull - p) * (p[2] / (p[2] - hull[:, 2]))[:, None] for p in pane])
    projections = [clean.project(shade)]
    for c in cameras:
        projections.append(apply(np.linalg.inv(homography(clean, c)), c.project(hull)))
    return np.concatenate(projections)


def quadrilateral(points: Array, margin: float) -> Array:
    """The smallest turned rectangle about the points, `margin` pixels wider on each side; corners (4, 2)."""
    p = points[ConvexHull(points).vertices]
    best: tuple[float, Array] | None = None
    for k in range(len(p)):
        d = p[(k + 1) % len(p)] - p[k]
        d = d / np.linalg.norm(d)
        axes = np.stack([d, [-d[1], d[0]]])
        q = p @ axes.T
        low, high = q.min(0) - margin, q.max(0) + margin
        area = np.prod(high - low)
        if best is None or area < best[0]:
            corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
            best = (float(area), corners @ axes)
    assert best is not None
    return best[1]


def inner_box(corners: Array, share: float = 0.5) -> list[int]:
    """x, y, width, height of a pixel area about the middle of a nearly upright four-cornered area."""
    a, c = corners[0], corners[2]
    across = np.stack([c - a, corners[1] - corners[3]], 1)
    middle = a + (c - a) * np.linalg.solve(across, corners[1] - a)[0]  # where the diagonals cross
    (left, right), (top, bottom) = np.sort(corners[:, 0])[[1, 2]], np.sort(corners[:, 1])[[1, 2]]
    half = np.array([right - left, bottom - top]) / 2 * share
    low, high = np.rint(middle - half).astype(int), np.rint(middle + half).astype(int)
    return [int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])]


def inside(corners: Array, width: int, height: int) -> Array:
    """Mask (height, width) of the pixel centres inside a convex polygon of either direction."""
    y, x = np.mgrid[0:height, 0:width] + 0.5
    side = []
    for a, b in zip(corners, np.roll(corners, -1, 0), strict=True):
        side.append((b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]))
    s = np.stack(side)
    return (s >= 0).all(0) | (s <= 0).all(0)
