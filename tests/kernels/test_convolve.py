"""Convolution against scipy's direct sum, and falloffs against their integrals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, signal

from stackcomp.kernels.convolve import (
    _good_size,
    convolve,
    exponential_falloff,
    falloff_margin,
    gaussian_falloff,
)

MAKERS = {"exponential": exponential_falloff, "gaussian": gaussian_falloff}
RANDOM = np.random.default_rng(2)


@pytest.mark.parametrize("shape", [(1, 1), (3, 3), (5, 9), (31, 1)])
def test_agrees_with_direct_convolution(shape):
    plane = RANDOM.random((60, 47)).astype(np.float32)
    kernel = RANDOM.standard_normal(shape)
    wanted = signal.convolve2d(plane.astype(np.float64), kernel, mode="valid")
    got = convolve(plane, kernel)
    assert got.shape == wanted.shape
    assert got == pytest.approx(wanted, rel=1e-6, abs=1e-6)


def test_a_glow_agrees_with_direct_convolution():
    kernel = exponential_falloff(2.5)
    plane = np.zeros((70, 64), np.float32)
    plane[30, 30], plane[40, 28] = 5000, 0.25
    wanted = signal.convolve2d(plane.astype(np.float64), kernel, mode="valid")
    assert np.abs(convolve(plane, kernel) - wanted).max() < 1e-7 * wanted.max()


def test_light_does_not_become_negative():
    plane = np.zeros((200, 200), np.float32)
    plane[100, 100] = 60000
    kernel = gaussian_falloff(6)
    without_clip = signal.fftconvolve(plane.astype(np.float64), kernel, mode="valid")
    assert without_clip.min() < 0, "this picture no longer shows the noise that the test is about"
    assert convolve(plane, kernel).min() == 0


def test_negative_values_of_the_input_survive():
    assert convolve(np.full((9, 9), -2, np.float32), np.full((3, 3), 1 / 9)) == pytest.approx(-2)


@pytest.mark.parametrize("falloff", MAKERS)
@pytest.mark.parametrize("radius", [0.0, 0.3, 1.0, 7.5, 40.0])
def test_a_falloff_sums_to_one_and_is_symmetric(falloff, radius):
    kernel = MAKERS[falloff](radius)
    assert kernel.shape == (2 * falloff_margin(radius, falloff) + 1,) * 2
    assert kernel.sum() == pytest.approx(1, abs=1e-12)
    assert kernel.min() >= 0
    assert np.allclose(kernel, kernel.T, rtol=1e-12, atol=0)
    assert np.allclose(kernel, kernel[::-1, ::-1], rtol=1e-12, atol=0)


@pytest.mark.parametrize("falloff", MAKERS)
@pytest.mark.parametrize("radius", [8.0, 20.5, 40.0])
def test_half_of_the_light_lands_within_the_radius(falloff, radius):
    kernel = MAKERS[falloff](radius)
    axis = np.arange(kernel.shape[0]) - kernel.shape[0] // 2
    distance = np.hypot(axis[:, None], axis)
    assert kernel[distance <= radius].sum() == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(
    ("falloff", "profile"),
    [
        ("exponential", lambda r: np.exp(-r * 1.6783469900166605 / 3)),
        ("gaussian", lambda r: np.exp2(-((r / 3) ** 2))),
    ],
)
def test_pixels_hold_the_integral_over_their_area(falloff, profile):
    # scipy's adaptive quadrature of the plain formulas, over one pixel and over everything.
    kernel = MAKERS[falloff](3)
    everything = 2 * np.pi * integrate.quad(lambda r: r * profile(r), 0, 80)[0]
    middle = kernel.shape[0] // 2
    for dx, dy in [(0, 0), (1, 0), (2, 1), (4, 4)]:
        part, _ = integrate.dblquad(
            lambda y, x: profile(np.hypot(x, y)), dx - 0.5, dx + 0.5, dy - 0.5, dy + 0.5, epsabs=1e-8
        )
        assert kernel[middle + dy, middle + dx] == pytest.approx(part / everything, rel=4e-3)


@pytest.mark.parametrize("falloff", MAKERS)
def test_a_falloff_ends_without_a_step(falloff):
    kernel = MAKERS[falloff](10)
    assert kernel[0].max() < 3e-5 * kernel.max()
    assert kernel[0, 0] == 0


def test_a_growing_radius_lowers_the_peak_without_a_jump():
    peaks = [exponential_falloff(radius).max() for radius in np.arange(0, 3, 0.05)]
    assert np.all(np.diff(peaks) <= 1e-12)
    assert peaks[0] == 1
    assert np.abs(np.diff(peaks)).max() < 0.15


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 20), st.integers(0, 20), st.integers(1, 12), st.floats(0, 2))
def test_a_tile_equals_the_whole_within_a_millionth_of_the_peak(x, y, size, radius):
    kernel = exponential_falloff(radius)
    grown = size + kernel.shape[0] - 1
    plane = np.random.default_rng(3).random((64, 64)).astype(np.float32)
    plane[30, 30] = 1000
    whole = convolve(plane, kernel)
    part = convolve(plane[y : y + grown, x : x + grown], kernel)
    assert np.abs(part - whole[y : y + size, x : x + size]).max() <= 1e-6 * whole.max()


@given(st.integers(1, 5000))
def test_transform_sizes_have_small_factors(least):
    size = _good_size(least)
    assert least <= size < least * 1.35 + 2
    for factor in (2, 3, 5):
        while size % factor == 0:
            size //= factor
    assert size == 1


def test_sizes_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="odd"):
        convolve(np.ones((9, 9), np.float32), np.ones((2, 3)))
    with pytest.raises(ValueError, match="no room"):
        convolve(np.ones((3, 3), np.float32), np.ones((7, 7)))
    with pytest.raises(ValueError, match="0 or more"):
        exponential_falloff(-1)
