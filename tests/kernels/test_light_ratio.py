"""Ratios of light against the truth they were made with, under noise, shadows and things that pass."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.data.window import Window
from stackcomp.kernels.light_ratio import MOST, one_ratio, ratios_along

WINDOW = Window(-5, 3, 115, 83)


def ring():
    y, x = np.mgrid[: WINDOW.height, : WINDOW.width]
    far = np.hypot(x - 60, y - 40)
    return ((far > 24) & (far < 34)).astype(np.float32)


def surface(seed=0):
    """A surface with texture, from dark to bright."""
    y, x = np.mgrid[: WINDOW.height, : WINDOW.width]
    texture = np.random.default_rng(seed).random(WINDOW.shape)
    return ((0.05 + 0.5 * x / WINDOW.width) * (0.5 + texture) + 0.02 * np.sin(y / 4)).astype(np.float32)


def grain(seed, by=0.03):
    return np.random.default_rng(seed).normal(0, by, WINDOW.shape).astype(np.float32)


@pytest.mark.parametrize("truth", [0.3, 1, 2.5])
def test_it_is_exact_without_noise(truth):
    plate, weights = surface() * np.float32(truth), ring()
    assert one_ratio(plate * weights, surface() * weights, WINDOW) == pytest.approx(truth, rel=1e-6)


def test_grain_does_not_come_along():
    weights = ring()
    found = []
    for seed in range(20):
        plate = 1.4 * surface() + grain(seed)
        found.append(one_ratio(plate * weights, (surface() + grain(seed + 100)) * weights, WINDOW))
    assert np.mean(found) == pytest.approx(1.4, rel=2e-3)
    # The median of blocks alone has 0.0058.
    assert np.std(found) < 0.005
    # The mean of ratios of single pixels is far off, as it must be.
    inside = weights > 0
    naive = np.mean(((1.4 * surface() + grain(0)) / (surface() + grain(100)))[inside])
    assert abs(naive - 1.4) > 0.02


def test_a_thing_that_passes_and_a_shadow_do_not_count():
    weights, plate = ring(), 1.4 * surface() + grain(1)
    clean = one_ratio(plate * weights, surface() * weights, WINDOW)
    hidden = plate.copy()
    hidden[:, 75:] = 0.9
    assert one_ratio(hidden * weights, surface() * weights, WINDOW) == pytest.approx(clean, rel=0.02)
    shaded = plate.copy()
    shaded[:, :50] *= 0.4
    assert one_ratio(shaded * weights, surface() * weights, WINDOW) == pytest.approx(clean, rel=0.02)
    # The plain ratio of sums would have been wrong.
    assert abs((hidden * weights).sum() / (surface() * weights).sum() - clean) > 0.05


def test_nothing_to_compare_and_limits():
    nothing, some = np.zeros(WINDOW.shape, np.float32), np.ones(WINDOW.shape, np.float32)
    for plate, patch in ((nothing, some), (some, nothing), (nothing, nothing), (-some, some), (some, -some)):
        assert one_ratio(plate, patch, WINDOW) == 1
    assert one_ratio(some * 1000, some, WINDOW) == MOST
    assert one_ratio(some, some * 1000, WINDOW) == 1 / MOST


@settings(max_examples=20, deadline=None)
@given(st.floats(0.2, 5), st.integers(-20, 20), st.integers(-20, 20))
def test_it_follows_gain_and_place(gain, x, y):
    weights = ring()
    plate, patch = (1.2 * surface() + grain(3)) * weights, surface() * weights
    expected = one_ratio(plate, patch, WINDOW)
    assert one_ratio(plate * np.float32(gain), patch, WINDOW) == pytest.approx(expected * gain, rel=1e-5)
    # Blocks lie at multiples of 8, so moves by those change nothing at all.
    assert one_ratio(plate, patch, WINDOW.shift(8 * x, 8 * y)) == expected


def test_ratios_along_follow_a_change_around_the_ring():
    x = np.linspace(0, 1, WINDOW.width)[None]
    truth = (0.7 + 0.8 * x) * np.ones(WINDOW.shape)
    weights = ring()
    plate = truth.astype(np.float32) * surface() + grain(5)
    logs, lit = ratios_along(plate * weights, (surface() + grain(6)) * weights, 10)
    inside = weights > 0
    assert lit[inside].all()
    assert np.abs(np.exp(logs) / truth - 1)[inside].max() < 0.09
    assert np.abs(np.exp(logs) / truth - 1)[inside].mean() < 0.025


def test_ratios_along_nothing():
    nothing = np.zeros(WINDOW.shape, np.float32)
    logs, lit = ratios_along(nothing, nothing, 4)
    assert not lit.any()
    assert not logs.any()
    logs, lit = ratios_along(ring() * 1000, ring(), 4)
    assert np.exp(logs[lit]).max() == pytest.approx(MOST)
