"""Gaussian softening against scipy.ndimage in float64."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from stackcomp.kernels.gaussian import gaussian, gaussian_weights, margin

WIDE = np.random.default_rng(1).random((260, 280)).astype(np.float32)


def softened(sigma_x: float, sigma_y: float, height: int = 40, width: int = 50) -> np.ndarray:
    mx, my = margin(sigma_x), margin(sigma_y)
    return gaussian(WIDE[: height + 2 * my, : width + 2 * mx], sigma_x, sigma_y)


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y"), [(0.2, 0.3), (0.5, 0.5), (1, 2), (3.3, 0), (0, 4.1), (9.7, 9.7), (21, 12)]
)
def test_agrees_with_scipy_in_float64(sigma_x, sigma_y):
    mx, my = margin(sigma_x), margin(sigma_y)
    source = WIDE[: 40 + 2 * my, : 50 + 2 * mx].astype(np.float64)
    # truncate=8 is scipy's Gaussian with practically nothing cut off.
    wanted = ndimage.gaussian_filter(source, (sigma_y, sigma_x), truncate=8, mode="nearest")
    wanted = wanted[my : my + 40, mx : mx + 50]
    assert np.abs(softened(sigma_x, sigma_y) - wanted).max() < 2e-6


def test_the_error_at_a_hard_edge_is_below_1e_5():
    sigma = 6.0
    step = np.zeros((1, 200), np.float32)
    step[:, 100:] = 1
    wanted = ndimage.gaussian_filter1d(step.astype(np.float64), sigma, truncate=12)
    m = margin(sigma)
    got = gaussian(step, sigma, 0)
    assert np.abs(got - wanted[:, m:-m]).max() < 1e-5


def test_sigma_zero_returns_the_plane():
    assert np.array_equal(gaussian(WIDE, 0, 0), WIDE)


@pytest.mark.parametrize(("sigma", "variance"), [(0.3, 0.0076), (0.5, 0.2150), (1.0, 1.0), (5.0, 25.0)])
def test_variance_of_the_sampled_weights(sigma, variance):
    # The figures for 0.3 and 0.5 follow from exp(-1/(2 sigma²)) by hand; the docstring states the shortfall.
    weights = gaussian_weights(sigma)
    distance = np.arange(weights.size)
    assert 2 * np.sum(weights * distance**2) == pytest.approx(variance, rel=2e-2 if sigma < 1 else 1e-4)


def test_the_energy_of_a_point_is_preserved():
    point = np.zeros((81, 81), np.float32)
    point[40, 40] = 1000
    m = margin(3)
    result = gaussian(np.pad(point, m), 3, 3).astype(np.float64)
    assert result.sum() == pytest.approx(1000, rel=1e-6)


def test_a_constant_plane_is_unchanged():
    constant = np.full((90, 90), 0.18, np.float32)
    assert np.abs(gaussian(constant, 5, 7) - np.float32(0.18)).max() < 1e-6


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 6), st.floats(0, 6), st.integers(0, 30), st.integers(0, 30), st.integers(1, 20))
def test_a_tile_equals_the_whole_bit_for_bit(sigma_x, sigma_y, x, y, size):
    whole = softened(sigma_x, sigma_y, 50, 50)
    mx, my = margin(sigma_x), margin(sigma_y)
    tile = gaussian(WIDE[y : y + size + 2 * my, x : x + size + 2 * mx], sigma_x, sigma_y)
    assert np.array_equal(tile, whole[y : y + size, x : x + size])


def test_the_input_is_not_written_to():
    before = WIDE.copy()
    softened(2, 2)
    assert np.array_equal(before, WIDE)


@pytest.mark.parametrize("sigma", [-1.0, np.nan, np.inf])
def test_wrong_sigmas_raise_value_errors(sigma):
    with pytest.raises(ValueError, match="0 or more"):
        gaussian(WIDE, sigma, 0)


def test_a_plane_smaller_than_its_margins_raises_a_value_error():
    with pytest.raises(ValueError, match="no room"):
        gaussian(WIDE[:9, :9], 1, 1)
