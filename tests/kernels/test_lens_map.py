"""The map of a lens: against OpenCV's, its grid against the formula, and what windows need and reach."""

from __future__ import annotations

import functools

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.data.window import Window
from stackcomp.kernels.distortion import Distortion
from stackcomp.kernels.lens_map import TOLERANCE, Grid, LensMap

LENS = Distortion(k1=-0.24, k2=0.08, k3=-0.012, p1=0.0008, p2=-0.0012)
FRAME = Window.of_size(1920, 1080)
FOCAL, CENTRE = (1650.0, 1660.0), (968.0, 534.0)
WIDE = Distortion(k1=0.9, k2=0.2, k3=-0.01, k4=1.3, k5=0.4, k6=0.01)


def centres(window):
    return np.meshgrid(np.arange(window.x0, window.x1) + 0.5, np.arange(window.y0, window.y1) + 0.5)


def map_of(distorts, distortion=LENS, magnification=1.0):
    return LensMap(distortion, FOCAL, CENTRE, distorts, magnification)


def places(map, window):
    """Places of the pixels of a window, tile by tile as a warp asks for them."""
    grid = Grid.of(map, window)
    found = np.empty((2, *window.shape))
    for y in range(window.y0, window.y1, 100):
        for x in range(window.x0, window.x1, 130):
            tile = Window(x, y, min(x + 130, window.x1), min(y + 100, window.y1))
            found[:, *tile.slices_in(window)] = grid.places(tile)[0]
    return found


@pytest.mark.parametrize("distortion", [LENS, WIDE], ids=["brown", "rational"])
def test_straightening_is_opencvs_map(distortion):
    """`cv2.initUndistortRectifyMap`, to a thousandth of a pixel over the frame."""
    inner = np.array([[FOCAL[0], 0, CENTRE[0] - 0.5], [0, FOCAL[1], CENTRE[1] - 0.5], [0, 0, 1.0]])
    d = distortion
    numbers = np.array([d.k1, d.k2, d.p1, d.p2, d.k3, d.k4, d.k5, d.k6])
    size = FRAME.width, FRAME.height
    u, v = cv2.initUndistortRectifyMap(inner, numbers, None, inner, size, cv2.CV_32FC1)
    x, y = places(map_of(False, distortion), FRAME)
    assert np.abs(x - 0.5 - u).max() < 1e-3
    assert np.abs(y - 0.5 - v).max() < 1e-3


@pytest.mark.parametrize("distortion", [LENS, WIDE], ids=["brown", "rational"])
@pytest.mark.parametrize("distorts", [True, False])
def test_the_grid_is_the_formula(distorts, distortion):
    map = map_of(distorts, distortion)
    grid = Grid.of(map, FRAME)
    assert not grid.exact.any()
    for tile in (Window(1850, 1000, 1920, 1080), Window(0, 7, 61, 65), Window(930, 500, 990, 540)):
        there = map.at(*centres(tile))
        (x, y), steps = grid.places(tile)
        assert np.hypot(x - there.x, y - there.y).max() < TOLERANCE
        for step, expected in zip(steps, (there.xx, there.yx, there.xy, there.yy), strict=True):
            assert np.abs(step - expected).max() < 1e-5


def test_beside_a_fold_each_pixel_is_computed_by_itself():
    map = LensMap(Distortion(k1=-0.3), (700.0, 700.0), (960.0, 540.0), distorts=True)
    window = Window(1100, 460, 1500, 540)
    grid = Grid.of(map, window)
    assert grid.exact.any()
    assert not grid.exact.all()
    there = map.at(*centres(window))
    x, y = places(map, window)
    known = np.isfinite(there.x)
    assert known.any()
    assert not known.all()
    assert np.array_equal(np.isfinite(x), known)
    assert np.hypot(x - there.x, y - there.y)[known].max() < TOLERANCE


@settings(max_examples=25)
@given(x=st.integers(-90, 500), y=st.integers(-70, 300), width=st.integers(1, 60), height=st.integers(1, 60))
def test_a_window_has_the_places_of_the_whole(x, y, width, height):
    map, whole = _MAP, Window(-100, -80, 580, 380)
    window = Window(x, y, min(x + width, whole.x1), min(y + height, whole.y1))
    assert np.abs(places(map, window) - whole_places()[:, *window.slices_in(whole)]).max() < 1e-9


_MAP = LensMap(LENS, (400.0, 400.0), (240.0, 130.0), distorts=True)


