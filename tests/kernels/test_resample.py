"""Smaller pictures against cv2's area averages, and against what averages must keep."""

from __future__ import annotations

from fractions import Fraction

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.data.window import Window
from stackcomp.kernels.resample import pick, shrink

NOISE = np.random.default_rng(2).random((60, 90)).astype(np.float32)
FRAME = Window.of_size(90, 60)


@pytest.mark.parametrize("scale", [0.5, 1 / 3, 0.1])
def test_agrees_with_area_averages(scale):
    result, window = shrink(NOISE, FRAME, scale)
    wanted = cv2.resize(NOISE, (window.width, window.height), interpolation=cv2.INTER_AREA)
    assert result == pytest.approx(wanted, abs=2e-7)


def test_hand_worked_averages():
    row = np.array([[1, 2, 4, 8, 16]], np.float32)
    result, window = shrink(row, Window(0, 0, 5, 1), 0.5)
    assert window == Window(0, 0, 3, 1)
    # The last pixel is half outside and each is half outside below.
    assert np.array_equal(result, [[0.75, 3, 4]])
    result, window = shrink(row, Window(-1, 2, 4, 3), 0.5, outside=1)
    assert window == Window(-1, 1, 2, 2)
    assert np.array_equal(result, [[1, 2, 6.5]])


@settings(max_examples=60, deadline=None)
@given(st.integers(-50, 50), st.integers(-50, 50), st.integers(1, 40), st.integers(1, 40), st.floats(0.03, 0.99))
def test_light_and_constants_are_preserved(x, y, width, height, scale):
    window = Window(x, y, x + width, y + height)
    plane = NOISE[:height, :width]
    result, target = shrink(plane, window, scale)
    assert target == window.scaled(scale)
    light = plane.astype(np.float64).sum() * scale**2
    assert result.astype(np.float64).sum() == pytest.approx(light, rel=1e-5)
    constant, _ = shrink(np.full(window.shape, 0.25, np.float32), window, scale, outside=0.25)
    assert np.abs(constant - 0.25).max() < 1e-7


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 40), st.integers(0, 30), st.floats(0.05, 1))
def test_a_part_equals_the_whole_where_it_is_inside(x, y, scale):
    part = Window(x, y, x + 45, y + 28)
    whole, window = shrink(NOISE, FRAME, scale)
    result, target = shrink(np.ascontiguousarray(NOISE[part.slices_in(FRAME)]), part, scale)
    full = Window(target.x0 + 1, target.y0 + 1, target.x1 - 1, target.y1 - 1)
    if not full.empty:
        assert np.array_equal(result[full.slices_in(target)], whole[full.slices_in(window)])


@settings(max_examples=60, deadline=None)
@given(st.integers(-20, 20), st.integers(1, 30), st.fractions(Fraction(1, 20), 1))
def test_ids_are_picked_under_the_centres(x, width, scale):
    window = Window(x, 0, x + width, 1)
    ids = np.arange(1000, 1000 + width, dtype=np.uint32)[None]
    result, target = pick(ids, window, float(scale))
    assert result.dtype == np.uint32
    assert target == window.scaled(float(scale))
    for k in range(target.width):
        centre = (target.x0 + k + Fraction(1, 2)) / scale
        if centre.denominator != 1:
            index = min(max(centre // 1 - x, 0), width - 1)
            assert result[0, k] == 1000 + index


def test_scale_one_returns_the_plane():
    assert shrink(NOISE, FRAME, 1)[0] is NOISE
    assert pick(NOISE, FRAME, 1)[0] is NOISE


def test_an_empty_window():
    empty = Window(3, 3, 3, 3)
    assert shrink(np.zeros((0, 0), np.float32), empty, 0.5)[0].size == 0
    assert pick(np.zeros((0, 0), np.uint32), empty, 0.5)[0].size == 0


@pytest.mark.parametrize("scale", [0, -1, 1.5, np.nan])
def test_scales_out_of_range_raise_value_errors(scale):
    with pytest.raises(ValueError, match="scale"):
        shrink(NOISE, FRAME, scale)
    with pytest.raises(ValueError, match="scale"):
        pick(NOISE, FRAME, scale)
