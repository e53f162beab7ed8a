"""Falloffs as sums of Gaussians against direct convolution with the falloffs, by scipy in float64."""

from __future__ import annotations

import functools
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, signal

from stackcomp import set_threads
from stackcomp.data.window import Window
from stackcomp.kernels.convolve import Spreading, falloff, falloff_margin, glare
from stackcomp.kernels.mixture import Mixture, Part, parts_of

SMALL = [("exponential", 0.4), ("exponential", 3.0), ("exponential", 11.0), ("gaussian", 3.0), ("gaussian", 12.0)]
GLARE = [("glare", 2.0), ("glare", 4.0)]
LARGE = [("exponential", 60.0), ("exponential", 300.0), ("gaussian", 300.0), ("glare", 20.0)]
EVERY = [*SMALL, *GLARE, *(pytest.param(*one, marks=pytest.mark.slow) for one in LARGE)]
FRAME = Window.of_size(64, 48)


@functools.cache
def whole(kind, radius):
    """All four quarters of a falloff."""
    reach = falloff_margin(radius, kind)
    return np.pad(falloff(radius, kind), ((reach, 0), (reach, 0)), mode="reflect")


def spread(plane, source, target, kind, radius):
    return Mixture(parts_of(radius, kind), source, target).spread(plane)


@pytest.mark.parametrize(("kind", "radius"), EVERY)
def test_a_point(kind, radius):
    kernel, reach = whole(kind, radius), falloff_margin(radius, kind)
    for x, y in [(0, 0), (-3, 17), (6, 9)]:
        point = Window(x, y, x + 1, y + 1)
        beyond = spread(np.full((1, 1), 1e4, np.float32), point, point.grow(reach + 3), kind, radius) / 1e4
        got = beyond[3:-3, 3:-3].astype(np.float64)
        assert np.abs(got - kernel).max() < 0.01 * kernel.max()
        # What is too much in one place is too little in another.
        assert np.abs(got - kernel).sum() / 2 < 0.005
        assert got.sum() == pytest.approx(1, abs=1e-6)
        assert got.min() >= 0
        got[:] = beyond[3:-3, 3:-3] = 0
        assert not beyond.any(), "it goes farther than its margin"


@pytest.mark.parametrize(("kind", "radius"), EVERY)
def test_an_edge_and_noise(kind, radius):
    random = np.random.default_rng(1).random((90, 80)).astype(np.float32)
    edge = np.zeros((90, 80), np.float32)
    edge[:, 37:] = 20
    # One bright pixel beside darkness.
    random[:, 40:] = 0
    random[20, 50] = 1e4
    frame = Window.of_size(80, 90).shift(5, -3)
    for plane in (edge, random):
        wanted = signal.oaconvolve(plane.astype(np.float64), whole(kind, radius), mode="same")
        if whole(kind, radius).shape > plane.shape:
            wanted = Spreading(radius, kind, frame, frame)(plane)
        got = spread(plane, frame, frame, kind, radius)
        assert np.abs(got - wanted).max() < 0.01 * wanted.max()
        assert np.abs(got - wanted).sum() < 0.01 * plane.sum()
        assert got.min() >= 0


@pytest.mark.parametrize(
    "target",
    [
        Window(5, 7, 12, 30),
        Window(-30, -20, 3, 90),
        Window(40, 10, 80, 11),
        Window(64, 70, 65, 71),
        Window(-9, -9, -2, -3),
        Window(500, 0, 510, 20),
        Window(5, 5, 5, 9),
        Window(-300, -200, 300, 250),
    ],
)
@pytest.mark.parametrize("radius", [2.0, 9.0])
def test_any_target_window(target, radius):
    plane = np.random.default_rng(2).random(FRAME.shape).astype(np.float32)
    wanted = Spreading(radius, "exponential", FRAME, target)(plane)
    got = spread(plane, FRAME, target, "exponential", radius)
    assert got.shape == wanted.shape
    assert np.abs(got - wanted).max(initial=0) < 0.01


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 52), st.integers(0, 36), st.integers(1, 12), st.sampled_from([0.0, 0.7, 2.0, 3.1, 4.5]))
def test_a_tile_equals_the_whole_within_a_millionth_of_the_peak(x, y, size, radius):
    frame, tile = FRAME.shift(-7, 5), Window(x, y, x + size, y + size).shift(-7, 5)
    plane = np.random.default_rng(3).random(FRAME.shape).astype(np.float32)
    plane[30, 30] = 1000
    expected = spread(plane, frame, frame, "exponential", radius)
    needed = tile.grow(falloff_margin(radius, "exponential")) & frame
    part = spread(np.ascontiguousarray(plane[needed.slices_in(frame)]), needed, tile, "exponential", radius)
    assert np.abs(part - expected[tile.slices_in(frame)]).max() <= 1e-6 * expected.max()


