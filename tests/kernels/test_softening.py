"""Softening against analytic convolution of edges, scipy.ndimage in float64, and the definition of its weights."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, optimize
from scipy.special import ndtri
from soft_edges import soft_edge, soft_row, width_of

from stackcomp.data.window import Window
from stackcomp.kernels import softening
from stackcomp.kernels.gaussian import gaussian_weights
from stackcomp.kernels.softening import WIDTH_OF_SIGMA, margin, soften, softening_weights

FRAME = Window.of_size(50, 40)
NOISE = np.random.default_rng(1).random((40, 50)).astype(np.float32)
ALL = (True, True, True, True)


def both_sides(sigma):
    weights = softening_weights(sigma)
    return np.concatenate([weights[:0:-1], weights])


def by_scipy(plane, source, target, sigma, goes_on, outside):
    """The plane laid out by numpy, then convolved by scipy along each axis."""
    weights, far = both_sides(sigma), 60
    y, x = np.mgrid[target.y0 - far : target.y1 + far, target.x0 - far : target.x1 + far]
    left, top, right, bottom = goes_on
    hidden = ((x < source.x0) & (not left)) | ((x >= source.x1) & (not right))
    hidden |= ((y < source.y0) & (not top)) | ((y >= source.y1) & (not bottom))
    rows = np.clip(y - source.y0, 0, source.height - 1)
    laid = np.where(hidden, outside, plane[rows, np.clip(x - source.x0, 0, source.width - 1)].astype(np.float64))
    for axis in (0, 1):
        laid = ndimage.convolve1d(laid, weights, axis)
    return laid[far:-far, far:-far]


@pytest.mark.parametrize("sigma", [0.01, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.9, 2.0, 3.7, 10])
def test_the_variance_is_exact_and_nothing_is_lost(sigma):
    weights, distance = both_sides(sigma), np.arange(-margin(sigma), margin(sigma) + 1)
    assert weights.sum() == pytest.approx(1, abs=1e-15)
    assert (weights * distance**2).sum() == pytest.approx(sigma**2, rel=1e-12)
    assert weights.min() >= 0


def test_samples_of_the_density_would_be_too_narrow():
    # What this module is for: a sampled Gaussian of 0.3 pixels has the variance of one of 0.09.
    sampled = gaussian_weights(0.3)
    assert 2 * (sampled * np.arange(sampled.size) ** 2).sum() < 0.1 * 0.3**2
    assert softening_weights(3.0)[:12] == pytest.approx(gaussian_weights(3.0)[:12], abs=1e-6)


@pytest.mark.parametrize("sigma", [0.7, pytest.param(0.4, marks=pytest.mark.slow)])
def test_the_weights_have_the_largest_entropy_of_their_variance(sigma):
    """Kemp's characterisation, by scipy's constrained optimiser, which knows nothing of the formula."""
    distance = np.arange(5.0)
    times = np.where(distance > 0, 2.0, 1.0)

    def less_entropy(weights):
        return times @ (weights * np.log(weights))

    constraints = [
        {"type": "eq", "fun": lambda weights: times @ weights - 1},
        {"type": "eq", "fun": lambda weights: times @ (weights * distance**2) - sigma**2},
    ]
    start = np.array([0.6, 0.15, 0.03, 0.015, 0.005])
    found = optimize.minimize(
        less_entropy,
        start,
        bounds=[(1e-12, 1)] * 5,
        constraints=constraints,
        options={"ftol": 1e-14, "maxiter": 500},
    )
    ours = np.pad(softening_weights(sigma), (0, 5))[:5]
    np.testing.assert_allclose(found.x, ours, atol=2e-5)


def profile_width(across, values):
    """10 to 90 %, between the pixels next to these, on the scale on which the error function is a "
    "straight line."""
    order = np.argsort(across.ravel())
    across, values = across.ravel()[order], values.ravel()[order]
    inner = (values > 1e-3) & (values < 1 - 1e-3)
    return np.diff(np.interp(ndtri([0.1, 0.9]), ndtri(np.maximum.accumulate(values[inner])), across[inner]))[0]


@pytest.mark.parametrize(("before", "most"), [(0.5, 0.024), (0.8, 0.008)])
@pytest.mark.parametrize("sigma", [0.2, 0.3, 0.5, 0.7, 1.0, 2.0])
def test_edges_at_all_parts_of_a_pixel_are_as_wide_as_the_convolution(before, most, sigma):
    # Each 1/32 of a pixel; the truth is the error function over a pixel's area.
    across = np.arange(48) - 23.5 - np.arange(32)[:, None] / 32
    row = Window.of_size(48, 1)
    # Only along rows: down there is nothing to mix.
    soft = [
        soften(line[None], row, row, sigma, goes_on=ALL) for line in soft_row(across, before).astype(np.float32)
    ]
    wanted = width_of(np.hypot(before, sigma))
    assert profile_width(across, np.concatenate(soft)) == pytest.approx(wanted, rel=most)


@pytest.mark.parametrize("degrees", [3, 11, 26.6, 45, 74])
@pytest.mark.parametrize("sigma", [0.3, 0.6, 1.5])
def test_edges_at_all_angles_are_as_wide_as_the_convolution(degrees, sigma):
    edge = soft_edge(44, 44, degrees, 0.3, 0.6).astype(np.float32)
    frame = Window.of_size(44, 44)
    soft = soften(edge, frame, frame, sigma, goes_on=ALL)[8:-8, 8:-8]
    y, x = np.mgrid[:28, :28] - 13.5
    across = x * np.cos(np.radians(degrees)) + y * np.sin(np.radians(degrees)) - 0.3
    assert profile_width(across, soft) == pytest.approx(width_of(np.hypot(0.6, sigma), degrees), rel=0.02)


