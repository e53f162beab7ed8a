"""The thin lens: the size of the disc of a point out of focus.

Distances are measured along the optical axis. A distance of 0 or below, infinity and NaN all mean that there is
nothing at a finite distance, and count as infinitely far.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.errors import BadValueError
from stackcomp.kernels.compiled import Array

__all__ = ["axial_depth", "circle_of_confusion", "edge_depth", "spread_radius"]


def circle_of_confusion(distance_m: npt.ArrayLike, focus_m: float, focal_mm: float, f_number: float) -> Array:
    """Return the diameter on the sensor of the image of a point: ``|S2 − S1| / S2 · f² / (N (S1 − f))``.

    Args:
        distance_m: distances S2 of the points in metres, any shape.
        focus_m: distance S1 in focus, in metres; infinity is allowed.
        focal_mm: focal length f in millimetres.
        f_number: N, the focal length over the diameter of the aperture.

    Returns:
        Diameters in millimetres, float64, of the same shape.

    Raises:
        ValueError: a focus at or within the focal length, or a length or f-number that is not above 0.

    Source: the thin-lens equation; worked tables are named in the tests.
    """
    return np.abs(_signed_circle(distance_m, focus_m, focal_mm, f_number))


def spread_radius(
    distance_m: npt.ArrayLike,
    focus_m: float,
    focal_mm: float,
    f_number: float,
    gate_mm: float,
    frame_px: float,
) -> Array:
    """Return the radius in pixels of each point's disc: negative in front of the focus, positive behind it.

    It increases monotonically with distance, so it also orders points by distance.

    Args:
        distance_m: distances of the points in metres, any shape.
        focus_m: distance in focus, in metres; infinity is allowed.
        focal_mm: focal length in millimetres.
        f_number: the focal length over the diameter of the aperture.
        gate_mm: width of the camera's gate (the used part of its sensor) in millimetres.
        frame_px: width in pixels of the frame that shows the gate.

    Returns:
        float32, of the same shape.

    Raises:
        ValueError: as `circle_of_confusion`, and for a gate or frame without width.
    """
    if not (gate_mm > 0 and frame_px > 0):
        raise ValueError(f"a gate of {gate_mm} mm over {frame_px} px has no width")
    circle = _signed_circle(distance_m, focus_m, focal_mm, f_number)
    # Very close to the lens, a radius exceeds the range of float32: it is limited to it.
    most = float(np.finfo(np.float32).max)
    return np.clip(circle * (0.5 * frame_px / gate_mm), -most, most).astype(np.float32)


def _signed_circle(distance_m: npt.ArrayLike, focus_m: float, focal_mm: float, f_number: float) -> Array:
    if not (focal_mm > 0 and f_number > 0 and math.isfinite(focal_mm) and math.isfinite(f_number)):
        raise ValueError(f"focal length {focal_mm} mm and f-number {f_number} must be above 0")
    focus_mm = focus_m * 1000
    if not focus_mm > focal_mm:
        raise BadValueError(f"a lens of {focal_mm} mm cannot focus at {focus_m} m, within its focal length")
    distance = np.asarray(distance_m, dtype=np.float64) * 1000
    nearness = np.zeros(distance.shape)
    np.divide(1, distance, out=nearness, where=np.isfinite(distance) & (distance > 0))
    # (S2 − S1) / S2 · f² / (N (S1 − f)), written in 1 / S1 and 1 / S2 so that either may be infinite.
    focus_nearness = 0.0 if math.isinf(focus_mm) else 1 / focus_mm
    scale = focal_mm**2 / (f_number * (1 - focal_mm * focus_nearness))
    result: Array = (focus_nearness - nearness) * scale
    return result


def edge_depth(depth: Array, alpha: Array) -> Array:
    """Return depth with the gaps at the edges of objects filled.

    A partly covered pixel has no depth if its centre lies outside the object that covers it. It gets the nearest
    depth of the eight pixels around it. Pixels without coverage keep their depth, so light under alpha 0 stays at
    its own depth, or infinitely far.

    Args:
        depth: distances ``(height, width)`` in metres, 0 (or not finite) where there is nothing.
        alpha: coverage, of the same shape.

    Returns:
        float32, of the same shape, 0 where there is nothing.
    """
    something = np.isfinite(depth) & (depth > 0)
    near = np.where(something, depth, np.inf)
    for axis in (0, 1):
        ahead, behind = np.full_like(near, np.inf), np.full_like(near, np.inf)
        near_of, ahead_of, behind_of = (np.moveaxis(plane, axis, 0) for plane in (near, ahead, behind))
        ahead_of[:-1], behind_of[1:] = near_of[1:], near_of[:-1]
        near = np.minimum(near, np.minimum(ahead, behind))
    closed = np.where(something, depth, np.where((alpha > 0) & np.isfinite(near), near, 0))
    return closed.astype(np.float32)


def axial_depth(depth: Array, window: Window, frame: Window, focal_mm: float, gate_mm: float) -> Array:
    """Convert distance along each pixel's ray to distance along the optical axis.

    The axis passes through the middle of the frame, and the image plane lies at the focal length, as in a pinhole
    camera of that lens.

    Args:
        depth: distances along rays, of ``window.shape``.
        window: the window of the distances.
        frame: the frame, whose width shows the gate.
        focal_mm: focal length in millimetres.
        gate_mm: width of the gate in millimetres.

    Returns:
        float32, of the same shape.
    """
    across = (np.arange(window.x0, window.x1) + 0.5 - (frame.x0 + frame.x1) / 2) * (gate_mm / frame.width)
    down = (np.arange(window.y0, window.y1) + 0.5 - (frame.y0 + frame.y1) / 2) * (gate_mm / frame.width)
    cosine = focal_mm / np.sqrt(focal_mm**2 + np.square(across) + np.square(down)[:, None])
    axial: Array = (depth * cosine).astype(np.float32)
    return axial
