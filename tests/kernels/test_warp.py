"""Warping against cv2, against pictures known in closed form, and against what no warp may do."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.data.window import Window
from stackcomp.kernels.warp import warp_planes
from stackcomp.kernels.warp_windows import placed_window, source_needed

SOURCE = Window.of_size(64, 48)
TILTED = np.array([[0.9, 0.2, 5], [-0.15, 1.1, 4], [0.002, -0.001, 1]])


def warp_homography(planes, source_window, homography, target_window):
    """The warped planes, and the share of each pixel's weight that lies inside of the source."""
    whole = np.ones(source_window.shape, np.float32)
    *warped, coverage = warp_planes([*planes, whole], source_window, homography, target_window)
    return warped, coverage


def moved(x, y):
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], dtype=np.float64)


def scaled(by):
    return np.diag([by, by, 1.0])


def turned(degrees, x=32, y=24):
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return moved(x, y) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ moved(-x, -y)


def noise(window=SOURCE, seed=1):
    return np.random.default_rng(seed).random(window.shape).astype(np.float32)


def smooth(window=SOURCE):
    x, y = np.meshgrid(np.arange(window.width), np.arange(window.height))
    return (0.5 + 0.3 * np.sin(x / 5) * np.cos(y / 7) + 0.002 * x).astype(np.float32)


def at_pixel_centres(homography):
    """The homography for a library that puts whole numbers on pixel centres."""
    return moved(-0.5, -0.5) @ homography @ moved(0.5, 0.5)


def inner(coverage, by=4):
    """Pixels well inside of what is covered."""
    whole = (coverage >= 1).astype(np.uint8)
    border = {"borderType": cv2.BORDER_CONSTANT, "borderValue": 0}
    return cv2.erode(whole, np.ones((2 * by + 1,) * 2), **border) > 0


@pytest.mark.parametrize("times", [1, -3.5])
def test_identity_gives_the_same_bits(times):
    planes = [noise(seed=k) for k in range(3)]
    result, coverage = warp_homography(planes, SOURCE, np.eye(3) * times, SOURCE)
    assert all(np.array_equal(a, b) for a, b in zip(result, planes, strict=True))
    assert np.all(coverage == 1)


def test_whole_pixels_of_movement_are_exact():
    plane = noise()
    target = Window(-10, -10, 80, 60)
    (result,), coverage = warp_homography([plane], SOURCE, moved(7, -5), target)
    wanted = np.zeros(target.shape, np.float32)
    covered = SOURCE.shift(7, -5) & target
    wanted[covered.slices_in(target)] = plane[5 - 5 :]
    assert np.array_equal(result, wanted)
    assert np.array_equal(coverage > 0, coverage == 1)
    assert coverage.sum() == covered.width * covered.height


@pytest.mark.parametrize(
    "homography", [moved(3.3, -2.6), scaled(2.7), turned(20), TILTED, turned(-50) @ scaled(1.3)]
)
def test_smooth_pictures_agree_with_another_library(homography):
    plane = smooth()
    target = Window.of_size(90, 80)
    (result,), coverage = warp_homography([plane], SOURCE, homography, target)
    wanted = cv2.warpPerspective(plane, at_pixel_centres(homography), (90, 80), flags=cv2.INTER_LANCZOS4)
    # cv2 places samples to 1/32 of a pixel only, which is what remains.
    assert np.abs(result - wanted)[inner(coverage, 12)].max() < 3e-3
    assert inner(coverage, 12).sum() > 400


def test_shrinking_agrees_with_averaging_areas():
    plane = noise(Window.of_size(128, 96))
    blurred = cv2.GaussianBlur(plane, (0, 0), 5)
    (result,), _ = warp_homography([blurred], Window.of_size(128, 96), scaled(0.25), Window.of_size(32, 24))
    wanted = cv2.resize(blurred, (32, 24), interpolation=cv2.INTER_AREA)
    assert np.abs(result - wanted)[3:-3, 3:-3].max() < 4e-3


@pytest.mark.parametrize("homography", [scaled(3.2), turned(33), moved(0.37, 0.71), turned(10) @ scaled(1.9)])
def test_a_linear_ramp_is_exact(homography):
    x, y = np.meshgrid(np.arange(64) + 0.5, np.arange(48) + 0.5)
    target = Window(-20, -20, 120, 110)
    (result,), coverage = warp_homography([0.01 * x + 0.02 * y], SOURCE, homography, target)
    tx, ty = np.meshgrid(np.arange(-20, 120) + 0.5, np.arange(-20, 110) + 0.5)
    u, v, w = np.tensordot(np.linalg.inv(homography), np.stack([tx, ty, np.ones_like(tx)]), 1)
    where = inner(coverage, 8)
    assert where.sum() > 500
    assert np.abs(result - (0.01 * u + 0.02 * v) / w)[where].max() < 1e-6


