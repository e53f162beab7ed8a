"""Feathers, held against distances of scipy."""

from itertools import pairwise

import numpy as np
import pytest
from drawn_curves import ellipse, matte, polygon, scribble, shape, smooth_blob
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree

from stackcomp.data.window import Window
from stackcomp.kernels.curve_flatten import flatten

SIZE = 160
BOX = np.array([0, 0, SIZE, SIZE], float)


def smooth_step(t):
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def distances(points):
    """Distance of each pixel's centre to a curve, by scipy's tree over points 0.02 pixels apart."""
    line, _ = flatten(points, np.array([0, len(points)]), True, np.eye(3), BOX, 1e-4)
    ends = np.roll(line, -1, axis=0)
    some = []
    for a, b in zip(line[:, :2], ends[:, :2], strict=True):
        count = max(1, int(np.hypot(*(b - a)) / 0.02))
        some.append(a + (b - a) * np.arange(count)[:, None] / count)
    y, x = np.mgrid[:SIZE, :SIZE] + 0.5
    return cKDTree(np.concatenate(some)).query(np.column_stack([x.ravel(), y.ravel()]))[0].reshape(SIZE, SIZE)


@pytest.mark.parametrize(
    ("outward", "inward", "tolerance"), [(8, 4, 0.02), (0, 20, 0.02), (16, 0, 0.02), (3, 0, 0.03)]
)
def test_a_feather_is_a_smooth_step_of_the_distance(outward, inward, tolerance):
    points = smooth_blob(3, 24, 80, 80, 45)
    sharp = matte(shape(points), size=SIZE)
    points[:, 6], points[:, 7] = outward, inward
    far = distances(points)
    inside = np.where(sharp >= 0.5, far, -far)
    expected = smooth_step((inside + outward) / (outward + inward))
    # A pixel is the mean over its area, which differs from its middle where a feather is narrow.
    np.testing.assert_allclose(matte(shape(points), size=SIZE), expected, atol=tolerance)


def test_a_square_against_the_exact_transform():
    # Corners at corners of pixels: half a pixel less than scipy's distance between middles is that to the edge.
    square = polygon((40, 40), (120, 40), (120, 120), (40, 120), outward=20)
    mask = np.zeros((SIZE, SIZE), bool)
    mask[40:120, 40:120] = True
    beside = np.zeros_like(mask)
    beside[50:110, :] = beside[:, 50:110] = True
    far = distance_transform_edt(~mask) - 0.5
    got = matte(shape(square), size=SIZE)
    # The mean of a smooth step over a pixel differs from its middle by S'' / 24, at most 6 / 20² / 24.
    np.testing.assert_allclose(got[beside], np.where(mask, 1, smooth_step(1 - far / 20))[beside], atol=1e-3)


def test_without_a_width_the_edge_is_as_exact_as_without_a_feather():
    points = smooth_blob(4, 12, 80, 80, 45)
    sharp = matte(shape(points), size=SIZE)
    # Half of the points have a feather, the others none.
    points[:6, 6:] = 12, 5
    got = matte(shape(points), size=SIZE)
    line, _ = flatten(points, np.array([0, 12]), True, np.eye(3), BOX, 1e-3)
    soft = line[line[:, 2] > 0][:, :2]
    y, x = np.mgrid[:SIZE, :SIZE] + 0.5
    far = cKDTree(soft).query(np.column_stack([x.ravel(), y.ravel()]))[0].reshape(SIZE, SIZE)
    np.testing.assert_array_equal(got[far > 16], sharp[far > 16])
    assert np.abs(got - sharp).max() > 0.4


def test_a_feather_that_vanishes_ends_in_the_plain_edge():
    points = ellipse(80.3, 79.6, 40.2, 33.7)
    sharp = matte(shape(points), size=SIZE)
    worst = []
    for width in (1, 0.3, 0.1, 0.01, 1e-4):
        points[:, 6:] = width
        worst.append(np.abs(matte(shape(points), size=SIZE) - sharp).max())
    assert all(a >= b for a, b in pairwise(worst))
    assert worst[-2] < 0.02
    assert worst[-1] == 0


def test_widths_change_evenly_along_the_curve():
    # From 0 at the left to 20 at the right, along a straight top edge.
    points = polygon((20, 80), (140, 80), (140, 150), (20, 150))
    points[:, 6] = 0, 20, 20, 0
    column = matte(shape(points), size=SIZE)[:, 80]
    # A place beside the nearest one reaches farther: the contour of 0 is tangent to all circles of those radii.
    slope = np.arcsin(20 / 120)
    reach = (80 - 20 + 0.5) * np.tan(slope)
    assert np.argmax(column > 0) == pytest.approx(80 - reach, abs=1)


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 99),
    st.floats(0, 12),
    st.floats(0, 12),
    st.floats(0, 6),
    st.booleans(),
)
def test_wider_outward_covers_more_and_inward_less(seed, outward, inward, more, crossing):
    def area(a, b):
        drawn = scribble(seed, 5, 60, a, b) if crossing else smooth_blob(seed, 8, 30, 30, 15, a, b)
        return matte(shape(drawn), size=60).sum(dtype=np.float64)

    assert area(outward + more, inward) >= area(outward, inward) - 0.5
    assert area(outward, inward + more) <= area(outward, inward) + 0.5


