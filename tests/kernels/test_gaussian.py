"""Gaussian softening against scipy.ndimage in float64."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from stackcomp import set_threads
from stackcomp.kernels.gaussian import exact_gaussian, gaussian, gaussian_weights, level_of, margin

WIDE = np.random.default_rng(1).random((260, 280)).astype(np.float32)


def softened(sigma_x: float, sigma_y: float, height: int = 40, width: int = 50) -> np.ndarray:
    mx, my = margin(sigma_x), margin(sigma_y)
    return gaussian(WIDE[: height + 2 * my, : width + 2 * mx], sigma_x, sigma_y)


@pytest.mark.parametrize(
    ("sigma_x", "sigma_y"), [(0.2, 0.3), (0.5, 0.5), (1, 2), (3.3, 0), (0, 4.1), (5.9, 5.9), (9.7, 9.7), (21, 12)]
)
@pytest.mark.parametrize("way", [gaussian, exact_gaussian])
def test_agrees_with_scipy_in_float64(sigma_x, sigma_y, way):
    mx, my = margin(sigma_x), margin(sigma_y)
    source = WIDE[: 40 + 2 * my, : 50 + 2 * mx].astype(np.float64)
    # truncate=8 is scipy's Gaussian with practically nothing cut off.
    wanted = ndimage.gaussian_filter(source, (sigma_y, sigma_x), truncate=8, mode="nearest")
    wanted = wanted[my : my + 40, mx : mx + 50]
    got = way(WIDE[: 40 + 2 * my, : 50 + 2 * mx], sigma_x, sigma_y)
    # Wide ones are made on a coarser grid.
    narrow = way is exact_gaussian or max(sigma_x, sigma_y) < 6
    assert np.abs(got - wanted).max() < (2e-6 if narrow else 3e-5)


def test_the_error_at_a_hard_edge_is_below_1e_5():
    sigma = 5.9
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


@pytest.mark.parametrize("sigma", [6.5, 13.0])
def test_points_on_all_pixels_of_a_coarse_grid_keep_their_light(sigma):
    m = margin(sigma)
    for shift in range(4):
        plane = np.zeros((4 * m + 5, 4 * m + 5), np.float32)
        plane[2 * m + shift, 2 * m + 3 - shift] = 1000
        assert gaussian(plane, sigma, sigma).sum(dtype=np.float64) == pytest.approx(1000, rel=1e-6)


def test_a_constant_plane_is_unchanged():
    constant = np.full((90, 90), 0.18, np.float32)
    for sigma in (5, 7):
        assert np.abs(gaussian(constant, sigma, sigma) - np.float32(0.18)).max() < 1e-6


def test_any_number_of_threads_gives_the_same_bytes():
    results = set()
    try:
        for threads in (1, 2, 3):
            set_threads(threads)
            results.add((softened(2, 3, 90, 90).tobytes(), softened(8, 8, 90, 90).tobytes()))
    finally:
        set_threads(None)
    assert len(results) == 1


def pictures(side: int) -> dict[str, np.ndarray]:
    """Pictures that show what a coarse grid does wrong: edges, points, dots as fine as pixels and as the grid."""
    y, x = np.mgrid[:side, :side]
    point = np.zeros((side, side))
    point[side // 2 + 1, side // 2 - 2] = 1
    return {
        "edge": (x > side // 2).astype(float),
        "slanted edge": (3 * x + y > 2 * side).astype(float),
        "point": point,
        "noise": np.random.default_rng(4).integers(0, 2, (side, side)).astype(float),
        "pixels": ((x + y) % 2 * (x > side // 3)).astype(float),
        "bars": (x % 8 < 4).astype(float),
    }


@pytest.mark.parametrize("sigma", [6.0, 7.7, 12.0, 25.0, pytest.param(90.0, marks=pytest.mark.slow)])
def test_wide_ones_are_off_by_less_than_a_thousandth_of_the_range(sigma):
    reach = margin(sigma)
    for name, picture in pictures(2 * reach + 60).items():
        wanted = ndimage.gaussian_filter(picture, sigma, truncate=8)[reach:-reach, reach:-reach]
        brightest = wanted.max() if name == "point" else 1.0
        for origin in [(0, 0), (-7, 13)]:
            got = gaussian(picture.astype(np.float32), sigma, sigma, origin)
            assert np.abs(got - wanted).max() < 1e-3 * brightest, (name, origin)
            assert got.min() >= 0


def test_a_keyed_width_does_not_jump_where_the_grid_changes():
    picture = pictures(2 * margin(12) + 60)
    for name in ("edge", "noise"):
        plane = picture[name].astype(np.float32)
        below, above = (gaussian(plane, sigma, sigma) for sigma in (np.nextafter(12.0, 0), 12.0))
        assert level_of(np.nextafter(12.0, 0)) < level_of(12.0)
        assert np.abs(below - above[: len(below), : len(below)]).max() < 1e-4


@functools.cache
def some(sigma_x, sigma_y):
    return softened(sigma_x, sigma_y, 50, 50)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([0.0, 0.7, 3.1, 5.9, 6.0, 8.1, 15.0, 20.0]),
    st.sampled_from([0.0, 0.7, 3.1, 5.9, 6.0, 8.1, 15.0, 20.0]),
    st.integers(0, 30),
    st.integers(0, 30),
    st.integers(1, 20),
)
def test_a_tile_equals_the_whole_bit_for_bit(sigma_x, sigma_y, x, y, size):
    whole = some(sigma_x, sigma_y)
    mx, my = margin(sigma_x), margin(sigma_y)
    tile = gaussian(WIDE[y : y + size + 2 * my, x : x + size + 2 * mx], sigma_x, sigma_y, (x, y))
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
