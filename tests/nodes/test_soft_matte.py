"""soft_matte against scipy's Gaussian in float64, through the whole engine."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render
from scipy import ndimage

from stackcomp import DocumentError, Image, Matte, Window

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


def matte(plane, **more):
    return Image.from_array(plane, type=Matte(), **more)


def disc(radius=15.0, fine=8):
    x = (np.arange(SIZE[0] * fine) + 0.5) / fine - 48.2
    y = (np.arange(SIZE[1] * fine) + 0.5) / fine - 31.7
    inside = np.hypot(x, y[:, None]) <= radius
    return inside.reshape(SIZE[1], fine, SIZE[0], fine).mean(axis=(1, 3)).astype(np.float32)


def softened(plane=None, **fields):
    source = matte(disc() if plane is None else plane)
    return render("soft_matte", {"m": source}, matte="m", **fields)


@pytest.mark.parametrize("feather", [0.7, 3.0, 6.5])
def test_the_feather_is_the_normal_distribution(feather):
    wanted = ndimage.gaussian_filter(disc().astype(np.float64), feather, truncate=8, mode="nearest")
    assert np.abs(softened(feather=feather).over(FRAME)["A"] - wanted).max() < 2e-6


@pytest.mark.parametrize("grow", [-5.5, -1.0, 0.4, 3.0, 7.25])
def test_a_disc_grows_by_the_amount(grow):
    result = softened(grow=grow).over(FRAME)["A"]
    assert np.sqrt(result.sum(dtype=np.float64) / np.pi) == pytest.approx(15 + grow, abs=0.15)


def test_grow_then_feather_then_curve():
    wanted = ndimage.gaussian_filter(softened(grow=3).over(FRAME)["A"].astype(np.float64), 2, truncate=8)
    result = softened(grow=3, feather=2, curve=2.2).over(FRAME)["A"]
    assert result == pytest.approx(np.clip(wanted, 0, 1) ** 2.2, abs=5e-6)


def test_untouched_numbers_leave_the_matte_alone():
    assert np.array_equal(softened().over(FRAME)["A"], disc())


def test_a_matte_that_fills_the_frame_does_not_fade_at_its_edges():
    full = np.ones(SIZE[::-1], np.float32)
    assert np.abs(softened(full, feather=4).over(FRAME)["A"] - 1).max() < 1e-6
    assert np.array_equal(softened(full, grow=-4).over(FRAME)["A"], full)


def test_values_out_of_range_are_held():
    result = softened(disc() * 3 - 1, curve=0.5).over(FRAME)["A"]
    assert result.min() == 0
    assert result.max() == 1


def test_a_small_data_window_grows_with_the_matte():
    source = matte(np.ones((10, 12), np.float32), origin=(40, 30), display=FRAME)
    result = render("soft_matte", {"m": source}, matte="m", grow=3, feather=1)
    assert source.window.grow(8) == result.window
    assert result.over(FRAME)["A"][35, 38] > 0.9


def test_a_preview_at_half_the_scale_looks_the_same():
    whole = softened(grow=4, feather=3).over(FRAME)["A"]
    half = softened(grow=4, feather=3, at=0.5).over(FRAME.scaled(0.5))["A"]
    averaged = whole.reshape(32, 2, 48, 2).mean(axis=(1, 3))
    assert np.abs(half - averaged).max() < 0.04


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 80), st.integers(0, 50), st.integers(1, 16), st.floats(-5, 5), st.floats(0, 4))
def test_a_tile_equals_the_whole(x, y, size, grow, feather):
    whole = softened(grow=grow, feather=feather)
    tile = softened(grow=grow, feather=feather, window=Window(x, y, x + size, y + size))
    assert np.array_equal(tile["A"], whole.over(tile.window)["A"])


def test_keyed_growth():
    keys = {"keys": [[1, 0], [5, 8]], "between": "linear"}
    assert np.array_equal(softened(grow=keys, frame=3).over(FRAME)["A"], softened(grow=4).over(FRAME)["A"])


@pytest.mark.parametrize(
    ("field", "value"), [("feather", -1), ("feather", 1e5), ("grow", 1e5), ("grow", -1e5), ("curve", 0)]
)
def test_numbers_out_of_range_are_refused(field, value):
    with pytest.raises(DocumentError, match=field):
        softened(**{field: value})
