"""Transforms fitted to points, against OpenCV and against transforms that are known."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.errors import BadValueError
from stackcomp.kernels.point_fit import apply, fit

CORNERS = np.array([[155.64, 170.02], [263.89, 189.03], [254.63, 241.77], [146.38, 222.75]])
TURNED = np.array([[150.2, 160.1], [270.7, 181.9], [249.9, 250.5], [139.3, 220.2]])


def test_one_point_moves():
    assert fit([[3, 4]], [[5, 3]]).tolist() == [[1, 0, 2], [0, 1, -1], [0, 0, 1]]


def test_two_points_turn_and_scale():
    # A quarter turn clockwise on a screen and twice the size: (1, 0) goes to (0, 2).
    found = fit([[0, 0], [1, 0]], [[10, 10], [10, 12]])
    np.testing.assert_allclose(found, [[0, -2, 10], [2, 0, 10], [0, 0, 1]], atol=1e-12)


def test_three_points_against_opencv():
    expected = cv2.getAffineTransform(CORNERS[:3].astype(np.float32), TURNED[:3].astype(np.float32))
    np.testing.assert_allclose(fit(CORNERS[:3], TURNED[:3])[:2], expected, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(apply(fit(CORNERS[:3], TURNED[:3]), CORNERS[:3]), TURNED[:3], atol=1e-10)


def test_four_points_against_opencv():
    expected = cv2.getPerspectiveTransform(CORNERS.astype(np.float32), TURNED.astype(np.float32))
    found = fit(CORNERS, TURNED)
    np.testing.assert_allclose(found, expected, rtol=1e-3, atol=1e-6)
    np.testing.assert_allclose(apply(found, CORNERS), TURNED, atol=1e-9)


@pytest.mark.parametrize("count", [5, 8, 40])
def test_many_points_against_opencv_to_the_least_reprojection_error(count):
    """cv2.findHomography without outlier search solves the same least squares, by its own code."""
    chance = np.random.default_rng(count)
    true = fit(CORNERS, TURNED)
    source = chance.uniform([100, 100], [400, 300], (count, 2))
    target = apply(true, source) + chance.normal(0, 0.3, (count, 2))
    found = fit(source, target)
    expected, _ = cv2.findHomography(source, target, 0)

    def error(homography):
        return float(np.sum((apply(homography, source) - target) ** 2))

    assert error(found) <= error(expected) * (1 + 1e-6)
    assert error(found) < error(true)
    np.testing.assert_allclose(apply(found, CORNERS), apply(expected, CORNERS), atol=2e-3)


@settings(max_examples=50)
@given(
    moved=st.lists(st.floats(-40, 40), min_size=8, max_size=8),
    origin=st.tuples(st.floats(-5000, 5000), st.floats(-5000, 5000)),
)
def test_four_corners_go_to_four_corners(moved, origin):
    source = np.array([[0, 0], [300, 0], [300, 200], [0, 200]]) + origin
    target = source + np.reshape(moved, (4, 2))
    np.testing.assert_allclose(apply(fit(source, target), source), target, atol=1e-6)


@settings(max_examples=50)
@given(st.integers(1, 9), st.integers(0, 2**32 - 1))
def test_the_order_of_points_does_not_matter(count, seed):
    chance = np.random.default_rng(seed)
    source = chance.uniform(0, 300, (count, 2))
    target = source + chance.normal(0, 0.5, (count, 2))
    order = chance.permutation(count)
    try:
        found = fit(source, target)
    except BadValueError:
        return  # points that chance put on one line
    again = fit(source[order], target[order])
    np.testing.assert_allclose(apply(again, source), apply(found, source), atol=1e-4)


@pytest.mark.parametrize(
    ("source", "target", "said"),
    [
        (np.zeros((0, 2)), np.zeros((0, 2)), "there is no point"),
        ([[0, 0], [np.nan, 1]], [[0, 0], [1, 1]], "not finite"),
        ([[5, 5], [5, 5]], [[0, 0], [1, 1]], r"the 2 points lie at one place, \(5.00, 5.00\)"),
        ([[0, 0], [1, 1]], [[7, 7], [7, 7]], "the 2 points lie at one place"),
        ([[0, 0], [10, 10], [20, 20.001]], [[0, 0], [1, 0], [0, 1]], "the 3 points lie on one line"),
        ([[0, 0], [1, 0], [0, 1]], [[0, 0], [10, 10], [20, 20]], "the 3 points lie on one line"),
        ([[0, 0], [9, 0], [18, 0], [27, 0.001]], TURNED, "the 4 points lie on one line"),
        ([[0, 0], [9, 0], [18, 0], [9, 9]], [[0, 0], [9, 0], [18, 0], [9, 9]], "all but one lie on one line"),
        ([[0, 0], [9, 0], [18, 0], [9, 9]], [[0, 0], [9, 0], [18, 3], [9, 9]], "cannot be inverted|horizon"),
        (CORNERS, TURNED[[0, 2, 1, 3]], "the horizon of the homography passes between the points"),
    ],
)
def test_points_that_determine_nothing(source, target, said):
    with pytest.raises(BadValueError, match=said):
        fit(source, target)


def test_a_surface_that_is_seen_in_a_mirror_can_be_followed():
    target = np.array([[300 - x, y] for x, y in CORNERS])
    np.testing.assert_allclose(apply(fit(CORNERS, target), CORNERS), target, atol=1e-9)


def test_arrays_of_other_shapes():
    with pytest.raises(ValueError, match="as many on both sides"):
        fit([[0, 0]], [[0, 0], [1, 1]])
