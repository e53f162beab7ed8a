"""The pinhole camera against OpenCV's projectPoints, and planes against points that lie on them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.errors import BadValueError
from stackcomp.kernels.pinhole import Camera

WIDTH, HEIGHT = 512, 288
SIZE = (WIDTH, HEIGHT)
few = settings(max_examples=15, deadline=None)


def camera(seed=0, *, shift=(0.0, 0.0), focal_length=35.0, gate=(36.0, 20.25)):
    """A camera a metre or so from the origin that looks at it, tilted by chance."""
    draw = np.random.default_rng(seed)
    position = draw.normal(size=3)
    position = position / np.linalg.norm(position) * draw.uniform(0.8, 1.5) + [0, 0, 0.1]
    forward = draw.normal(size=3) * 0.05 - position
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, draw.normal(size=3))
    right /= np.linalg.norm(right)
    to_world = np.eye(4)
    to_world[:3] = np.column_stack([right, np.cross(forward, right), forward, position])
    return Camera(to_world, focal_length, gate, shift)


def by_opencv(one, points, width=WIDTH, height=HEIGHT):
    """The same points by OpenCV, with its matrix written out from the definition of each number."""
    to_camera = np.linalg.inv(one.to_world)
    focal = one.focal_length / one.gate[0] * width
    middle = [width / 2 + one.shift[0] * width / one.gate[0], height / 2 + one.shift[1] * width / one.gate[0]]
    inner = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(to_camera[:3, :3])
    return cv2.projectPoints(np.asarray(points, np.float64), turn, to_camera[:3, 3], inner, None)[0][:, 0]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("shift", [(0.0, 0.0), (2.5, -1.25)])
def test_points_land_where_opencv_projects_them(seed, shift):
    one = camera(seed, shift=shift)
    points = np.random.default_rng(99).normal(scale=0.2, size=(50, 3))
    pixels, depth = one.project(points, WIDTH, HEIGHT)
    np.testing.assert_allclose(pixels, by_opencv(one, points), atol=1e-8)
    np.testing.assert_allclose(depth, (points - one.position) @ one.to_world[:3, 2], atol=1e-12)


def test_a_pixel_worked_out_by_hand():
    # A level camera at y = -2 that looks along y: right is x, down is -z. A point 0.1 right and 0.2 above the axis
    # at 2 metres: 35 mm / 36 mm * 512 px = 497.7778 px, so 24.8889 right of and 49.7778 above the middle.
    level = Camera(np.array([[1.0, 0, 0, 0], [0, 0, 1, -2], [0, -1, 0, 0], [0, 0, 0, 1]]), 35, (36, 20.25))
    pixels, depth = level.project([[0.1, 0, 0.2]], WIDTH, HEIGHT)
    np.testing.assert_allclose(pixels, [[256 + 24.888889, 144 - 49.777778]], atol=1e-6)
    assert depth.tolist() == [2.0]


def test_a_preview_has_the_same_pixels_at_its_scale():
    one = camera(3, shift=(1, 2))
    points = np.random.default_rng(4).normal(scale=0.1, size=(9, 3))
    whole, _ = one.project(points, WIDTH, HEIGHT)
    half, _ = one.project(points, WIDTH / 2, HEIGHT / 2)
    np.testing.assert_allclose(half, whole / 2, atol=1e-9)


def test_what_lies_behind_or_beside_the_camera_has_no_pixel():
    one = camera(1)
    behind = [one.position - one.to_world[:3, 2], one.position, one.position + one.to_world[:3, 0]]
    pixels, depth = one.project(behind, WIDTH, HEIGHT)
    assert np.isnan(pixels).all()
    assert (depth <= 1e-15).all()


def test_far_from_the_origin_the_last_digits_remain():
    far = np.array([4e5, -7e5, 300.0])
    near, moved = camera(2), camera(2)
    moved.to_world[:3, 3] += far
    points = np.random.default_rng(4).normal(scale=0.1, size=(9, 3))
    np.testing.assert_allclose(
        moved.project(points + far, WIDTH, HEIGHT)[0], near.project(points, WIDTH, HEIGHT)[0], atol=1e-6
    )


@few
@given(st.integers(0, 1000), st.floats(-50, 600), st.floats(-50, 300), st.floats(0.01, 1e4))
def test_the_way_back_to_the_world(seed, x, y, metres):
    one = camera(seed, shift=(0.5, -0.25))
    point = one.unproject([[x, y]], [metres], WIDTH, HEIGHT)
    pixels, depth = one.project(point, WIDTH, HEIGHT)
    np.testing.assert_allclose(depth, [metres], rtol=1e-9)
    np.testing.assert_allclose(pixels, [[x, y]], atol=1e-6)


def test_a_whole_plane_of_pixels_at_once():
    one = camera(5)
    grid = np.stack(np.meshgrid(np.arange(4) + 0.5, np.arange(3) + 0.5), axis=-1)
    points = one.unproject(grid, np.full((3, 4), 2.0), WIDTH, HEIGHT)
    assert points.shape == (3, 4, 3)
    np.testing.assert_allclose(one.project(points, WIDTH, HEIGHT)[0], grid.reshape(-1, 2), atol=1e-9)


@pytest.mark.parametrize("nothing", [0.0, -1.0, np.inf, np.nan])
def test_where_nothing_is_there_is_no_point(nothing):
    assert np.isnan(camera().unproject([[3, 4]], [nothing], WIDTH, HEIGHT)).all()


def on_plane(one, point, normal, count=60):
    """Points of a plane around one of it."""
    draw = np.random.default_rng(7)
    across = np.cross(normal, [0.3, 0.5, -0.8])
    along = np.cross(normal, across)
    return point + draw.normal(scale=0.15, size=(count, 2)) @ np.stack([across, along])


@pytest.mark.parametrize("normal", [(0, 0, 1), (0.3, -2, 0.5)])
@pytest.mark.parametrize("seed", range(4))
def test_the_homography_of_a_plane_moves_its_points(seed, normal):
    one, other = camera(seed, shift=(1, 0)), camera(seed + 100, focal_length=50.0)
    point = np.array([0.02, -0.05, 0.03])
    points = on_plane(one, point, np.array(normal, float))
    matrix = one.plane_homography(other, point, normal, SIZE, (300, 200))
    seen, depth = one.project(points, *SIZE)
    front = (depth > 0) & (other.project(points, 300, 200)[1] > 0)
    assert front.sum() > 10
    moved = np.column_stack([seen, np.ones(len(seen))])[front] @ matrix.T
    np.testing.assert_allclose(moved[:, :2] / moved[:, 2:], by_opencv(other, points[front], 300, 200), atol=1e-6)
    # The third coordinate is the quotient of depths.
    np.testing.assert_allclose(moved[:, 2], other.project(points[front], 300, 200)[1] / depth[front], rtol=1e-9)
    back = other.plane_homography(one, point, np.negative(normal), (300, 200), SIZE)
    np.testing.assert_allclose(back @ matrix, np.eye(3), atol=1e-9)


def test_where_a_plane_is_seen():
    # A level camera half a metre above the floor: the horizon is the middle row.
    level = Camera(np.array([[1.0, 0, 0, 0], [0, 0, 1, -2], [0, -1, 0, 0.5], [0, 0, 0, 1]]), 35, (36, 20.25))
    a, b, c = level.plane_seen([0, 0, 0], [0, 0, 1], SIZE)
    assert a == pytest.approx(0)
    assert b * 144 + c == pytest.approx(0)
    assert b * 100 + c < 0 < b * 200 + c
    points = level.unproject([[70.0, 200.0]], [1 / (b * 200 + c)], *SIZE)
    assert points[0, 2] == pytest.approx(0)


@pytest.mark.parametrize("other_side", [False, True])
def test_a_camera_in_the_plane_is_refused(other_side):
    one, inside = camera(1), camera(2)
    normal = np.cross(inside.position, [0.1, 0.2, 0.3])
    first, second = (one, inside) if other_side else (inside, one)
    with pytest.raises(BadValueError, match="stands in the plane"):
        first.plane_homography(second, [0, 0, 0], normal, SIZE)


@pytest.mark.parametrize("normal", [(0, 0, 0), (np.nan, 0, 1)])
def test_a_normal_without_a_direction_is_refused(normal):
    with pytest.raises(BadValueError, match="has no direction"):
        camera(1).plane_homography(camera(2), [0, 0, 0], normal, SIZE)