def test_any_number_of_threads_gives_the_same_bytes():
    plane = np.random.default_rng(4).random((130, 210)).astype(np.float32)
    frame = Window.of_size(210, 130)
    results = set()
    try:
        for threads in (1, 2, 3):
            set_threads(threads)
            results.add(spread(plane, frame, frame, "exponential", 9).tobytes())
    finally:
        set_threads(None)
    assert len(results) == 1


@pytest.mark.parametrize("radius", [20, 200, 8192])
def test_memory_does_not_grow_with_the_radius(radius):
    frame = Window.of_size(960, 540)
    plane = np.ones(frame.shape, np.float32)
    tracemalloc.start()
    try:
        spread(plane, frame, frame, "exponential", radius)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # The plane with nothing around it, the result, coarse grids.
    assert peak < 3.5 * plane.nbytes


def test_a_radius_beyond_the_frame():
    frame = Window.of_size(40, 30)
    plane = np.random.default_rng(5).random(frame.shape).astype(np.float32)
    for kind in ("exponential", "gaussian"):
        wanted = Spreading(150, kind, frame, frame)(plane)
        assert spread(plane, frame, frame, kind, 150) == pytest.approx(wanted, rel=0.01)
        # What is far wider than the frame is the same everywhere in it: all light times the peak.
        widest = spread(plane, frame, frame, kind, 8192)
        peak = {"exponential": 1.678**2, "gaussian": 1.1774**2}[kind] / (2 * np.pi * 8192**2)
        assert widest == pytest.approx(np.full(frame.shape, plane.sum() * peak), rel=0.015)


@pytest.mark.slow
def test_a_growing_radius_changes_a_point_evenly():
    point = Window(0, 0, 1, 1)
    for kind, radii in (("exponential", np.arange(0, 14, 0.1)), ("gaussian", np.arange(0, 14, 0.1))):
        peaks = np.array([spread(np.ones((1, 1), np.float32), point, point, kind, r)[0, 0] for r in radii])
        wanted = np.array([falloff(r, kind)[0, 0] for r in radii])
        assert peaks == pytest.approx(wanted, rel=0.01)


def test_nothing_comes_from_nothing():
    nothing = Window(3, 3, 3, 3)
    assert not spread(np.zeros((0, 0), np.float32), nothing, FRAME, "exponential", 5).any()
    assert not Mixture([], FRAME, FRAME).spread(np.ones(FRAME.shape, np.float32)).any()
    assert parts_of(0.0, "gaussian") == (Part(0, 0, 1),)
    plane = np.random.default_rng(6).random(FRAME.shape).astype(np.float32)
    assert np.array_equal(spread(plane, FRAME, FRAME, "gaussian", 0.0), plane)


def test_wrong_arguments_raise_value_errors():
    with pytest.raises(ValueError, match="its window"):
        spread(np.ones((9, 9), np.float32), FRAME, FRAME, "gaussian", 2)
    with pytest.raises(ValueError, match="0 or more"):
        parts_of(-1.0, "exponential")


@pytest.mark.parametrize(("term", "others"), [(0, (1, 2)), (1, (0, 2)), (2, (0, 1))])
def test_each_term_of_the_glare_holds_all_light_of_a_hemisphere(term, others):
    """So they are published: scattered shares of 0.384, 0.478 and 0.138 that sum to 1."""
    shares = (0.384, 0.478, 0.138)
    terms = (
        lambda t: 2.61e6 * np.exp(-((t / 0.02) ** 2)),
        lambda t: 20.91 / (t + 0.02) ** 3,
        lambda t: 72.37 / (t + 0.02) ** 2,
    )
    angle = np.geomspace(1e-5, 90, 200_000)
    ring = 2 * np.pi * np.sin(np.radians(angle)) * np.pi / 180
    light = integrate.trapezoid(terms[term](angle) * ring, angle)
    assert light == pytest.approx(1, abs=0.03)
    rest = sum(shares[k] * terms[k](angle) for k in others)
    assert np.allclose(glare(angle) - rest, shares[term] * terms[term](angle), rtol=1e-6, atol=1e-6)


def test_shares_of_the_glare():
    """What the page of the kind says, by an integral over the published function."""
    angle = np.geomspace(1e-5, 90, 200_000)
    sums = integrate.cumulative_trapezoid(glare(angle) * np.sin(np.radians(angle)), angle, initial=0)
    share = np.interp([0.04, 0.07, 1.0], angle, sums / sums[-1])
    core = 0.384 * (1 - np.exp(-((0.04 / 0.02) ** 2)))
    assert core == pytest.approx(0.38, abs=0.01)
    assert share[1] == pytest.approx(0.384 + 0.616 / 2, abs=0.02)
    assert 1 - share[2] == pytest.approx(0.1, abs=0.015)
