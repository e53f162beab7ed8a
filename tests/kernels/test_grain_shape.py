"""Filters of grain: the autocorrelation and the correlation that were asked for come out, at any scale."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, signal

from stackcomp.kernels.grain_law import law_of, lines_of, variance_at
from stackcomp.kernels.grain_shape import autocorrelation_of, gaussian_autocorrelation, shape_of, shrunk, whole
from stackcomp.kernels.resample import shrink


def filters_of(shape):
    """The filter of each channel as one picture."""
    return np.einsum("kpy,kpx->kyx", shape.down.astype(float), shape.across.astype(float))


def halves(kind):
    y, x = np.mgrid[0:9, -8:9]
    made = {
        "independent": (y == 0) & (x == 0),
        "gaussian": gaussian_autocorrelation(0.9),
        "exponential": np.exp(-np.hypot(y, x) / 1.3),
        "aslant": np.exp(-(x**2 + 3 * y**2 + 2.2 * x * y) / 4),
        "of two pixels": np.maximum(1 - np.abs(x) / 2, 0) * (y == 0),
    }
    return made[kind].astype(float)


@pytest.mark.parametrize("kind", ["independent", "gaussian", "exponential", "aslant", "of two pixels"])
def test_the_autocorrelation_comes_out(kind):
    half = halves(kind)
    shape, deviations = shape_of(np.array([half] * 3), np.eye(3))
    made = filters_of(shape)[0]
    # By scipy, not by the function that chose the filter.
    got = signal.correlate(made, made)
    middle = got.shape[0] // 2
    padded = np.pad(got, max(0, 8 - middle))
    middle = padded.shape[0] // 2
    part = padded[middle : middle + 9, middle - 8 : middle + 9]
    assert np.abs(part - half).max() < 0.012
    assert deviations == (1, 1, 1)
    assert shape.across.shape[2] % 2 == 1
    np.testing.assert_allclose(autocorrelation_of(made), got, atol=1e-12)


def test_one_product_of_filters_is_enough_for_a_gaussian_and_fewest_taps_are_taken():
    fine, _ = shape_of(np.array([halves("independent")] * 3), np.eye(3))
    soft, _ = shape_of(np.array([halves("gaussian")] * 3), np.eye(3))
    assert fine.across.shape == (3, 1, 1)
    assert soft.across.shape[:2] == (3, 1)


def test_the_correlation_of_channels_comes_out_whatever_their_filters_are():
    table = np.array([[1, 0.5, 0.2], [0.5, 1, 0.4], [0.2, 0.4, 1]])
    different = np.array([halves("independent"), halves("gaussian"), halves("gaussian")])
    shape, _ = shape_of(different, table)
    numbers = np.einsum("kl,lyx->kyx", shape.mix, np.random.default_rng(1).normal(size=(3, 400, 400)))
    made = [
        ndimage.correlate(one, filter, mode="wrap") for one, filter in zip(numbers, filters_of(shape), strict=True)
    ]
    np.testing.assert_allclose(np.corrcoef(np.reshape(made, (3, -1))), table, atol=0.02)


def test_a_correlation_that_none_can_have_gives_the_nearest():
    shape, _ = shape_of(np.array([np.ones((1, 1))] * 3), np.array([[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]]))
    got = shape.mix @ shape.mix.T
    np.testing.assert_allclose(np.diag(got), 1, atol=1e-5)
    assert got[0, 1] == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("scale", [0.5, 0.3, 0.7])
def test_a_smaller_picture_has_what_its_pixels_are_averages_of(scale):
    half = gaussian_autocorrelation(0.0 if scale == 0.7 else 0.8)
    shape, _ = shape_of(np.array([half] * 3), np.eye(3))
    numbers = np.random.default_rng(2).normal(size=(900, 900))
    full = ndimage.correlate(numbers, filters_of(shape)[0], mode="wrap").astype(np.float32)
    from stackcomp.data.window import Window

    small, _ = shrink(full, Window.of_size(900, 900), scale)
    covariance = shrunk(half, scale)
    middle = covariance.shape[1] // 2
    for down, across in ((0, 0), (0, 1), (1, 0), (1, 1)):
        pairs = small[: small.shape[0] - down, : small.shape[1] - across] * small[down:, across:]
        assert pairs.mean() == pytest.approx(covariance[down, middle + across], abs=0.015)


def test_the_lower_half_tells_all():
    half = halves("aslant")
    np.testing.assert_array_equal(whole(half), whole(half)[::-1, ::-1])
    np.testing.assert_array_equal(whole(half)[8:, :][1:], half[1:])


def test_variance_by_a_table_of_levels():
    table = [(0.1, 0.02), (0.5, 0.03), (1.0, 0.025), (2.0, 0.05)]
    levels = np.array([-1, 0.1, 0.3, 0.5, 0.75, 1.5, 2.0, 4.0])
    expected = np.interp(levels, [0.1, 0.5, 1, 2], np.square([0.02, 0.03, 0.025, 0.05]))
    # Beyond the last it goes on rising as from the first to the last.
    expected[-1] = 0.05**2 + 2 * (0.05**2 - 0.02**2) / 1.9
    np.testing.assert_allclose(variance_at(lines_of(table), levels), expected, rtol=1e-9)
    assert variance_at(lines_of([(0.1, 0.2), (0.5, 0.1)]), np.array([9.0])) == pytest.approx(0.01)
    law = law_of((0.1, 0.2, 0.3), (0.5, 0, 0), (0.01, 0, 0), {"B": table}, (2, 1, 1))
    assert law.base.tolist() == pytest.approx([0.04, 0.04, 0.0004])
    assert law.rises[0].tolist() == pytest.approx([2, 0, 0, 0])
    assert law.knots[2].tolist() == pytest.approx([0.1, 0.5, 1, 2])


@pytest.mark.parametrize("kind", ["exponential", "aslant"])
def test_rounding_elsewhere_changes_no_weight(kind):
    """Processors add up differently in the last bits; frames of one shot must not show which of them did it."""
    half = halves(kind)
    shape, _ = shape_of(np.array([half] * 3), np.eye(3))
    rounded, _ = shape_of(np.array([half * (1 + 1e-14 * np.cos(half * 1e3))] * 3), np.eye(3))
    np.testing.assert_allclose(filters_of(rounded)[0], filters_of(shape)[0], rtol=0, atol=2e-5)
    assert shape.across.shape[1] == {"exponential": 2, "aslant": 3}[kind]


def test_fitted_filters_of_nearly_equal_channels_are_alike():
    """Else channels could not be as correlated as those of a plate."""
    y, x = np.mgrid[0:9, -8:9]
    shape, _ = shape_of(np.array([np.exp(-np.hypot(y, x) / size) for size in (1.2, 1.3, 1.4)]), np.eye(3))
    made = filters_of(shape)
    assert np.einsum("kyx,lyx->kl", made, made).min() > 0.99
