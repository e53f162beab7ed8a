"""Viewing pictures: 256 levels that follow what a picture holds, over all exposures, in both signs."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image as Canvas

from stackcomp.review.proof_page.viewing import encoded, levels_of, picture_of


def seen_again(planes):
    levels = levels_of(planes)
    assert np.all(np.diff(levels.values) >= 0)
    shown = picture_of(planes, levels)
    return [levels.values[shown[..., k]] for k in range(len(planes))]


def test_light_of_many_stops_stays_within_a_few_hundredths(make_noise):
    planes = [make_noise(120, 200, seed) for seed in range(3)]  # 13 stops
    for plane, back in zip(planes, seen_again(planes), strict=True):
        off = np.log2(back / plane)
        assert np.sqrt(np.mean(off**2)) < 0.04
        assert np.abs(off).max() < 0.3


@pytest.mark.parametrize("scale", [1e-9, 1e-4, 1.0, 3e4, 1e12])
def test_any_size_and_sign(scale):
    plane = (np.linspace(-1, 3, 4000).reshape(40, 100) * scale).astype(np.float32)
    (back,) = seen_again([plane])
    assert np.abs(back - plane).max() < 0.03 * scale


def test_the_smallest_floats_there_are():
    """Of denormal numbers a picture is hardly more than their order; it is no error."""
    plane = np.linspace(0, 4e-40, 400).astype(np.float32).reshape(20, 20)
    (back,) = seen_again([plane])
    assert np.abs(back - plane).max() < 0.1 * 4e-40


def test_any_bits_are_no_error():
    """All of float32 at once, with NaN that signal; warnings are errors."""
    bits = np.random.default_rng(1).integers(0, 2**32, (64, 64), dtype=np.uint32)
    (back,) = seen_again([bits.view(np.float32)])
    assert np.isfinite(back).all()


def test_a_lamp_far_above_the_rest_keeps_its_place():
    plane = np.full((60, 80), 0.2, np.float32)
    plane += np.linspace(0, 0.05, 80, dtype=np.float32)
    plane[20:24, 20:24] = 900
    (back,) = seen_again([plane])
    assert back[21, 21] == pytest.approx(900, rel=0.02)
    rest = plane < 1
    assert np.abs(back - plane)[rest].max() < 0.002


def test_pixels_that_are_not_finite_and_planes_of_one_value():
    plane = np.linspace(0, 1, 100, dtype=np.float32).reshape(10, 10)
    plane[0, 0], plane[9, 9] = np.nan, np.inf
    (back,) = seen_again([plane])
    assert np.isfinite(back).all()
    for value in (0, 0.18, -3, 7e30):
        (back,) = seen_again([np.full((8, 8), value, np.float32)])
        assert back[0, 0] == pytest.approx(value, rel=1e-3)
    (back,) = seen_again([np.full((8, 8), np.nan, np.float32)])
    assert not back.any()


@pytest.mark.parametrize("count", [1, 3])
def test_any_reader_of_jpeg_reads_it(make_noise, count):
    planes = [make_noise(64, 96, seed) for seed in range(count)]
    shown = picture_of(planes, levels_of(planes))
    with Canvas.open(io.BytesIO(encoded(shown, 95))) as file:
        assert file.size == (96, 64)
        assert file.mode == ("L" if count == 1 else "RGB")
        back = np.asarray(file).reshape(64, 96, count).astype(int)
    assert np.abs(back - shown).mean() < 6
