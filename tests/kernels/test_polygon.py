"""Coverage of pixels by polygons against clipping each pixel, fine sampling, and known areas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.data.window import Window
from stackcomp.kernels.polygon import polygon_coverage

FRAME = Window(0, 0, 20, 16)
STAR = [(3.3, 2.1), (9.7, 6.2), (17.8, 1.4), (12.6, 8.8), (15.1, 14.7), (8.2, 10.3), (1.6, 13.9), (5.4, 7.5)]


def clipped_area(points, x, y):
    """Area of a polygon within one pixel: Sutherland and Hodgman's clipping, then the shoelace formula."""
    for axis, limit, keep in ((0, x, 1), (0, x + 1, -1), (1, y, 1), (1, y + 1, -1)):
        inside = [keep * (point[axis] - limit) >= 0 for point in points]
        result = []
        for k, point in enumerate(points):
            before = points[k - 1]
            if inside[k] != inside[k - 1]:
                part = (limit - before[axis]) / (point[axis] - before[axis])
                result.append(tuple(a + part * (b - a) for a, b in zip(before, point, strict=True)))
            if inside[k]:
                result.append(point)
        points = result
    area = sum(points[k - 1][0] * point[1] - point[0] * points[k - 1][1] for k, point in enumerate(points))
    return abs(area) / 2


@pytest.mark.parametrize("way", [1, -1])
def test_agrees_with_clipping_every_pixel(way):
    wanted = [[clipped_area(STAR, x, y) for x in range(20)] for y in range(16)]
    assert polygon_coverage(STAR[::way], FRAME) == pytest.approx(np.array(wanted), abs=1e-6)


def test_agrees_with_fine_sampling():
    fine = 16
    at = (np.arange(20 * fine) + 0.5) / fine
    x, y = np.meshgrid(at, at[: 16 * fine])
    inside = np.zeros(x.shape, bool)
    for (x0, y0), (x1, y1) in zip(STAR, STAR[1:] + STAR[:1], strict=True):
        inside ^= ((y0 <= y) != (y1 <= y)) & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    sampled = inside.reshape(16, fine, 20, fine).mean(axis=(1, 3))
    result = polygon_coverage(STAR, FRAME)
    # A regular grid of 16 × 16 samples is itself off by up to half a sample's row, 1/32, in a pixel.
    assert np.abs(result - sampled).max() < 1 / 32
    assert np.sqrt(np.mean((result - sampled) ** 2)) < 1 / 255


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-8, 28), st.floats(-8, 24)), min_size=3, max_size=3),
    st.integers(-6, 6),
    st.integers(-6, 6),
)
def test_triangles_anywhere_have_their_area(corners, x, y):
    window = Window(-40, -40, 60, 60)
    (x0, y0), (x1, y1), (x2, y2) = corners
    area = abs((x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)) / 2
    whole = polygon_coverage(corners, window)
    assert whole.astype(np.float64).sum() == pytest.approx(area, rel=1e-6, abs=1e-5)
    # A part of the window gives the same pixels.
    part = Window(x, y, x + 15, y + 9)
    assert polygon_coverage(corners, part) == pytest.approx(whole[part.slices_in(window)], abs=1e-6)


@pytest.mark.parametrize("height", [5e-324, 1e-310, 1e-300, 1e-17])
@pytest.mark.parametrize("x", [1.0, 1e6, 1e300, -1e300])
def test_an_edge_that_is_all_but_level_is_no_fault(height, x):
    corners = [(0.0, 0.0), (0.0, height), (x, 0.0)]
    assert not polygon_coverage(corners, Window(-3, -3, 5, 5)).any()


def test_hand_worked_pixels():
    square = [(1, 1), (3, 1), (3, 3), (1, 3)]
    wanted = np.zeros((4, 4))
    wanted[1:3, 1:3] = 1
    assert np.array_equal(polygon_coverage(square, Window(0, 0, 4, 4)), wanted)
    halves = polygon_coverage([(0.5, 0), (2, 0), (2, 1), (0.5, 1)], Window(0, 0, 3, 1))
    assert np.array_equal(halves, [[0.5, 1, 0]])
    corner = polygon_coverage([(0, 0), (1, 0), (0, 1)], Window(0, 0, 2, 1))
    assert np.array_equal(corner, [[0.5, 0]])


def test_a_polygon_larger_than_the_window_covers_it():
    all_over = [(-1e6, -1e6), (1e6, -1e6), (1e6, 1e6), (-1e6, 1e6)]
    assert np.all(polygon_coverage(all_over, FRAME) == 1)
    beside = [(30, 0), (40, 0), (40, 10), (30, 10)]
    assert np.all(polygon_coverage(beside, FRAME) == 0)


def test_fewer_than_three_corners_cover_nothing():
    for points in ([], [(1, 1)], [(1, 1), (9, 9)], [(1, 1), (9, 9), (5, 5)]):
        assert np.all(polygon_coverage(points, FRAME) == 0)


@pytest.mark.parametrize("points", [[(0, 0, 0)] * 3, [0, 1, 2], [(0, 0), (1, np.nan), (2, 2)]])
def test_wrong_points_raise_value_errors(points):
    with pytest.raises(ValueError, match="polygon"):
        polygon_coverage(points, FRAME)