@functools.cache
def whole_places():
    return places(_MAP, Window(-100, -80, 580, 380))


@pytest.mark.parametrize("distorts", [True, False])
@pytest.mark.parametrize("distortion", [LENS, Distortion(k1=0.2), Distortion(k1=-0.5)], ids=str)
def test_windows_reach_and_need_what_the_formula_says(distorts, distortion):
    map = LensMap(distortion, (150.0, 155.0), (82.0, 46.0), distorts)
    source, target = Window(-4, -3, 165, 95), Window(-100, -75, 270, 170)
    there = map.at(*centres(target))
    with np.errstate(invalid="ignore"):
        seen = (there.x > source.x0) & (there.x < source.x1) & (there.y > source.y0) & (there.y < source.y1)
    rows, columns = np.nonzero(seen)
    reached = map.reached(source)
    corner = Window(
        int(columns.min()) + target.x0, int(rows.min()) + target.y0,
        int(columns.max()) + target.x0 + 1, int(rows.max()) + target.y0 + 1,
    )  # fmt: skip
    assert corner in reached
    # No more than the filter reaches, where no fold makes pixels large.
    if np.isinf(distortion.limit):
        assert reached in corner.grow(6)
    tile = Window(20, 15, 45, 35)
    part = map.needed(tile, source)
    inside = there.x[tile.slices_in(target)], there.y[tile.slices_in(target)]
    assert part.x0 <= max(source.x0, np.nanmin(inside[0]) - 2)
    assert part.x1 >= min(source.x1, np.nanmax(inside[0]) + 2)
    assert part.y0 <= max(source.y0, np.nanmin(inside[1]) - 2)
    assert part.y1 >= min(source.y1, np.nanmax(inside[1]) + 2)


def test_overscan_is_what_the_frame_sees_beyond_itself():
    """Against the corners and edges of the frame through `cv2.undistortPoints`."""
    map = map_of(True)
    inner = np.array([[FOCAL[0], 0, CENTRE[0]], [0, FOCAL[1], CENTRE[1]], [0, 0, 1.0]])
    across, down = np.linspace(0, 1920, 300), np.linspace(0, 1080, 300)
    outline = [(x, y) for x in across for y in (0, 1080)] + [(x, y) for x in (0, 1920) for y in down]
    numbers = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    precise = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12)
    straight = cv2.undistortPoints(np.array(outline)[:, None], inner, numbers, P=inner, criteria=precise)[:, 0]
    beyond = [*-straight.min(axis=0), *(straight.max(axis=0) - (1920, 1080))]
    for side, expected in zip(map.overscan(FRAME), beyond, strict=True):
        assert expected + 2 <= side <= expected + 3.1
    assert LensMap(Distortion(k1=0.1), FOCAL, CENTRE, distorts=True).overscan(FRAME) == (0, 0, 0, 0)


def test_a_lens_fits_another_resolution_and_a_preview():
    small = LensMap.in_frame(LENS, (1920, 1080), FOCAL, CENTRE, Window(10, 20, 970, 560), distorts=True)
    large = map_of(True)
    there, here = large.at(np.array([200.0]), np.array([900.0])), small.at(np.array([110.0]), np.array([470.0]))
    assert (here.x - 10) * 2 == pytest.approx(there.x)
    assert (here.y - 20) * 2 == pytest.approx(there.y)
    half = LensMap.in_frame(LENS, (1920, 1080), FOCAL, CENTRE, FRAME, 0.5, distorts=True)
    assert half.at(np.array([100.0]), np.array([450.0])).x * 2 == pytest.approx(there.x)


def test_a_channel_is_larger_in_the_distorted_picture():
    for distorts in (True, False):
        own, larger = map_of(distorts), map_of(distorts, magnification=1.01)
        x, y = np.array([1500.0]), np.array([900.0])
        if distorts:
            # What is seen at a place was drawn a hundredth farther out.
            expected = own.at(CENTRE[0] + (x - CENTRE[0]) / 1.01, CENTRE[1] + (y - CENTRE[1]) / 1.01).x
        else:
            expected = CENTRE[0] + (own.at(x, y).x - CENTRE[0]) * 1.01
        assert larger.at(x, y).x == pytest.approx(expected, abs=1e-7)
        there = larger.at(x, y)
        assert larger.back.at(there.x, there.y).x == pytest.approx(x, abs=1e-6)