def test_a_wide_edge_is_that_of_the_error_function():
    across = np.arange(80)[None] - 39.7
    row = Window.of_size(80, 1)
    soft = soften(soft_row(across, 3.0).astype(np.float32), row, row, 4.0, goes_on=ALL)
    assert np.abs(soft - soft_row(across, 5.0)).max() < 2e-5
    assert profile_width(across, soft) == pytest.approx(WIDTH_OF_SIGMA * np.sqrt(25 + 1 / 12), rel=2e-4)


@pytest.mark.parametrize("sigma", [0.05, 0.3, 0.6, 1.3, 2.4, 6])
@pytest.mark.parametrize("goes_on", [ALL, (False,) * 4, (True, False, False, True)])
def test_agrees_with_scipy_in_float64(sigma, goes_on):
    target = Window(-6, -9, 63, 44)
    expected = by_scipy(NOISE, FRAME, target, sigma, goes_on, 0.7)
    got = soften(NOISE, FRAME, target, sigma, goes_on=goes_on, outside=0.7)
    assert np.abs(got - expected).max() < 5e-7


def test_wide_pictures_are_softened_in_several_parts():
    wide = np.random.default_rng(2).random((7, 9000)).astype(np.float32)
    source = Window.of_size(9000, 7)
    expected = ndimage.convolve1d(
        ndimage.convolve1d(wide.astype(np.float64), both_sides(0.8), 0), both_sides(0.8), 1
    )
    got = soften(wide, source, source, 0.8, goes_on=ALL)
    assert np.abs(got - expected)[4:-4, 4:-4].max(initial=0) < 5e-7
    assert np.array_equal(soften(wide, source, Window(4000, 0, 8300, 7), 0.8, goes_on=ALL), got[:, 4000:8300])


@settings(max_examples=40)
@given(st.floats(0, 4), st.integers(-12, 55), st.integers(-12, 45), st.integers(1, 30), st.integers(1, 20),
       st.tuples(*[st.booleans()] * 4))  # fmt: skip
def test_a_tile_equals_the_whole_to_the_bit(sigma, x, y, width, height, goes_on):
    whole = Window(-12, -12, 90, 70)
    tile = Window(x, y, x + width, y + height)
    expected = soften(NOISE, FRAME, whole, sigma, goes_on=goes_on, outside=1)
    # Of the source, no more than the tile reads.
    source = tile.grow(margin(sigma)) & FRAME
    if source.empty:
        return
    part = np.ascontiguousarray(NOISE[source.slices_in(FRAME)])
    got = soften(part, source, tile, sigma, goes_on=goes_on, outside=1)
    assert np.array_equal(got, expected[tile.slices_in(whole)])


@settings(max_examples=30)
@given(st.floats(0, 5), st.integers(0, 2**32 - 1))
def test_light_is_kept_and_never_below_nothing(sigma, seed):
    draw = np.random.default_rng(seed)
    plane = np.where(draw.random((9, 11)) < 0.3, draw.random((9, 11)) * 10.0 ** draw.integers(-30, 30), 0)
    plane = plane.astype(np.float32)
    target = Window.of_size(11, 9).grow(margin(sigma))
    soft = soften(plane, Window.of_size(11, 9), target, sigma)
    assert soft.min() >= 0
    assert soft.max() <= plane.max() * (1 + 1e-6)
    assert soft.sum(dtype=np.float64) == pytest.approx(plane.sum(dtype=np.float64), rel=1e-6)


def test_nothing_is_softened_by_0_and_planes_are_not_written_to():
    before = NOISE.copy()
    assert np.array_equal(soften(NOISE, FRAME, FRAME, 0), NOISE)
    soften(NOISE, FRAME, FRAME, 1.0)
    assert np.array_equal(NOISE, before)


def test_windows_without_pixels():
    assert soften(NOISE, FRAME, Window(3, 3, 3, 9), 1.0).shape == (6, 0)
    nothing = soften(np.zeros((0, 0), np.float32), Window(0, 0, 0, 0), Window.of_size(3, 2), 1.0, outside=1)
    assert np.array_equal(nothing, np.ones((2, 3)))
    assert np.array_equal(soften(NOISE, FRAME, Window(400, 400, 404, 402), 1.0), np.zeros((2, 4)))


@pytest.mark.parametrize("sigma", [-1.0, np.nan, np.inf])
def test_wrong_numbers_raise_value_errors(sigma):
    with pytest.raises(ValueError, match="0 or more"):
        soften(NOISE, FRAME, FRAME, sigma)


def test_a_plane_of_another_shape_raises_a_value_error():
    with pytest.raises(ValueError, match="its window"):
        soften(NOISE, Window.of_size(40, 50), FRAME, 1.0)


def test_a_plane_that_must_not_be_written_is_compiled_for_once_with_others():
    """Pictures that a render has given are read-only, and numba takes that for another type."""
    plane, window = np.ones((9, 12), np.float32), Window.of_size(12, 9)
    soften(plane, window, window, 0.7)
    kinds = len(softening._soften.signatures)
    plane.flags.writeable = False
    assert (soften(plane, window, window, 0.7, goes_on=(True,) * 4) > 0.999).all()
    assert len(softening._soften.signatures) == kinds == 1
