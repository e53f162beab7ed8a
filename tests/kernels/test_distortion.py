"""The formula of a lens against OpenCV, there and back, and where it folds back."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.kernels.distortion import Distortion

#: In OpenCV's order. Its documentation, "Camera Calibration and 3D Reconstruction", says what each is.
ORDER = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6", "s1", "s2", "s3", "s4")
LENSES = {
    "barrel": (-0.28, 0.09, 0.0, 0.0, -0.015),
    "pincushion": (0.12, -0.02, 0.0, 0.0, 0.0),
    "moustache": (-0.18, 0.16, 0.0, 0.0, -0.03),
    "decentred": (-0.1, 0.02, 0.004, -0.003, 0.0),
    "rational": (0.4, -0.2, 0.001, 0.002, 0.03, 0.6, -0.1, 0.02),
    "thin prism": (0.3, 0.05, -0.001, 0.0005, 0.01, 0.5, 0.1, 0.0, 0.004, -0.001, -0.003, 0.002),
}
Y, X = np.mgrid[-0.45:0.45:23j, -0.8:0.8:41j]


def lens(name):
    return Distortion(**dict(zip(ORDER, LENSES[name], strict=False)))


def by_opencv(name, x, y):
    points = np.stack([x.ravel(), y.ravel(), np.ones(x.size)], axis=1)
    found = cv2.projectPoints(points, np.zeros(3), np.zeros(3), np.eye(3), np.array(LENSES[name]))[0]
    return found.reshape(*x.shape, 2).transpose(2, 0, 1)


@pytest.mark.parametrize("name", LENSES)
def test_points_are_distorted_as_by_opencv(name):
    there = lens(name).distort(X, Y)
    assert np.abs(np.stack([there.x, there.y]) - by_opencv(name, X, Y)).max() < 1e-14


@pytest.mark.parametrize("name", LENSES)
def test_points_are_straightened_as_by_opencv(name):
    u, v = by_opencv(name, X, Y)
    points = np.stack([u.ravel(), v.ravel()], axis=1)[:, None]
    precise = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-13)
    peer = cv2.undistortPoints(points, np.eye(3), np.array(LENSES[name]), criteria=precise).reshape(*X.shape, 2)
    there = lens(name).straighten(u, v)
    # A picture of 4000 pixels: far below a thousandth of one.
    assert np.abs(there.x - peer[..., 0]).max() * 4000 < 1e-4
    assert np.abs(there.y - peer[..., 1]).max() * 4000 < 1e-4
    assert np.abs(there.x - X).max() < 1e-10
    assert np.abs(there.y - Y).max() < 1e-10


@pytest.mark.parametrize("name", LENSES)
@pytest.mark.parametrize("way", ["distort", "straighten"])
def test_derivatives_are_those_of_the_map(name, way):
    map, small = getattr(lens(name), way), 1e-6
    x, y = 0.6 * X, 0.6 * Y
    here, right, left = map(x, y), map(x + small, y), map(x - small, y)
    below, above = map(x, y + small), map(x, y - small)
    for part, expected in (
        (here.xx, right.x - left.x),
        (here.yx, right.y - left.y),
        (here.xy, below.x - above.x),
        (here.yy, below.y - above.y),
    ):
        assert np.abs(part - expected / (2 * small)).max() < 1e-6


def test_a_barrel_folds_back_where_its_slope_ends():
    # r + k1 r³ is steepest at 1 + 3 k1 r² = 0.
    assert Distortion(k1=-0.3).limit == pytest.approx(np.sqrt(1 / 0.9), rel=1e-12)
    # 1 + 3 k1 s + 5 k2 s² = 0, by the formula for a square.
    k1, k2 = -0.3, 0.04
    expected = np.sqrt((-3 * k1 - np.sqrt(9 * k1 * k1 - 20 * k2)) / (10 * k2)) if 9 * k1 * k1 > 20 * k2 else np.inf
    assert Distortion(k1=k1, k2=k2).limit == pytest.approx(expected)
    # A rational one ends where what is below the line becomes 0, or before.
    assert Distortion(k4=-0.25).limit <= 2
    assert Distortion(k1=0.1).limit == np.inf
    assert Distortion().limit == np.inf
    # A slope that only touches 0 is no fold: (1 - s)² = 1 - 2 s + s².
    assert Distortion(k1=-2 / 3, k2=1 / 5).limit == np.inf


def test_nothing_is_mapped_beyond_a_fold():
    barrel = Distortion(k1=-0.3)
    x = np.linspace(0, 3, 400)
    there = barrel.distort(x, np.zeros_like(x))
    assert np.array_equal(np.isfinite(there.x), x < barrel.limit)
    end = float(barrel.radial(np.array(barrel.limit))[0])
    back = barrel.straighten(x, np.zeros_like(x))
    assert np.array_equal(np.isfinite(back.x), x < end)
    known = x < end
    assert np.abs(barrel.radial(back.x[known])[0] - x[known]).max() < 1e-10
    # Beside the fold, where a millionth of the distorted picture is a thousandth of the straight one.
    near = np.array([end * (1 - 1e-9)])
    assert barrel.straighten(near, np.zeros(1)).x < barrel.limit
    assert barrel.straighten(near, np.zeros(1)).x > barrel.limit * (1 - 1e-3)


small = st.floats(-0.3, 0.3, allow_subnormal=False)
tiny = st.floats(-0.01, 0.01, allow_subnormal=False)


@settings(max_examples=40)
@given(k=st.tuples(*[small] * 6), p=st.tuples(tiny, tiny), s=st.tuples(*[tiny] * 4))
def test_there_and_back(k, p, s):
    one = Distortion(k[0], k[1], k[2], *p, *k[3:], *s)
    x, y = X[::4, ::4] * 0.7, Y[::4, ::4] * 0.7
    there = one.distort(x, y)
    back = one.straighten(there.x, there.y)
    known = np.isfinite(back.x)
    # What comes back is what was sent, or another place that is sent to the same.
    again = one.distort(back.x[known], back.y[known])
    assert np.abs(again.x - there.x[known]).max(initial=0) < 1e-9
    assert np.abs(again.y - there.y[known]).max(initial=0) < 1e-9
    inside = np.hypot(x, y) < 0.8 * one.limit
    assert known[inside & np.isfinite(there.x)].all()


def test_a_point_has_its_place_whatever_else_is_asked_for():
    # Terms as large as these lead Newton's method astray, and which way must not depend on other points.
    lens = Distortion(k2=3156.9, p1=129.8, s2=-0.355)
    x, y = np.meshgrid(np.linspace(-0.54, 0.1, 40), np.linspace(-0.34, 0.07, 30))
    whole = lens.straighten(x, y)
    parts = [lens.straighten(x[k : k + 1], y[k : k + 1]) for k in range(len(x))]
    for k, part in enumerate(parts):
        for one, other in zip(part, whole, strict=True):
            np.testing.assert_array_equal(one[0], other[k])
