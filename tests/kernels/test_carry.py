"""Colour carried in a direction: against float64, scipy's rotation, and the moments of a random walk."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from stackcomp.kernels.carry import carry


def square(height=61, width=81, at=(25, 35), side=11):
    weight = np.zeros((height, width), np.float32)
    weight[at[0] : at[0] + side, at[1] : at[1] + side] = 1
    plane = np.random.default_rng(1).random(weight.shape).astype(np.float32)
    return plane * weight, weight


def downward(plane, weight, variance):
    """The module's text for 90 degrees, row by row in float64."""
    taps = [variance / 2, 1 - variance, variance / 2]
    colour, share, way = (np.zeros(plane.shape) for _ in range(3))
    width = plane.shape[1]
    before = [np.zeros(width + 2) for _ in range(3)]
    for y, (own, known) in enumerate(zip(plane, weight, strict=True)):
        light, amount, far = (sum(t * row[k : k + width] for k, t in enumerate(taps)) for row in before)
        far += amount
        there = amount > 1e-6
        held = np.where(amount > 0, amount, 1)
        more = np.maximum(amount - known, 0)
        colour[y], way[y] = np.where(there, light / held, 0), np.where(there, far / held, 0)
        share[y] = there * more / np.where(known < 1, 1 - known, 1)
        before = [
            np.pad(row, 1, mode="edge")
            for row in (own + more * light / held, np.maximum(known, amount), more * far / held)
        ]
    return colour, share, way


def test_the_same_equations_in_float64():
    plane, weight = square()
    weight *= np.random.default_rng(2).random(weight.shape).astype(np.float32)
    plane *= weight
    (colour,), amount, way = carry([plane], weight, 90)
    expected = downward(np.float64(plane), np.float64(weight), 0.25)
    for got, wanted in zip((colour, amount, way), expected, strict=True):
        np.testing.assert_allclose(got, wanted, rtol=1e-4, atol=2e-6)


@pytest.mark.parametrize("turns", [1, 2, 3])
@pytest.mark.parametrize("degrees", [0, 20, -75])
def test_a_turned_picture_is_carried_alike(turns, degrees):
    plane, weight = square()
    straight = carry([plane], weight, degrees)
    turned = carry([np.rot90(plane, turns)], np.rot90(weight, turns), degrees - 90 * turns)
    for mine, other in zip((*straight[0], *straight[1:]), (*turned[0], *turned[1:]), strict=True):
        np.testing.assert_allclose(np.rot90(mine, turns), other, rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("degrees", [90, 60, 45, 100.5, -90, -130, 0, 10, 30, 180, 205])
def test_a_point_goes_where_the_direction_says(degrees):
    weight = np.zeros((201, 201), np.float32)
    weight[100, 100] = 1
    _, amount, way = carry([weight], weight, degrees)
    turn = math.radians(degrees)
    across, down = math.cos(turn), math.sin(turn)
    flat = abs(across) > abs(down) + 1e-9
    steps = 80
    line = 100 + int(math.copysign(steps, across if flat else down))
    profile, ways = (plane[:, line] if flat else plane[line] for plane in (amount, way))
    at = np.arange(201) - 100
    mean = (at * profile).sum() / profile.sum()
    # The mean moves along the line; the variance is that of independent steps.
    assert mean == pytest.approx(steps * (down / abs(across) if flat else across / abs(down)), abs=0.01)
    slope = (down if flat else across) / (abs(across) if flat else abs(down))
    rest = abs(slope - round(slope))
    assert ((at - mean) ** 2 * profile).sum() / profile.sum() == pytest.approx(
        steps * max(0.25, rest * (1 - rest)), rel=0.01
    )
    assert profile.sum() == pytest.approx(1, abs=1e-3)
    assert ways[np.argmax(profile)] == pytest.approx(steps * math.hypot(1, slope), rel=1e-4)


def test_it_spreads_as_a_normal_distribution():
    """scipy's normal distribution with a variance of a quarter of the way."""
    weight = np.zeros((150, 101), np.float32)
    weight[0, 50] = 1
    _, amount, _ = carry([weight], weight, 90)
    expected = stats.norm.pdf(np.arange(101), 50, math.sqrt(0.25 * 144))
    np.testing.assert_allclose(amount[144], expected, atol=1e-4)


def test_one_colour_stays_that_colour_and_what_is_known_stops_what_comes():
    _, weight = square()
    (colour,), amount, _ = carry([weight * 5], weight, 33)
    np.testing.assert_allclose(colour[amount > 0], 5, rtol=1e-5)
    weight[45] = 1
    (colour,), amount, way = carry([weight * 5], weight, 90)
    assert way[46, 40] == pytest.approx(1)
    assert way[60, 40] == pytest.approx(15)


def test_along_a_soft_edge_the_share_stays():
    weight = np.zeros((40, 30), np.float32)
    weight[:, 10:20] = 0.5
    (colour,), share, _ = carry([weight * 3], weight, 90)
    assert not share[:, 13:17].any()
    np.testing.assert_allclose(colour[1:, 15], 3, rtol=1e-6)
    weight[20:] = 0
    _, share, _ = carry([weight * 3], weight, 90)
    np.testing.assert_allclose(share[21:24, 15], 0.5, rtol=1e-3)


@pytest.mark.parametrize("degrees", [0, 90, 180, -90])
def test_along_the_border_streaks_stay_as_strong(degrees):
    """All of one side is known: it arrives everywhere. One row in from the border, as a mirrored normal one."""
    weight = np.zeros((50, 300), np.float32)
    weight[:, :10] = 1
    turns = degrees // -90
    _, share, _ = carry([np.rot90(weight, turns)], np.rot90(weight, turns), degrees)
    np.testing.assert_allclose(np.rot90(share, -turns)[:, 10:], 1, rtol=1e-5)


def test_at_the_border_it_is_a_mirrored_normal_distribution():
    """scipy's, of a point beside the border and of its mirror image beyond."""
    weight = np.zeros((150, 60), np.float32)
    weight[0, 3] = 1
    _, amount, _ = carry([weight], weight, 90)
    at = np.arange(60)
    expected = sum(stats.norm.pdf(at, middle, math.sqrt(0.25 * 144)) for middle in (3, -4))
    np.testing.assert_allclose(amount[144], expected, atol=2e-4)


@pytest.mark.parametrize("degrees", [100, 80, 65, 50, 120])
def test_nothing_comes_in_from_outside(degrees):
    """The first row is known. A line from outside brings nothing; between both, the edge is soft."""
    weight = np.zeros((121, 301), np.float32)
    weight[0] = 1
    _, share, _ = carry([weight], weight, degrees)
    edge = 120 / math.tan(math.radians(degrees))
    at = np.arange(301)
    inside, outside = (at - edge, edge - at) if degrees < 90 else (300 + edge - at, at - 300 - edge)
    np.testing.assert_allclose(share[120][inside > 25], 1, atol=1e-3)
    assert share[120][outside > 25].max(initial=0) < 1e-3


def test_nothing_known_carries_nothing():
    for plane in (np.zeros((20, 30), np.float32), np.zeros((1, 1), np.float32)):
        (colour,), amount, way = carry([plane], plane, 12)
        for got in (colour, amount, way):
            assert not got.any()
