"""The lantern of the drawn scene: a brass body of revolution with a glass, its lamp and its shadow.

The outline is a radius for each height. Light is that of a window at the left, a warm reflection of the bench from
below, and a dim room, seen in the direction in which a polished surface reflects the view.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from stackcomp.reference.bench import BENCH_TOP, FOOT
from stackcomp.reference.drawing import FINE, Field, band, grid, smooth

__all__ = ["METRES", "PARTS", "Lantern", "drawn_lantern", "lamp_light", "shadow_ratio"]

#: Distance of the lantern's axis from the camera.
METRES = 1.53
PARTS = ("lantern_burner", "lantern_glass", "lantern_body", "lantern_guard", "lantern_handle")
"""Names of its parts."""
_METRES_PER_PIXEL = 0.0031

Outline = list[tuple[float, float]]

# Height above the foot and radius, in pixels.
_BODY: Outline = [(0, 27), (3, 28), (7, 27), (9, 20), (11, 19), (16, 23), (22, 25), (28, 23), (31, 20), (33, 19),
                  (34, 21), (36, 21), (37, 17.5)]  # fmt: skip
_GLASS: Outline = [(37, 16.5), (46, 20), (56, 21), (66, 19), (74, 16)]
_CAP: Outline = [(74, 20), (76, 21), (78, 20.5), (82, 16), (87, 11), (90, 9), (91, 11), (93, 11), (94, 8),
                 (100, 8), (101, 10), (104, 10), (106, 6), (107, 3)]  # fmt: skip


@dataclass(frozen=True)
class Lantern:
    """Premultiplied colour ``(rows, columns, 3)``, coverage, and metres (0 where there is nothing), of samples.

    ``part`` is the place of the foremost part in `PARTS`, counted from 1; 0 where there is none.
    """

    colour: Field
    alpha: Field
    depth: Field
    part: Field


def _window_light(nx: Field, ny: Field, nz: Field) -> Field:
    """Return what a polished surface with this normal reflects: window, room and bench."""
    # The view is (0, 0, -1): its reflection in a surface with normal n is 2 (n·v) n - v.
    rx, ry, rz = 2 * nz * nx, 2 * nz * ny, 2 * nz * nz - 1
    window = smooth(-0.98, -0.86, rx) * (1 - smooth(-0.62, -0.50, rx)) * smooth(-0.62, -0.45, -np.abs(ry))
    second = smooth(0.72, 0.80, rx) * (1 - smooth(0.88, 0.95, rx)) * (1 - smooth(0.2, 0.5, np.abs(ry)))
    sky = 0.5 - 0.5 * ry
    bench = smooth(0.05, 0.6, ry)
    room = (0.05 + 0.10 * sky)[..., None] * np.array([0.8, 0.95, 1.1])
    ahead = np.clip(rz, 0, 1)[..., None] * 0.10
    light: Field = (
        room
        + ahead
        + window[..., None] * np.array([3.4, 3.2, 2.9])
        + second[..., None] * np.array([0.55, 0.50, 0.42])
        + bench[..., None] * np.array([0.34, 0.20, 0.10])
    )
    return light


def _turned(outline: Outline, x: Field, y: Field) -> tuple[Field, Field, Field, Field, Field]:
    """Return where a turned part covers the samples, its normal, and how far it bulges to the camera."""
    heights, radii = np.array(outline, np.float64).T
    height = FOOT[1] - y
    # The rim of a part seen from slightly above is an ellipse.
    radius = np.interp(height, heights, radii)
    inside = (height >= heights[0]) & (height <= heights[-1])
    u = np.divide(x - FOOT[0], radius, out=np.full(x.shape, 2.0), where=inside)
    bulge = np.sqrt(np.maximum(1 - u * u, 0))
    sagged = height + 0.10 * radius * (bulge - 0.5)
    radius = np.interp(sagged, heights, radii)
    slope = (np.interp(sagged + 0.6, heights, radii) - np.interp(sagged - 0.6, heights, radii)) / 1.2
    u = np.divide(x - FOOT[0], radius, out=np.full(x.shape, 2.0), where=radius > 0)
    covered = (np.abs(u) <= 1) & (sagged >= heights[0]) & (sagged <= heights[-1])
    bulge = np.sqrt(np.maximum(1 - u * u, 0))
    length = np.sqrt(1 + slope * slope)
    return covered.astype(np.float64), u / length, slope / length, bulge / length, bulge * radius


def _brass(nx: Field, ny: Field, nz: Field) -> Field:
    facing = np.clip(nz, 0, 1)[..., None]
    metal = np.array([0.87, 0.62, 0.27])
    # Towards the edge metals reflect all colours alike.
    tone = metal + (1 - metal) * (1 - facing) ** 5
    dull = np.clip(-0.55 * nx - 0.5 * ny + 0.67 * nz, 0, 1)[..., None] * 0.16
    return tone * (_window_light(nx, ny, nz) + dull)


def _ring(x: Field, y: Field) -> tuple[Field, Field]:
    """Return coverage and colour of the ring at the top."""
    across = (np.hypot(x - FOOT[0], y - (FOOT[1] - 117)) - 11.5) / 1.9
    cover = (np.abs(across) <= 1).astype(np.float64)
    angle = np.arctan2(y - (FOOT[1] - 117), x - FOOT[0])
    side = np.clip(across, -1, 1)
    nz = np.sqrt(np.maximum(1 - side * side, 0))
    return cover, _brass(side * np.cos(angle), side * np.sin(angle), nz)


def _guard(x: Field, y: Field) -> tuple[Field, Field]:
    """Return coverage and colour of the bars and the hoop around the glass."""
    height = FOOT[1] - y
    bow = np.interp(height, *np.array([(36, 19.5), (56, 24), (75, 19.5)], np.float64).T)
    cover, nx, ny, nz = (np.zeros(x.shape) for _ in range(4))
    for place in (-1.0, -0.36, 0.36, 1.0):
        across = (x - FOOT[0] - place * bow) / 1.25
        here = (np.abs(across) <= 1) & (height >= 35) & (height <= 76)
        nx, cover = np.where(here, across, nx), np.where(here, 1.0, cover)
    across = (height - 56 + 0.06 * 23 * np.sqrt(np.maximum(1 - ((x - FOOT[0]) / 24) ** 2, 0))) / 1.4
    hoop = (np.abs(across) <= 1) & (np.abs(x - FOOT[0]) <= 24)
    nx, ny = np.where(hoop, (x - FOOT[0]) / 24 * 0.8, nx), np.where(hoop, -across * 0.6, ny)
    cover = np.where(hoop, 1.0, cover)
    nz = np.sqrt(np.maximum(1 - nx * nx - ny * ny, 0.02))
    return cover, _brass(nx, ny, nz)


def drawn_lantern() -> Lantern:
    """Return the lantern, its lamp not lit."""
    x, y = grid()
    colour, alpha, depth = np.zeros((*x.shape, 3)), np.zeros(x.shape), np.zeros(x.shape)
    foremost = np.zeros(x.shape)

    def lay(name: str, cover: Field, part: Field, bulge: Field | float) -> None:
        nonlocal colour, alpha, depth, foremost
        colour = colour * (1 - cover)[..., None] + part * cover[..., None]
        alpha = alpha * (1 - cover) + cover
        depth = np.where(cover > 0, METRES - bulge * _METRES_PER_PIXEL, depth)
        foremost = np.where(cover > 0, PARTS.index(name) + 1, foremost)

    height = FOOT[1] - y
    burner = band(37, 47, height) * (np.abs(x - FOOT[0]) <= 6)
    lay(
        "lantern_burner",
        burner,
        _brass((x - FOOT[0]) / 7, np.zeros(x.shape), np.sqrt(np.maximum(1 - ((x - FOOT[0]) / 7) ** 2, 0))),
        0,
    )
    covered, nx, ny, nz, bulge = _turned(_GLASS, x, y)
    # Glass reflects little where it faces the camera, and more towards its edge.
    share = covered * (0.10 + 0.75 * (1 - np.clip(nz, 0, 1)) ** 3)
    glass = _window_light(nx, ny, nz) * np.array([0.92, 1.0, 0.98])
    colour = colour * (1 - share)[..., None] + (glass * (0.06 + share * 0.5)[..., None]) * covered[..., None]
    alpha = alpha * (1 - share) + share
    depth = np.where((covered > 0) & (depth == 0), METRES - bulge * _METRES_PER_PIXEL, depth)
    foremost = np.where(covered > 0, PARTS.index("lantern_glass") + 1, foremost)
    for outline in (_BODY, _CAP):
        covered, nx, ny, nz, bulge = _turned(outline, x, y)
        lay("lantern_body", covered, _brass(nx, ny, nz), bulge)
    lay("lantern_guard", *_guard(x, y), 24.0)
    lay("lantern_handle", *_ring(x, y), 0.0)
    return Lantern(colour, alpha, depth, foremost)


def lamp_light() -> Field:
    """Return the light of the flame and its shine in the glass, without coverage."""
    x, y = grid()
    height = FOOT[1] - y - 47
    width = np.interp(height, *np.array([(0, 3.4), (5, 4.6), (10, 3.4), (16, 0.9), (19, 0.05)], np.float64).T)
    core = np.clip(1 - ((x - FOOT[0]) / np.maximum(width, 0.05)) ** 2, 0, 1) * band(0, 19, height)
    warm = np.array([1.0, 0.52, 0.15])
    flame = core[..., None] * (9.0 * warm + (core**2)[..., None] * np.array([6.0, 5.0, 3.0]))
    covered, *_ = _turned(_GLASS, x, y)
    around = np.exp(-(((x - FOOT[0]) / 15) ** 2) - ((height - 8) / 17) ** 2) * covered
    light: Field = flame + around[..., None] * warm * 0.32
    return light


def shadow_ratio(lantern: Lantern) -> Field:
    """Return what the lantern leaves of the light of the set, for each channel."""
    x, y = grid()
    foot_x, foot_y = FOOT
    # A point at a height throws its shadow to the right, and somewhat away from the camera.
    height = (x - foot_x) / 1.2
    across = (y - foot_y + 0.10 * np.maximum(height, 0)) / 0.42
    column = np.clip((foot_x + across) * FINE - 0.5, 0, x.shape[1] - 1)
    row = np.clip((foot_y - np.maximum(height, 0)) * FINE - 0.5, 0, x.shape[0] - 1)
    # The foot is round, so its own half towards the light covers the bench as well.
    cover = ndimage.map_coordinates(lantern.alpha, [row, column], order=1) * smooth(-4, 18, x - foot_x)
    soft = ndimage.gaussian_filter(cover, 1.5 * FINE)
    softer = ndimage.gaussian_filter(cover, 5.0 * FINE)
    far = smooth(0, 110, height)
    core = (soft * (1 - far) + softer * far) * (1 - 0.2 * far)
    under = np.exp(-(np.maximum(np.hypot((x - foot_x) / 30, (y - foot_y) / 8.5) - 0.9, 0) ** 2) * 14)
    dark = (1 - (1 - 0.80 * core) * (1 - 0.62 * under)) * (y >= BENCH_TOP)
    ratio: Field = 1 - dark[..., None] * np.array([1.0, 0.95, 0.87])
    return ratio
