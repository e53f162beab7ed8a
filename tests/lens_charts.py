"""Pictures of a checkerboard through a lens, rendered from the formula of OpenCV's documentation in float64."""

from __future__ import annotations

import cv2
import numpy as np

#: Squares of the board, across and down; it has one inner corner less each way.
SQUARES = (10, 7)
#: Where boards stand: turns in degrees about x, y and z, and the middle of the board in squares of it, from the
#: camera.
POSES = (
    ((0, 0, 0), (0, 0, 11)),
    ((35, 5, 3), (-1, 0.5, 12)),
    ((-35, 0, -6), (1, -1, 12)),
    ((8, 40, 4), (1, 0.6, 13)),
    ((5, -40, -3), (-1, 0, 13)),
    ((20, 20, 10), (-4.6, -1.8, 17)),
    ((-20, 20, 0), (4.2, -1.8, 17)),
    ((15, -25, 5), (-4.6, 1.6, 17)),
    ((-20, -15, -8), (4.6, 1.6, 17)),
)
#: How wide an edge is, in pixels: a sharp lens and the pixels themselves.
_EDGE = 1.6


def inner(focal, centre):
    """OpenCV's camera matrix of a centre in pixels with centres at half pixels."""
    return np.array([[focal, 0, centre[0] - 0.5], [0, focal, centre[1] - 0.5], [0, 0, 1.0]])


def rays_of(size, focal, centre, coefficients):
    """Directions of the centres of all pixels of a picture, ``(n, 3)``.

    Args:
        size: width and height in pixels.
        focal: focal length in pixels.
        centre: in pixels with centres at half pixels.
        coefficients: in OpenCV's order, as many as it takes.
    """
    at = np.meshgrid(*(np.arange(side, dtype=np.float64) for side in size))
    points = np.stack([part.ravel() for part in at], axis=1)[:, None]
    precise = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 1e-9)
    found = cv2.undistortPoints(points, inner(focal, centre), np.array(coefficients, np.float64), criteria=precise)
    return np.concatenate([found[:, 0], np.ones((len(points), 1))], axis=1)


def stance(pose):
    """Rotation and translation of the board; its first inner corner is at one square right and down."""
    turn = np.eye(3)
    for axis, degrees in zip(np.eye(3), pose[0], strict=True):
        turn = cv2.Rodrigues(axis * np.radians(degrees))[0] @ turn
    return turn, np.array(pose[1], np.float64) - turn @ (np.array([*SQUARES, 0]) / 2)


def corners_at(focal, centre, coefficients, pose):
    """Where the inner corners are seen, in pixels with centres at half pixels."""
    turn, moved = stance(pose)
    points = np.zeros(((SQUARES[0] - 1) * (SQUARES[1] - 1), 3))
    points[:, :2] = np.mgrid[1 : SQUARES[0], 1 : SQUARES[1]].T.reshape(-1, 2)
    vector = cv2.Rodrigues(turn)[0]
    seen = cv2.projectPoints(points, vector, moved, inner(focal, centre), np.array(coefficients, np.float64))
    return seen[0].reshape(-1, 2) + 0.5


def rendered(size, rays, pose):
    """A board in light from 0.05 to 0.8, on grey, with straight ramps for edges: float32 ``(height, width)``."""
    turn, moved = stance(pose)
    distance = (turn[:, 2] @ moved) / (rays @ turn[:, 2])
    x, y, _ = ((rays * distance[:, None] - moved) @ turn).T.reshape(3, size[1], size[0])
    wide_x, wide_y = (_EDGE * np.hypot(*np.gradient(part)) for part in (x, y))
    # From 0 outside of a rectangle to 1 inside.
    margin = _inside(x, wide_x, -1, SQUARES[0] + 1) * _inside(y, wide_y, -1, SQUARES[1] + 1)
    board = _inside(x, wide_x, 0, SQUARES[0]) * _inside(y, wide_y, 0, SQUARES[1])
    dark = 0.5 + 0.5 * _stripes(x, wide_x) * _stripes(y, wide_y)
    light = 0.3 + margin * (0.5 - 0.75 * board * dark)
    return light.astype(np.float32)


def _inside(x, wide, first, last):
    return np.clip(np.minimum(x - first, last - x) / wide + 0.5, 0, 1)


def _stripes(x, wide):
    """1 from 0 to 1, -1 from 1 to 2, and so on."""
    line = np.rint(x)
    return np.where(line % 2 == 0, 1, -1) * np.clip(2 * (x - line) / wide, -1, 1)
