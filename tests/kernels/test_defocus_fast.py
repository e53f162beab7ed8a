"""Fast defocus: held against the exact one, a plain scatter in float64 and scipy's convolution."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit
from plain_discs import scattered

from stackcomp.kernels import disc_scatter
from stackcomp.kernels.aperture import RADII, ROUND, Aperture
from stackcomp.kernels.defocus import defocus, margin
from stackcomp.kernels.defocus_fast import defocus_fast, fast_margin, fast_reach
from stackcomp.kernels.disc_tables import SLOTS, mask_of

SHAPES = [ROUND, Aperture(5, 20), Aperture(6, roundness=0.5, squeeze=1.8)]


def fast(planes, spread, largest, mode="constant", **more):
    """Over the whole of the planes, with nothing or with the outermost pixels around them."""
    m = fast_margin(largest, more.get("aperture", ROUND))
    padded = [np.pad(plane, m, mode=mode) for plane in planes]
    around = np.pad(spread, m, mode="edge" if mode == "edge" else "maximum")
    return np.stack(defocus_fast(padded, around, largest, origin=(m, m), **more), axis=-1)


def exact(planes, spread, largest, mode="constant"):
    m = margin(largest)
    padded = [np.pad(plane, m, mode=mode) for plane in planes]
    around = np.pad(spread, m, mode="edge" if mode == "edge" else "maximum")
    return np.stack(defocus(padded, around, largest), axis=-1)


@functools.cache
def studio(largest=12.0, size=(110, 150)):
    """A wall, a bench that runs through the focus, a near ball, a sharp post and a few lamps; opaque."""
    random = np.random.default_rng(8)
    y, x = np.mgrid[: size[0], : size[1]].astype(np.float32)
    wall = 0.2 + 0.1 * ((x // 9 + y // 7) % 2) + 0.05 * random.random(size)
    spread = np.full(size, largest, np.float32)
    bench = y > 70
    spread[bench] = (largest * (1 - 1.9 * (y - 70) / 40))[bench]
    ball = np.hypot(x - 45, y - 50) < 22
    spread[ball] = -0.8 * largest
    wall[ball] = 0.6
    spread[20:90, 100:112] = 0
    wall[20:90, 100:112] = 0.9
    for _ in range(6):
        wall[random.integers(65), random.integers(size[1])] += 150
    planes = [(wall * tint).astype(np.float32) for tint in (1, 0.8, 0.5)]
    return [*planes, np.ones(size, np.float32)], spread


def test_a_studio_is_as_the_exact_method_shows_it():
    planes, spread = studio()
    got, wanted = fast(planes, spread, 12, "edge"), exact(planes, spread, 12, "edge")
    off = np.abs(got - wanted)
    # Measured: 0.04 % in the mean.
    assert off.mean() < 1e-3 * wanted.mean()
    assert np.count_nonzero(off.max(axis=-1) > 0.02) < 60
    assert np.abs(got[..., 3] - 1).max() < 1e-6


@pytest.mark.parametrize("largest", [12.0, pytest.param(26.0, marks=pytest.mark.slow)])
@pytest.mark.parametrize("aperture", SHAPES, ids=str)
def test_the_fast_way_is_as_every_disc_by_itself(aperture, largest):
    planes, spread = studio(largest)
    got = fast(planes, spread, largest, "edge", aperture=aperture)
    wanted = fast(planes, spread, largest, "edge", aperture=aperture, exact=True)
    # Measured: 0.11 % in the mean at most; 0.25 % of the squeezed disc, whose narrow side has no side discs.
    assert np.abs(got - wanted).mean() < (1.3e-3 if aperture.squeeze == 1 else 3e-3) * wanted.mean()
    assert np.abs(got[..., 3] - 1).max() < 1e-6


@pytest.mark.parametrize("aperture", SHAPES, ids=str)
@pytest.mark.parametrize("radius", [3.3, *(pytest.param(r, marks=pytest.mark.slow) for r in (11.0, 20.5))])
def test_one_radius_is_a_convolution(aperture, radius):
    random = np.random.default_rng(1)
    planes = [random.random((70, 90)).astype(np.float32) for _ in range(3)] + [np.ones((70, 90), np.float32)]
    got = fast(planes, np.full((70, 90), radius, np.float32), radius, aperture=aperture)
    mask = mask_of(SLOTS + int(np.abs(RADII - radius).argmin()), aperture)
    for k, plane in enumerate(planes):
        # scipy's direct sum, float64.
        wanted = scipy.signal.oaconvolve(plane.astype(np.float64), mask / mask.sum(), mode="same")
        assert np.abs(got[..., k] - wanted).max() < 1e-6


def test_a_highlight_keeps_the_rim_and_the_energy_of_its_disc():
    for radius in (6.5, 15.0, 30.0):
        planes = [np.full((90, 90), 0.01, np.float32)] * 3 + [np.ones((90, 90), np.float32)]
        planes[0] = planes[0].copy()
        planes[0][45, 44] = 5000
        # Two radii, so that it is not one convolution.
        spread = np.full((90, 90), radius, np.float32)
        spread[0, 0] = radius - 1
        light = fast(planes, spread, radius, "edge")[..., 0].astype(np.float64) - 0.01
        wanted, _ = scattered([planes[0] - 0.01] * 4, spread, radius)
        assert np.abs(light - wanted[..., 0]).max() < 0.006 * wanted.max()
        assert light.sum() == pytest.approx(5000, rel=1e-4)


@pytest.mark.parametrize("aperture", [*SHAPES, Aperture(cat_eye=0.8)], ids=str)
def test_a_closed_scene_keeps_its_light(aperture):
    # What leaves over the border is none: the light lies far inside.
    random = np.random.default_rng(2)
    planes = [np.zeros((120, 120), np.float32) for _ in range(3)]
    for plane in planes:
        plane[40:80, 40:80] = random.random((40, 40))
        plane[60, 50] = 300
    planes.append(np.ones((120, 120), np.float32))
    # One place in the field, since discs that are cut differently move light apart and together.
    place = np.full(120 + 2 * fast_margin(14, aperture), 0.6)
    for spread in (np.full((120, 120), 14, np.float32), np.full((120, 120), -9.3, np.float32)):
        got = fast(planes, spread, 14, "edge", aperture=aperture, field=(place, place))
        for k in range(3):
            assert got[..., k].sum(dtype=np.float64) == pytest.approx(planes[k].sum(dtype=np.float64), rel=1e-4)
    # Two planes of depth side by side, both on their own side of the border between them.
    spread = np.full((120, 120), 8, np.float32)
    spread[:, :20] = -4
    got = fast(planes, spread, 14, "edge", aperture=aperture, field=(place, place))
    assert got[..., 0].sum(dtype=np.float64) == pytest.approx(planes[0].sum(dtype=np.float64), rel=1e-4)


def test_cut_discs_leave_a_plain_wall_plain():
    planes = [np.full((100, 140), value, np.float32) for value in (0.5, 2, 0.1, 1)]
    aperture = Aperture(cat_eye=1)
    m = fast_margin(9, aperture)
    field = np.linspace(-0.6, 0.6, 100 + 2 * m), np.linspace(-0.8, 0.8, 140 + 2 * m)
    got = fast(planes, np.full((100, 140), 9, np.float32), 9, "edge", aperture=aperture, field=field)
    assert np.abs(got - [0.5, 2, 0.1, 1]).max() < 1e-5


def test_a_highlight_on_a_slope_is_seen_once():
    y = np.mgrid[:90, :90][0]
    planes = [np.full((90, 90), 0.2, np.float32)] * 3 + [np.ones((90, 90), np.float32)]
    planes[0] = planes[0].copy()
    planes[0][45, 45] = 400
    got = fast(planes, (14 - 0.6 * (y - 45)).clip(-20, 20).astype(np.float32), 20, "edge")[..., 0]
    # The disc alone would reach 400 / (π 14²) + 0.2; where lines are wide apart it is stretched.
    assert got.max() < 0.2 + 1.5 * 400 / (np.pi * 14**2)


@pytest.mark.slow
def test_a_card_in_nothing_is_nearly_the_sum_of_its_discs():
    alpha = np.zeros((80, 90), np.float32)
    alpha[25:60, 20:70] = 1
    alpha[38:46, 40:52] = 0
    light = alpha * (0.3 + np.random.default_rng(3).random(alpha.shape)).astype(np.float32)
    x = np.mgrid[:80, :90][1]
    for slope in (0.0, 0.03):
        spread = np.where(alpha > 0, 8 + slope * (x - 45), 14).astype(np.float32)
        got = fast([light, alpha, 2 * alpha, alpha], spread, 14)
        wanted, _ = scattered([light, alpha, 2 * alpha, alpha], spread, 14)
        assert np.abs(got[..., 3] - wanted[..., 3]).max() < (2e-3 if slope == 0 else 0.03)
        assert np.abs(got[..., 0] - wanted[..., 0]).max() < 0.03


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_tile_equals_the_whole_bit_for_bit(seed):
    random = np.random.default_rng(seed)
    largest = float(random.choice([0.5, 2.0, 7.0, 13.0]))
    aperture = SHAPES[random.integers(3)]
    m = fast_margin(largest, aperture)
    shape = (40 + 2 * m, 50 + 2 * m)

    def patches(values, side):
        some = random.choice(values, (shape[0] // side + 1, shape[1] // side + 1))
        return np.kron(some, np.ones((side, side)))[: shape[0], : shape[1]].astype(np.float32)

    side = int(random.integers(1, 12))
    alpha = patches([0, 1, 1, 1, 0.5], side)
    planes = [patches([0.2, 0.5, 3, -0.3], 2) * (alpha if random.random() < 0.5 else 1) for _ in range(3)]
    planes[1][random.random(shape) < 0.003] += 40
    spread = patches(largest * np.array([1, -1, 0.6, -0.5, 0.1]), side)
    spread += patches([0, 0.05, 0.5], 3)
    whole = defocus_fast([*planes, alpha], spread, largest, aperture=aperture)
    y, x = int(random.integers(0, 39)), int(random.integers(0, 49))
    height, width = int(random.integers(1, 41 - y)), int(random.integers(1, 51 - x))
    here = (slice(y, y + height + 2 * m), slice(x, x + width + 2 * m))
    tile = defocus_fast(
        [plane[here] for plane in (*planes, alpha)], spread[here], largest, aperture=aperture, origin=(-y, -x)
    )
    for part, of in zip(tile, whole, strict=True):
        assert np.array_equal(part, of[y : y + height, x : x + width])


def test_tiles_that_the_method_makes_itself_leave_no_trace():
    random = np.random.default_rng(4)
    y, x = np.mgrid[:170, :620].astype(np.float32)
    m = fast_margin(9)
    planes = [random.random(y.shape).astype(np.float32) for _ in range(3)] + [np.ones_like(y)]
    spread = (9 * np.sin(x / 60) * np.cos(y / 70)).astype(np.float32)
    whole = defocus_fast(planes, spread, 9.0)
    part = (slice(60, None), slice(300, None))
    again = defocus_fast([plane[part] for plane in planes], spread[part], 9.0, origin=(-60, -300))
    for one, other in zip(again, whole, strict=True):
        assert np.array_equal(one, other[60:, 300:])
    assert whole[0].shape == (170 - 2 * m, 620 - 2 * m)


def test_pixels_in_focus_are_unchanged():
    random = np.random.default_rng(5)
    planes = [(random.random((40, 50)) * 10.0 ** random.integers(-9, 3, (40, 50))).astype(np.float32)] * 4
    sharp = np.full((40, 50), 0.5, np.float32)
    sharp[::2] = -0.3
    assert np.array_equal(fast(planes, sharp, 8.0), np.stack(planes, axis=-1))
    opaque = [*planes[:3], np.ones((40, 50), np.float32)]
    spread = sharp.copy()
    spread[:, 30:] = 8
    # In the reach of discs behind them too.
    assert np.array_equal(fast(opaque, spread, 8.0)[:, :30], np.stack(opaque, axis=-1)[:, :30])


@pytest.mark.parametrize("seed", range(12))
def test_extreme_values_stay_finite(seed):
    random = np.random.default_rng(seed)
    largest = float(random.choice([0.7, 2.3, 7.25, 30]))
    shape = tuple(random.integers(1, 30, 2))
    values = [0, 0, 1, 1, 0.5, 1e-45, 1e-30, -0.2, 2, 1e30, -1e30]
    planes = [random.choice(values, shape).astype(np.float32) for _ in range(4)]
    spread = random.choice([0, 0.5, 0.6, 3, 7.3, -7.3, np.nan, 9, 1e30, -1e30], shape).astype(np.float32)
    got = fast(planes, spread, largest)
    assert np.isfinite(got).all()
    assert got.shape == (*shape, 4)


def test_a_very_bright_pixel_leaves_no_trace_beside_its_disc():
    planes = [np.full((60, 80), 0.25, np.float32)] * 3 + [np.ones((60, 80), np.float32)]
    spread = np.full((60, 80), 6, np.float32)
    spread[:, 60:] = 4
    wanted = fast(planes, spread, 6, "edge")
    planes[0] = planes[0].copy()
    planes[0][30, 20] = 1e30
    got = fast(planes, spread, 6, "edge")
    assert np.array_equal(got[:, 30:], wanted[:, 30:])
    assert got[..., 0].max() == pytest.approx(1e30 / (np.pi * 36), rel=0.02)


def test_discs_larger_than_the_picture():
    planes = [np.full((5, 7), value, np.float32) for value in (0.5, 2, 0.1, 1)]
    for radius in (100.0, 300.0):
        spread = np.full((5, 7), radius, np.float32)
        spread[2, 3] = -radius
        got = fast(planes, spread, radius, "edge")
        assert np.abs(got - [0.5, 2, 0.1, 1]).max() < 1e-5


def test_negative_light_stays_as_much():
    planes = [np.zeros((60, 60), np.float32) for _ in range(3)] + [np.ones((60, 60), np.float32)]
    planes[0][30, 30], planes[1][20:40, 20:40] = -40, -0.5
    got = fast(planes, np.full((60, 60), 9, np.float32), 9, "edge")
    assert got[..., 0].sum(dtype=np.float64) == pytest.approx(-40, rel=1e-4)
    assert got[..., 1].sum(dtype=np.float64) == pytest.approx(-200, rel=1e-4)
    assert got[..., 0].max() < 1e-6


def test_inputs_are_not_written_to():
    planes, spread = studio()
    before = [plane.copy() for plane in (*planes, spread)]
    fast(planes, spread, 12)
    assert all(np.array_equal(a, b) for a, b in zip(before, (*planes, spread), strict=True))


def test_the_margin_covers_the_reach():
    for largest in (0.0, 0.5, 0.6, 5, 6, 23.9, 24, 95, 100, 500):
        for aperture in SHAPES:
            assert fast_margin(largest, aperture) >= (fast_reach(largest, aperture) if largest > 0.5 else 0)


@pytest.mark.slow
def test_additions_are_vector_code():
    for add, lanes in ((disc_scatter._add_four, 4), (disc_scatter._add_eight, 8)):

        @njit
        def loop(sums, at, columns, changes, first, last, lights, source):
            add(sums, at, columns, changes, first, last, lights, source)  # noqa: B023

        sums, lights = np.zeros(100 * lanes), np.ones(lanes, np.float32)
        loop(sums, 3, np.array([0, 7], np.int16), np.array([0.5, -0.5], np.float32), 0, 2, lights, 0)
        wanted = np.zeros((100, lanes))
        wanted[3], wanted[10] = 0.5, -0.5
        assert np.array_equal(sums.reshape(100, lanes), wanted)
        (code,) = loop.inspect_llvm().values()
        assert f"fmul <{lanes} x double>" in code
        assert f"fadd <{lanes} x double>" in code
