"""The set of the drawn scene: wall, bench, cord, and the stand-in rig."""

from __future__ import annotations

import numpy as np

from stackcomp.reference.drawing import Field, band, grid, mixed, noise, smooth, stroke

__all__ = ["BENCH_TOP", "FOOT", "bench_depth", "cord_cover", "drawn_set", "with_cord", "with_rig"]

#: Row at which the bench meets the wall, and the point on which the lantern stands.
BENCH_TOP = 108.0
FOOT = (146.0, 152.0)
_HORIZON = 30.0
_WALL_METRES = 2.4
_CORD = [(176.0, -6.0), (170.0, 30.0), (163.5, 70.0), (158.5, 108.0), (156.0, 140.0), (157.0, 190.0)]


def bench_depth(y: Field) -> Field:
    """Return metres from the camera to the bench or, above it, to the wall."""
    below = np.maximum(y - _HORIZON, 1.0)
    metres: Field = np.minimum(_WALL_METRES, _WALL_METRES * (BENCH_TOP - _HORIZON) / below)
    return metres


def _wall(x: Field, y: Field) -> Field:
    board = np.floor((x + 18) / 40)
    shade = 0.75 + 0.5 * noise(board * 7.3, board * 0, 11)
    veins = 0.82 + 0.36 * noise(x / 2.1, y / 38 + board * 5, 12)
    gaps = 1 - 0.75 * band(0, 1.1, (x + 18) % 40)
    paint = np.array([0.075, 0.115, 0.13])
    # Light from a window at the left: a falloff, and a slanted pane of sun with its bars.
    falloff = 0.35 + 1.0 * np.exp(-x / 150)
    across, down = x + 0.35 * y, y - 0.28 * x
    pane = (
        smooth(36, 39, across) * (1 - smooth(116, 119, across)) * smooth(2, 5, down) * (1 - smooth(62, 65, down))
    )
    pane = pane * (1 - smooth(73, 74.5, across) * (1 - smooth(79, 80.5, across)))
    pane = pane * (1 - smooth(31, 32.5, down) * (1 - smooth(36, 37.5, down)))
    light = falloff[..., None] + pane[..., None] * np.array([4.2, 3.5, 2.5])
    lit: Field = (shade * veins * gaps)[..., None] * paint * light * (0.55 + 0.45 * y / BENCH_TOP)[..., None]
    return lit


def _bench(x: Field, y: Field) -> Field:
    away = 1 / np.maximum(y - _HORIZON, 1.0)
    u, v = (x - 160) * away * 60, away * 900
    board = np.floor(v / 1.5)
    grain = noise(u * 0.45 + board * 9.7, v * 9, 21) * 0.6 + noise(u * 1.7, v * 31, 22) * 0.4
    knots = noise(u * 0.8 + board * 3, v * 1.6, 23)
    tone = 0.72 + 0.5 * noise(board * 5.1, board * 0, 24)
    gap = band(0, 0.05, v % 1.5)
    wood = mixed(np.broadcast_to((0.115, 0.062, 0.030), (*x.shape, 3)), (0.30, 0.185, 0.095), grain)
    wood = wood * (0.75 + 0.4 * knots)[..., None] * tone[..., None] * (1 - 0.8 * gap)[..., None]
    light = (0.45 + 1.35 * np.exp(-x / 210)) * (0.8 + 0.35 * (y - BENCH_TOP) / 72)
    lit: Field = wood * light[..., None] * np.array([1.08, 1.0, 0.9])
    return lit


def _rib(x: Field, y: Field, below: Field) -> Field:
    """Lay a boat's rib, a bent timber, over the wall at the right."""
    radius = np.hypot(x - 330, y - 128)
    across = (radius - 104) / 6.5
    cover = smooth(-1.03, -0.97, across) * (1 - smooth(0.97, 1.03, across)) * band(-50, BENCH_TOP, y)
    angle = np.arctan2(y - 128, x - 330)
    veins = 0.75 + 0.5 * noise(angle * 6, radius * 1.3, 31)
    light = (0.55 - 0.35 * across) * veins * (1 - 0.5 * smooth(250, 330, x))
    timber = light[..., None] * np.array([0.30, 0.185, 0.095])
    # Its shadow on the wall lies to the right of it.
    shaded = below * (1 - 0.55 * smooth(0.6, 1.0, across) * (1 - smooth(1.2, 3.4, across)))[..., None]
    laid: Field = mixed(shaded, (0.0, 0.0, 0.0), cover) + timber * cover[..., None]
    return laid


def drawn_set() -> Field:
    """Return the set without cord and rig, scene-linear ``(rows, columns, 3)`` of samples."""
    x, y = grid()
    wall = _rib(x, y, _wall(x, y))
    meeting = 1 - 0.6 * np.exp(-np.abs(y - BENCH_TOP) / 5)
    return mixed(wall, (0.0, 0.0, 0.0), (y >= BENCH_TOP).astype(np.float64)) * meeting[..., None] + (
        _bench(x, y) * ((y >= BENCH_TOP) * meeting)[..., None]
    )


def cord_cover() -> Field:
    """Return the coverage of the cord that hangs in front."""
    x, y = grid()
    across, _ = stroke(x, y, _CORD, 5.0)
    return (np.abs(across) <= 1).astype(np.float64)


def with_cord(below: Field) -> Field:
    """Return the picture with the cord in front."""
    x, y = grid()
    across, along = stroke(x, y, _CORD, 5.0)
    across = np.clip(across, -1, 1)
    twist = 0.55 + 0.45 * np.abs(np.sin(along * 0.75 + across * 1.2))
    lit = np.sqrt(np.maximum(1 - across**2, 0)) * 0.45 + 0.55 * np.clip(-across, 0, 1) + 0.12
    hemp = (twist * lit)[..., None] * np.array([0.62, 0.50, 0.32])
    cover = cord_cover()[..., None]
    laid: Field = below * (1 - cover) + hemp * cover
    return laid


def with_rig(below: Field) -> Field:
    """Return the picture with the crew's stand-in: a grey ball on a stick, where the lantern will be."""
    x, y = grid()
    foot_x, foot_y = FOOT
    shade = np.exp(-(((x - foot_x - 16) / 26) ** 2) - ((y - foot_y + 1) / 5) ** 2)
    picture = below * (1 - 0.7 * shade)[..., None]
    stick = band(-2.5, 2.5, x - foot_x) * band(96, foot_y, y)
    picture = mixed(picture, (0.42, 0.38, 0.30), stick * 0.999)
    plate = (((x - foot_x) / 15) ** 2 + ((y - foot_y) / 4) ** 2 <= 1).astype(np.float64)
    picture = mixed(picture, (0.05, 0.05, 0.055), plate)
    u, v = (x - foot_x) / 17, (y - 82) / 17
    ball = (u * u + v * v <= 1).astype(np.float64)
    depth = np.sqrt(np.maximum(1 - u * u - v * v, 0))
    light = 0.05 + 0.55 * np.clip(-0.62 * u - 0.45 * v + 0.64 * depth, 0, 1)
    return mixed(picture, light[..., None] * np.array([1.0, 0.98, 0.94]), ball)
