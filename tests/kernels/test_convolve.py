"""Convolution against scipy's direct sum, and falloffs against their integrals."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, signal
from slow_cases import few_fast

from stackcomp import set_threads
from stackcomp.data.window import Window
from stackcomp.kernels.convolve import Spreading, falloff, falloff_margin

KINDS = ("exponential", "gaussian")
RANDOM = np.random.default_rng(2)
FRAME = Window.of_size(47, 60)


def whole(radius, kind):
    """All four quarters of a falloff."""
    quarter = falloff(radius, kind)
    reach = falloff_margin(radius, kind)
    assert quarter.shape == (reach + 1, reach + 1)
    return np.pad(quarter, ((reach, 0), (reach, 0)), mode="reflect")


def directly(plane, radius, kind):
    """The light in all pixels that it reaches, by scipy's sum over pixels."""
    return signal.convolve2d(plane.astype(np.float64), whole(radius, kind), mode="full")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("radius", [0.0, 0.4, 1.3, 2.5, 6.0])
def test_agrees_with_direct_convolution(radius, kind):
    plane = RANDOM.random(FRAME.shape).astype(np.float32)
    plane[30, 30], plane[40, 28] = 5000, 0.25
    reached = FRAME.grow(falloff_margin(radius, kind))
    wanted = directly(plane, radius, kind)
    got = Spreading(radius, kind, FRAME, reached)(plane)
    assert got.shape == wanted.shape
    assert np.abs(got - wanted).max() < 1e-7 * wanted.max()


@pytest.mark.parametrize(
    "target",
    [
        Window(5, 7, 12, 30),
        Window(-30, -20, 3, 90),
        Window(40, 10, 80, 11),
        Window(60, 70, 61, 71),
        Window(-9, -9, -2, -3),
        Window(500, 0, 510, 20),
        Window(5, 5, 5, 9),
    ],
)
def test_any_target_window(target):
    plane = RANDOM.random(FRAME.shape).astype(np.float32)
    far = FRAME.grow(500)
    wanted = np.zeros(far.shape)
    wanted[FRAME.grow(falloff_margin(4, "exponential")).slices_in(far)] = directly(plane, 4, "exponential")
    got = Spreading(4, "exponential", FRAME, target)(plane)
    inside = target & far
    assert got[inside.slices_in(target)] == pytest.approx(wanted[inside.slices_in(far)], abs=1e-6)


def test_a_reach_larger_than_the_picture():
    plane = RANDOM.random((20, 30)).astype(np.float32)
    frame = Window.of_size(30, 20)
    wanted = directly(plane, 9, "exponential")[63:-63, 63:-63]
    assert Spreading(9, "exponential", frame, frame)(plane) == pytest.approx(wanted, rel=1e-6)


def test_light_does_not_become_negative():
    plane = np.zeros((200, 200), np.float32)
    plane[100, 100] = 60000
    without_clip = signal.fftconvolve(plane.astype(np.float64), whole(6, "gaussian"), mode="valid")
    assert without_clip.min() < 0, "this picture no longer shows the noise that the test is about"
    frame = Window.of_size(200, 200)
    assert Spreading(6, "gaussian", frame, frame)(plane).min() == 0


def test_negative_values_of_the_input_survive():
    plane = np.full((99, 99), -2, np.float32)
    assert Spreading(2, "gaussian", Window.of_size(99, 99), Window(49, 49, 50, 50))(plane) == pytest.approx(-2)


def test_an_empty_source_gives_zero():
    nothing = Window(3, 3, 3, 3)
    assert not Spreading(3, "gaussian", nothing, FRAME)(np.zeros((0, 0), np.float32)).any()


def test_any_number_of_threads_gives_the_same_bytes():
    plane = RANDOM.random((130, 210)).astype(np.float32)
    frame = Window.of_size(210, 130)
    try:
        results = []
        for threads in (1, 2, 3):
            set_threads(threads)
            results.append(Spreading(9, "exponential", frame, frame)(plane).tobytes())
    finally:
        set_threads(None)
    assert results[0] == results[1] == results[2]