@pytest.mark.parametrize("homography", [scaled(0.3), TILTED, turned(45) @ scaled(0.7), scaled(5)])
def test_a_constant_is_unchanged_where_coverage_is_1(homography):
    target = Window(-40, -40, 200, 160)
    (result,), coverage = warp_homography([np.full(SOURCE.shape, 0.18)], SOURCE, homography, target)
    assert np.abs(result[coverage >= 1] - np.float32(0.18)).max() < 1e-7
    assert np.abs(result - np.float32(0.18) * coverage).max() < 1e-6
    assert coverage.min() == 0
    assert coverage.max() == 1


@pytest.mark.parametrize("phase", [0, 0.3, 0.5])
def test_a_fine_checkerboard_shrinks_to_grey(phase):
    window = Window.of_size(160, 160)
    x, y = np.meshgrid(np.arange(160), np.arange(160))
    board = ((x + y) % 2).astype(np.float32)
    shrink = moved(phase, phase) @ scaled(0.25)
    (result,), coverage = warp_homography([board], window, shrink, Window.of_size(40, 40))
    assert np.abs(result - 0.5)[inner(coverage, 2)].max() < 0.01
    # In perspective, too, wherever the board is at most half as large.
    leaning = np.array([[0.4, 0, 3], [0, 0.4, 2], [0, 0.004, 1]])
    (result,), coverage = warp_homography([board], window, leaning, Window.of_size(70, 45))
    assert np.abs(result - 0.5)[inner(coverage, 2)].max() < 0.05


@pytest.mark.parametrize("homography", [scaled(4.3), turned(17), TILTED, scaled(0.4), turned(30) @ scaled(2)])
def test_nothing_overshoots(homography):
    plane = np.zeros(SOURCE.shape, np.float32)
    plane[::7, ::5] = 500
    plane[20:, 30:] = 1
    (result,), coverage = warp_homography([plane], SOURCE, homography, Window(-20, -20, 280, 220))
    assert result.min() == 0
    assert result.max() <= 500
    assert 0 <= coverage.min() <= coverage.max() <= 1


def test_pixels_beyond_the_horizon_are_0():
    # Points with y < 20 of the target are beyond the horizon of this view.
    horizon = np.linalg.inv([[1, 0, 0], [0, 1, 0], [0, 0.1, -2]])
    plane = np.ones(SOURCE.shape, np.float32)
    source_in_front = Window(0, 10, 64, 58)
    (result,), coverage = warp_homography([plane], source_in_front, horizon, Window.of_size(90, 60))
    assert np.all(coverage[:20] == 0)
    assert np.all(result[:20] == 0)
    assert coverage[24:].max() == 1


def test_light_is_preserved_at_unchanged_size():
    plane = np.zeros(SOURCE.shape, np.float32)
    plane[16:32, 24:40] = noise(Window.of_size(16, 16))
    plane = cv2.GaussianBlur(plane, (0, 0), 1.5)
    (result,), _ = warp_homography([plane], SOURCE, turned(31), Window(-20, -20, 90, 80))
    assert result.sum() == pytest.approx(plane.sum(), rel=1e-3)


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from([moved(3.3, 2.2), scaled(0.3), TILTED, turned(40) @ scaled(0.6), scaled(3)]),
    st.integers(-30, 80),
    st.integers(-30, 60),
    st.integers(1, 30),
)
def test_a_tile_equals_the_whole_and_reads_only_source_needed(homography, x, y, size):
    target = Window(-40, -40, 120, 100)
    plane = noise()
    (whole,), whole_coverage = warp_homography([plane], SOURCE, homography, target)
    tile = Window(x, y, x + size, y + size) & target
    (result,), coverage = warp_homography([plane], SOURCE, homography, tile)
    assert np.array_equal(result, whole[tile.slices_in(target)])
    assert np.array_equal(coverage, whole_coverage[tile.slices_in(target)])
    needed = source_needed(homography, SOURCE, tile)
    spoilt = np.full(SOURCE.shape, np.nan, np.float32)
    spoilt[needed.slices_in(SOURCE)] = plane[needed.slices_in(SOURCE)]
    (result,), _ = warp_homography([spoilt], SOURCE, homography, tile)
    assert np.array_equal(result, whole[tile.slices_in(target)])
    placed = placed_window(homography, SOURCE, target)
    outside = np.ones(target.shape, bool)
    outside[placed.slices_in(target)] = False
    assert np.all(whole_coverage[outside] == 0)


def test_an_empty_source_or_target():
    empty = Window(0, 0, 0, 0)
    (result,), coverage = warp_homography([np.zeros((0, 0), np.float32)], empty, np.eye(3), SOURCE)
    assert np.all(result == 0)
    assert np.all(coverage == 0)
    (result,), _ = warp_homography([noise()], SOURCE, np.eye(3), empty)
    assert result.shape == (0, 0)


@pytest.mark.parametrize("homography", [np.eye(2), np.full((3, 3), np.nan), np.ones((3, 3)), np.zeros((3, 3))])
def test_wrong_homographies_raise_value_errors(homography):
    with pytest.raises(ValueError, match="homography"):
        warp_homography([noise()], SOURCE, homography, SOURCE)
