"""Means within a disc against scipy's convolution, a step against its integral, and what must not be touched."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, ndimage, signal

from stackcomp.kernels.disc_mean import disc_mean, disc_weights, margin


def whole(quarter):
    """All of a kernel from its quarter."""
    half = np.concatenate([quarter[:0:-1], quarter])
    return np.concatenate([half[:, :0:-1], half], axis=1)


@pytest.mark.parametrize("radius", [1.5, 2.0, 3.3, 7.25])
def test_against_scipy(radius):
    reach = margin(radius)
    plane = np.random.default_rng(1).random((40 + 2 * reach, 70 + 2 * reach)).astype(np.float32)
    wanted = ndimage.convolve(plane.astype(np.float64), disc(radius))[reach:-reach, reach:-reach]
    assert np.abs(disc_mean(plane, radius) - wanted).max() < 1e-6
    np.testing.assert_allclose(whole(disc_weights(radius)), disc(radius), atol=1e-15)


def disc(radius):
    """All weights, from their definition."""
    reach = margin(radius)
    kernel = np.maximum(1 - (np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) / radius) ** 2, 0)
    return kernel / kernel.sum()


@pytest.mark.parametrize("radius", [1.01, 2.5, 17.8, 60.0])
def test_over_the_borders_of_tiles_against_scipy(radius):
    # More rows and columns than are computed together, and values below 0 and far above 1 among them.
    reach = margin(radius)
    draw = np.random.default_rng(4)
    plane = draw.normal(size=(130 + 2 * reach, 300 + 2 * reach)).astype(np.float32)
    plane[draw.random(plane.shape) > 0.999] = 5000
    wanted = signal.fftconvolve(plane.astype(np.float64), disc(radius), mode="valid")
    np.testing.assert_allclose(disc_mean(plane, radius), wanted, rtol=2e-7, atol=5e-7)


@pytest.mark.parametrize("radius", [3.0, 18.4])
def test_core_and_outside_are_exact_beside_an_edge_and_beside_bright_values(radius):
    reach = margin(radius)
    plane = np.zeros((110 + 2 * reach, 280 + 2 * reach), np.float32)
    plane[:, 150:] = 1
    plane[:60] *= np.float32(0.3)
    # To the left of it values of all sizes, which are in all running sums and do not add up without rounding.
    plane[:, :30] = np.exp(np.random.default_rng(3).normal(scale=6, size=(len(plane), 30)))
    # A pixel is exact where all within the disc is one value: by scipy's largest and smallest.
    kernel = disc(radius) > 0
    inside = (slice(reach, -reach),) * 2
    most, least = (f(plane, footprint=kernel)[inside] for f in (ndimage.maximum_filter, ndimage.minimum_filter))
    even = most == least
    assert 0.05 < even.mean() < 0.9
    np.testing.assert_array_equal(disc_mean(plane, radius)[even], plane[inside][even])


@pytest.mark.parametrize("across", [True, False])
def test_a_step_becomes_the_integral_of_the_weight(across):
    radius = 20.0
    reach = margin(radius)
    place = np.arange(-60, 60) + 0.5
    plane = np.tile((place < 0).astype(np.float32), (2 * reach + 3, 1))
    result = disc_mean(plane if across else np.ascontiguousarray(plane.T), radius)
    got = result[0] if across else result[:, 0]
    # All weight of the disc beyond a line at the distance u, by scipy's quadrature.
    wanted = [
        integrate.quad(lambda x: (1 - x * x) ** 1.5 * 8 / (3 * np.pi), min(max(u, -1), 1), 1)[0]
        for u in place[reach:-reach] / radius
    ]
    assert np.abs(got - wanted).max() < 5e-4


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 9), st.floats(-3, 60000, width=32))
def test_equal_values_stay_to_the_bit(radius, value):
    reach = margin(radius)
    # Next to other values, so that they are added up.
    plane = np.full((2 * reach + 1, 2 * reach + 40), value, np.float32)
    plane[:, -1] += 1
    result = disc_mean(plane, radius)
    assert (result[:, : -2 * reach - 2] == np.float32(value)).all()


def test_a_tile_equals_the_whole():
    plane = np.random.default_rng(2).random((60, 150)).astype(np.float32)
    reach = margin(4.5)
    result = disc_mean(plane, 4.5)
    tile = disc_mean(np.ascontiguousarray(plane[7 : 7 + 20 + 2 * reach, 33 : 33 + 31 + 2 * reach]), 4.5)
    np.testing.assert_allclose(tile, result[7:27, 33:64], atol=1e-6)


def test_small_radii_change_nothing():
    plane = np.random.default_rng(2).random((5, 6)).astype(np.float32)
    assert disc_mean(plane, 1.0) is plane
    # And just above the change begins gently.
    reach = margin(1.001)
    assert np.abs(disc_mean(plane, 1.001) - plane[reach:-reach, reach:-reach]).max() < 0.01


@pytest.mark.parametrize("radius", [-1, np.nan, np.inf])
def test_radii_that_make_no_sense(radius):
    with pytest.raises(ValueError, match="a radius is 0 or more"):
        disc_mean(np.zeros((5, 5), np.float32), radius)


def test_a_plane_without_room_for_its_margins():
    with pytest.raises(ValueError, match="no room"):
        disc_mean(np.zeros((5, 5), np.float32), 6)
    assert disc_mean(np.zeros((10, 10), np.float32), 6).shape == (0, 0)
