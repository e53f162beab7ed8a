"""Curves for tests, and skia (an independent rasteriser) that draws the same ones."""

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.kernels.curve_picture import DrawnShape, prepare

#: Control points of a sixteenth of a circle: 4/3 · tan(a / 4); its radius is wrong by less than 1e-9.
_TANGENT = 4 / 3 * np.tan(np.pi / 32)


def polygon(*corners, outward=0.0, inward=0.0):
    """A closed line of corners."""
    points = np.zeros((len(corners), 8))
    points[:, :2], points[:, 6], points[:, 7] = corners, outward, inward
    return points


def ellipse(x, y, across, down, outward=0.0, inward=0.0):
    """An ellipse of 16 cubics."""
    angle = np.arange(16) * np.pi / 8
    way = np.column_stack([-np.sin(angle) * across, np.cos(angle) * down]) * _TANGENT
    at = np.column_stack([x + np.cos(angle) * across, y + np.sin(angle) * down])
    return np.hstack([at, -way, way, np.full((16, 1), outward), np.full((16, 1), inward)])


def scribble(seed, points, size, outward=0.0, inward=0.0):
    """A closed curve that crosses itself."""
    draw = np.random.default_rng(seed)
    at, tangents = draw.uniform(0.05, 0.95, (points, 2)) * size, draw.uniform(-0.4, 0.4, (points, 4)) * size
    return np.hstack([at, tangents, np.full((points, 1), outward), np.full((points, 1), inward)])


def smooth_blob(seed, points, x, y, radius, outward=0.0, inward=0.0):
    """A closed curve around a point, as an artist draws one."""
    draw = np.random.default_rng(seed)
    angle = np.arange(points) * 2 * np.pi / points
    far = radius * (1 + 0.3 * draw.uniform(-1, 1, points))
    at = np.column_stack([x + far * np.cos(angle), y + far * np.sin(angle)])
    way = (np.roll(at, -1, 0) - np.roll(at, 1, 0)) / 6
    return np.hstack([at, -way, way, np.full((points, 1), outward), np.full((points, 1), inward)])


def shape(points, mode="add", even_odd=False, opacity=1.0, starts=None):
    return DrawnShape(points, starts or (0, len(points)), mode, even_odd, opacity)


def matte(*shapes, size=64, matrix=None, window=None, shared=False):
    """The coverage of shapes at one time."""
    frame = window or Window.of_size(size, size)
    return prepare([(shapes, np.eye(3) if matrix is None else matrix)], frame, shared=shared).painted(frame)


def skia_path(points, even_odd=False, scale=1.0):
    skia = pytest.importorskip("skia", reason="needs libEGL and libGL", exc_type=ImportError)

    path = skia.Path()
    p = points * scale
    path.moveTo(*p[0, :2].tolist())
    for k in range(len(p)):
        j = (k + 1) % len(p)
        path.cubicTo(*(p[k, :2] + p[k, 4:6]).tolist(), *(p[j, :2] + p[j, 2:4]).tolist(), *p[j, :2].tolist())
    path.close()
    path.setFillType(skia.PathFillType.kEvenOdd if even_odd else skia.PathFillType.kWinding)
    return path


def drawn_by_skia(points, even_odd=False, size=64, fold=64):
    """Coverage counted on ``fold`` × ``fold`` samples a pixel, each inside or outside by skia."""
    skia = pytest.importorskip("skia", reason="needs libEGL and libGL", exc_type=ImportError)

    side = size * fold
    info = skia.ImageInfo.Make(side, side, skia.kAlpha_8_ColorType, skia.kPremul_AlphaType)
    surface = skia.Surface.MakeRaster(info)
    with surface as canvas:
        canvas.clear(0)
        canvas.drawPath(skia_path(points, even_odd, fold), skia.Paint(AntiAlias=False, Color=skia.ColorWHITE))
    samples = surface.makeImageSnapshot().toarray(colorType=skia.kAlpha_8_ColorType).squeeze()
    return (samples.reshape(size, fold, size, fold) > 0).mean((1, 3))