def test_a_homography_scales_the_feather_with_the_shape():
    points = ellipse(20, 20, 10, 8, outward=3, inward=1)
    twice = np.diag([2.0, 2.0, 1.0])
    large = ellipse(40, 40, 20, 16, outward=6, inward=2)
    got = matte(shape(points), size=80, matrix=twice)
    np.testing.assert_allclose(got, matte(shape(large), size=80), atol=1e-5)


def test_perspective_moves_each_point():
    size = 96
    matrix = np.array([[0.9, 0.2, 5], [-0.1, 1.1, 8], [0.002, 0.003, 1]])
    points = ellipse(40, 40, 25, 18)
    line, _ = flatten(points, np.array([0, 16]), True, np.eye(3), BOX, 1e-4)
    x, y, w = matrix @ np.vstack([line[:, :2].T, np.ones(len(line))])
    moved = polygon(*np.column_stack([x / w, y / w]))
    np.testing.assert_allclose(
        matte(shape(points), size=size, matrix=matrix), matte(shape(moved), size=size), atol=1 / 255
    )


def test_what_lies_behind_the_horizon_is_cut_off():
    # A road to the horizon at y = 20: what is nearer than the camera maps to the other side of it.
    matrix = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0.05, 0.2]])
    points = polygon((10, -60), (50, -60), (50, 40), (10, 40))
    got = matte(shape(points), size=64, matrix=matrix)
    y, x = np.mgrid[:64, :64] + 0.5
    back = np.linalg.inv(matrix) @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    u, v = (back[:2] / back[2]).reshape(2, 64, 64)
    seen = (back[2].reshape(64, 64) > 0) & (u > 10) & (u < 50) & (v > -4) & (v < 40)
    assert np.mean(np.abs(got - seen) > 0.5) < 0.02


def test_bounds_hold_what_is_covered():
    points = smooth_blob(9, 9, 30, 30, 14, outward=7)
    frame = Window.of_size(60, 60)
    from stackcomp.kernels.curve_picture import prepare

    picture = prepare([([shape(points)], np.eye(3))], frame.grow(40))
    around = picture.painted(frame.grow(40))
    assert picture.painted(picture.window).sum(dtype=np.float64) == around.sum(dtype=np.float64)
    assert picture.window.width < 60


def test_lines_inside_of_what_is_covered_have_no_feather():
    # A band that crosses itself at right angles: where it lies on itself nothing is a border.
    across = ((20, 60), (120, 60), (120, 140), (60, 140), (60, 20))
    loop = polygon(*across, (80, 20), (80, 120), (100, 120), (100, 80), (20, 80))
    sharp = matte(shape(loop), size=SIZE)
    loop[:, 6:] = 0, 6
    soft = matte(shape(loop), size=SIZE)
    far = distance_transform_edt(sharp >= 0.5) - 0.5
    np.testing.assert_array_equal(soft[far > 7], 1)
    assert far.max() > 9
    expected = np.where(sharp >= 0.5, smooth_step(far / 6), 0)
    assert np.mean(np.abs(soft - expected)) < 0.005
    odd = matte(shape(loop, even_odd=True), size=SIZE)
    assert odd[70, 70] == 0
    assert soft[70, 70] == 1


@pytest.mark.parametrize("turn", [1, -1])
def test_the_way_round_does_not_matter(turn):
    points = smooth_blob(6, 9, 80, 80, 40)
    points[:, 6], points[:, 7] = 9, 3
    turned = points[::-1][:, [0, 1, 4, 5, 2, 3, 6, 7]] if turn < 0 else points
    np.testing.assert_allclose(matte(shape(turned), size=SIZE), matte(shape(points), size=SIZE), atol=0.01)


def test_a_hole_feathers_to_its_own_inside():
    hole = ellipse(80, 80, 25, 25, 0, 8)[::-1][:, [0, 1, 4, 5, 2, 3, 6, 7]]
    ring = np.vstack([ellipse(80, 80, 60, 60, 0, 8), hole])
    got = matte(shape(ring, starts=(0, 16, 32)), size=SIZE)
    middle = np.hypot(*(np.mgrid[:SIZE, :SIZE] + 0.5 - 80))
    inside = np.minimum(60 - middle, middle - 25)
    np.testing.assert_allclose(got, smooth_step(np.maximum(inside, 0) / 8), atol=0.02)