@pytest.mark.parametrize("radius", few_fast([20, 200, 1000], 1))
def test_memory_does_not_grow_with_the_radius(radius):
    frame = Window.of_size(960, 540)
    plane = np.ones(frame.shape, np.float32)
    Spreading(1, "exponential", frame, frame)(plane)
    tracemalloc.start()
    try:
        Spreading(radius, "exponential", frame, frame)(plane)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # One result, complex rows up to twice as long as the picture's, a quarter of the spectrum, and parts of
    # fixed size that weigh more here than in a large picture: in planes of float32.
    assert peak < 13 * plane.nbytes


@pytest.mark.parametrize("kind", KINDS)
def test_a_part_of_a_falloff_equals_the_whole(kind):
    part = falloff(70, kind, down=9, across=150)
    assert part.shape == (10, 151)
    assert np.allclose(part, falloff(70, kind)[:10, :151], rtol=1e-13, atol=0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("radius", [0.0, 0.3, 1.0, 7.5, 40.0])
def test_a_falloff_sums_to_one_and_is_symmetric(kind, radius):
    kernel = whole(radius, kind)
    assert kernel.shape == (2 * falloff_margin(radius, kind) + 1,) * 2
    assert kernel.sum() == pytest.approx(1, abs=1e-12)
    assert kernel.min() >= 0
    assert np.allclose(kernel, kernel.T, rtol=1e-12, atol=0)
    assert np.allclose(kernel, kernel[::-1, ::-1], rtol=1e-12, atol=0)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("radius", [8.0, 20.5, 40.0])
def test_half_of_the_light_lands_within_the_radius(kind, radius):
    kernel = whole(radius, kind)
    axis = np.arange(kernel.shape[0]) - kernel.shape[0] // 2
    distance = np.hypot(axis[:, None], axis)
    assert kernel[distance <= radius].sum() == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(
    ("kind", "profile"),
    [
        ("exponential", lambda r: np.exp(-r * 1.6783469900166605 / 3)),
        ("gaussian", lambda r: np.exp2(-((r / 3) ** 2))),
    ],
)
def test_pixels_hold_the_integral_over_their_area(kind, profile):
    # scipy's adaptive quadrature of the plain formulas, over one pixel and over everything.
    kernel = whole(3, kind)
    everything = 2 * np.pi * integrate.quad(lambda r: r * profile(r), 0, 80)[0]
    middle = kernel.shape[0] // 2
    for dx, dy in [(0, 0), (1, 0), (2, 1), (4, 4)]:
        part, _ = integrate.dblquad(
            lambda y, x: profile(np.hypot(x, y)), dx - 0.5, dx + 0.5, dy - 0.5, dy + 0.5, epsabs=1e-8
        )
        assert kernel[middle + dy, middle + dx] == pytest.approx(part / everything, rel=4e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_a_falloff_ends_without_a_step(kind):
    kernel = whole(10, kind)
    assert kernel[0].max() < 3e-5 * kernel.max()
    assert kernel[0, 0] == 0


def test_a_growing_radius_lowers_the_peak_without_a_jump():
    peaks = [falloff(radius, "exponential").max() for radius in np.arange(0, 3, 0.05)]
    assert np.all(np.diff(peaks) <= 1e-12)
    assert peaks[0] == 1
    assert np.abs(np.diff(peaks)).max() < 0.15


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 52), st.integers(0, 52), st.integers(1, 12), st.floats(0, 2))
def test_a_tile_equals_the_whole_within_a_millionth_of_the_peak(x, y, size, radius):
    frame, tile = Window.of_size(64, 64), Window(x, y, x + size, y + size)
    plane = np.random.default_rng(3).random((64, 64)).astype(np.float32)
    plane[30, 30] = 1000
    expected = Spreading(radius, "exponential", frame, frame)(plane)
    needed = tile.grow(falloff_margin(radius, "exponential")) & frame
    part = Spreading(radius, "exponential", needed, tile)(np.ascontiguousarray(plane[needed.slices_in(frame)]))
    assert np.abs(part - expected[tile.slices_in(frame)]).max() <= 1e-6 * expected.max()


def test_wrong_arguments_raise_value_errors():
    with pytest.raises(ValueError, match="its window"):
        Spreading(1, "gaussian", FRAME, FRAME)(np.ones((9, 9), np.float32))
    with pytest.raises(ValueError, match="0 or more"):
        falloff(-1, "exponential")
