"""depth_matte: steps by hand, scipy's interpolation of the same steps, and where nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from one_node import render_node as render
from scipy.interpolate import CubicHermiteSpline

from stackcomp import CheckError, Depth, DocumentError, Image, Window


def depth(values, **more):
    return Image.from_array(np.atleast_2d(np.float32(values)), type=Depth(), **more)


def matte(image, **fields):
    return render("depth_matte", {"z": image}, depth="z", **fields)


def test_between_two_distances():
    got = matte(depth([0.5, 1, 2, 3, 4, 10000]), near=0.8, far=3)["A"][0]
    assert got.tolist() == [0, 1, 1, 1, 0, 0]
    # A card that stands at both limits, and the next floats.
    around = np.nextafter(np.float32(2), np.float32([0, 2, 9]))
    assert matte(depth(around), near=2, far=2)["A"][0].tolist() == [0, 1, 0]
    assert matte(depth(around), near=2)["A"][0].tolist() == [0, 1, 1]
    assert matte(depth(around), far=2)["A"][0].tolist() == [1, 1, 0]


def test_steps_are_hermite_polynomials():
    metres = np.linspace(0.1, 6, 60)
    up = CubicHermiteSpline([1, 3], [0, 1], [0, 0])
    wanted = np.where(metres < 1, 0, np.where(metres > 3, 1, up(metres)))
    got = matte(depth(metres), near=2, near_softness=2)["A"][0]
    np.testing.assert_allclose(got, wanted, atol=1e-6)
    np.testing.assert_allclose(matte(depth(metres), far=2, far_softness=2)["A"][0], 1 - wanted, atol=1e-6)


@pytest.mark.parametrize("nothing", [0, 1])
def test_where_nothing_is(nothing):
    values = [0, -1, -0.0, np.inf, -np.inf, np.nan, 2]
    got = matte(depth(values), near=1, nothing=nothing)["A"][0]
    assert got.tolist() == [nothing] * 6 + [1]
    assert matte(depth(values), far=1, nothing=nothing)["A"][0].tolist() == [nothing] * 6 + [0]


def test_nothing_reaches_as_far_as_the_frame():
    frame = Window.of_size(6, 4)
    small = depth(np.full((2, 3), 5.0), origin=(2, 1), display=frame)
    sky = matte(small, near=6, nothing=1)
    assert sky.window == frame
    assert sky["A"].sum() == 24 - 6
    assert matte(small, near=1).over(frame)["A"].sum() == 6


def test_distances_are_not_scaled_in_a_preview():
    image = depth(np.full((4, 6), 2.0))
    assert matte(image, near=2, near_softness=1)["A"][0, 0] == 0.5
    assert matte(image, near=2, near_softness=1, at=0.5)["A"][0, 0] == 0.5


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, 'neither "near" nor "far"'),
        ({"near": 3, "far": 2}, 'a "near" of 3 above its "far" of 2'),
        ({"near": -1}, "near"),
        ({"near": 1, "nothing": 2}, "choose from 0, 1"),
    ],
)
def test_what_makes_no_sense(fields, said):
    with pytest.raises(DocumentError, match=said):
        matte(depth([1]), **fields)


def test_keys_that_cross():
    keys = {"keys": [[1, 1], [3, 5]], "between": "linear"}
    with pytest.raises(CheckError, match=r'a "near" of 1 above its "far" of 0.5'):
        matte(depth([1]), near=keys, far=0.5)
