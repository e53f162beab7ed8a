"""Slopes of radii, and what they do to discs: against plain Python, the geometry of a ball, and sums of light."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_discs import scattered, tilts

from stackcomp.kernels.aperture import ROUND, Aperture
from stackcomp.kernels.defocus import defocus, margin
from stackcomp.kernels.defocus_fast import defocus_fast, fast_margin
from stackcomp.kernels.disc_slopes import STEEP, slopes_of


def measured(spread, alpha, marks, largest):
    result, used = np.full((2, *spread.shape), 99, np.int8), np.zeros(9, np.bool_)
    for first in range(0, spread.shape[0], 3):
        slopes_of(spread, alpha, marks, largest, result, used, first, min(first + 3, spread.shape[0]))
    return result, used


def exact(planes, spread, largest):
    m = margin(largest)
    padded = [np.pad(plane, m, mode="edge") for plane in planes]
    return np.stack(defocus(padded, np.pad(spread, m, mode="edge"), largest), axis=-1)


def fast(planes, spread, largest, aperture=ROUND, **more):
    m = fast_margin(largest, aperture)
    padded = [np.pad(plane, m, mode="edge") for plane in planes]
    around = np.pad(spread, m, mode="edge")
    return np.stack(defocus_fast(padded, around, largest, origin=(m, m), aperture=aperture, **more), axis=-1)


@pytest.mark.parametrize("slope", [(0.25, 0), (0, -0.5), (0.125, 0.375), (-0.75, 0.25)])
def test_a_plane_has_its_slope_everywhere(slope):
    y, x = np.mgrid[:9, :11].astype(np.float32)
    spread = np.float32(40) + slope[0] * y + slope[1] * x
    found, used = measured(spread, np.ones_like(spread), np.full(spread.shape, -5, np.int16), 100)
    assert (found == STEEP * np.array(slope)[:, None, None]).all()
    assert np.flatnonzero(used).tolist() == [5]


def test_a_slope_is_at_most_what_leaves_no_disc_negative():
    y, x = np.mgrid[:9, :9].astype(np.float32)
    found, _ = measured(4 + 1.2 * y + 0.9 * x, np.ones_like(y), np.ones(y.shape, np.int16), 100)
    length, radius = np.hypot(*found.astype(float)) / STEEP, 4 + 1.2 * y + 0.9 * x
    assert (length <= radius / (radius + 0.5)).all()
    assert (length > radius / (radius + 0.5) - 2 / STEEP).all()


def test_an_outline_has_the_slope_of_its_inner_side_and_a_thing_of_two_pixels_none():
    spread = np.array([[9, 9, 9, 2, 2.5, 3, 3.5, 9, 9, 5, 4.5, 9, 9, 9]], np.float32)
    found, _ = measured(spread, np.ones_like(spread), np.ones(spread.shape, np.int16), 100)
    assert (found[1] == [[0, 0, 0, 32, 32, 32, 32, 0, 0, 0, 0, 0, 0, 0]]).all()
    assert not found[0].any()


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1.3, 4.0, 20.0]))
def test_slopes_are_those_of_plain_python(seed, largest):
    random = np.random.default_rng(seed)
    shape = tuple(random.integers(1, 9, 2))
    y, x = np.mgrid[: shape[0], : shape[1]]
    steps = random.choice([0, 0.02, 0.05, 0.5, 1.4, 3], 2) * random.choice([-1, 1], 2)
    spread = (random.uniform(-9, 9) + steps[0] * y + steps[1] * x + 0.1 * random.random(shape)).astype(np.float32)
    spread[random.random(shape) < 0.2] = random.choice([np.nan, 7, 0, -8])
    marks = ((random.random(shape) < 0.9) & np.isfinite(spread)).astype(np.int16)
    alpha = random.choice([1, 1, 1, 0.5, 0], shape).astype(np.float32)
    found, used = measured(spread, alpha, marks, largest)
    held = np.where(marks > 0, np.clip(spread, -largest, largest), 0).astype(np.float32)
    wanted = tilts(held, (marks > 0) & (alpha > 0)) * np.where(held == 0, 1, held) * STEEP
    # Both cut off what is below a part; in another order of rounding one may have a part more.
    assert (np.abs(found - wanted) < 1e-3).mean() > 0.97 or np.abs(found - wanted).max() <= 1.001
    assert np.abs(found - wanted).max() <= 1.001
    assert used[1] == found.any()


def ball(size=(96, 128), radius=0.27, away=1.8, focus=2.0, lens=0.11, scale=132.0):
    """Coverage of a ball, the signed radii of a thin lens, and its coverage seen through the lens.

    Lengths are in metres, `scale` is pixels at distance 1. By the geometry of rays and a sphere, in float64.
    """
    middle = np.array([0, 0, away])

    def covers(start, y, x):
        """Where rays from a point of the lens through the focused plane meet the ball."""
        towards = np.stack([x * focus - start[0], y * focus - start[1], np.full_like(x, focus)])
        from_middle = (np.array([*start, 0]) - middle)[:, None, None]
        along = (towards * from_middle).sum(axis=0)
        beyond = (from_middle**2).sum() - radius**2
        return along**2 - (towards**2).sum(axis=0) * beyond > 0

    def grid(times):
        places = [(np.arange(n * times) + 0.5) / times - n / 2 for n in size]
        return np.meshgrid(*(place / scale for place in places), indexing="ij")

    def mean(fine, times):
        return fine.reshape(size[0], times, size[1], times).mean(axis=(1, 3))

    y, x = grid(1)
    flat = x**2 + y**2 + 1
    root = away**2 - flat * (away**2 - radius**2)
    depth = np.where(root > 0, (away - np.sqrt(np.maximum(root, 0))) / flat, 8.0)
    spread = lens * scale * (depth - focus) / depth / focus
    points = [(u, v) for u in np.linspace(-1, 1, 17) for v in np.linspace(-1, 1, 17) if u * u + v * v <= 1]
    seen = sum(mean(covers((lens * u, lens * v), *grid(4)), 4) for u, v in points) / len(points)
    return mean(covers((0.0, 0.0), *grid(8)), 8).astype(np.float32), spread.astype(np.float32), seen


def test_the_outline_of_a_ball_is_nearly_as_soft_as_geometry_makes_it():
    coverage, spread, seen = ball()
    largest = float(np.abs(spread).max())
    planes = [coverage, coverage, coverage, np.ones_like(coverage)]
    errors = [np.abs(way(planes, spread, largest)[..., 0] - seen).sum() for way in (exact, fast)]
    # In pixels of coverage. Measured: 20.9 and 24.5; with even discs 27.3 by both ways.
    assert max(errors) < 25.5, errors


@pytest.mark.parametrize("way", [exact, fast])
@pytest.mark.parametrize("slope", [0.1, 0.5, 0.9])
def test_a_highlight_on_a_slope_keeps_its_light(way, slope):
    y, x = np.mgrid[:81, :91].astype(np.float32)
    spread = np.clip(8 + slope * (x - 45) * 0.8 + slope * (y - 40) * 0.6, -20, 20).astype(np.float32)
    dark = np.zeros((81, 91), np.float32)
    lamp = dark.copy()
    lamp[40, 45] = 300
    covered = np.ones_like(dark)
    got = way([lamp, dark, dark, covered], spread, 20)[..., 0].astype(np.float64)
    assert got.min() >= 0
    # Measured: 0.2 % at most by the exact way; 0.02, 0.02 and 2.8 % by the fast one, whose discs of highlights are
    # even; 0.1, 4 and 9 % by both when all discs were.
    assert got.sum() == pytest.approx(300, rel=2.5e-3 if way is exact or slope < 0.2 else 3.2e-2)


@pytest.mark.parametrize("way", [exact, fast])
def test_what_a_nearer_thing_hides_is_not_made_up_for_by_that_thing(way):
    """Beside a blurred card lands what its discs send there; the rest is the wall, whose discs the card hides."""
    card = np.zeros((70, 80), np.float32)
    card[20:50, 25:60] = 1
    wall = 1 - card
    spread = np.where(card > 0, -7, 12).astype(np.float32)
    got = way([card, wall, wall, np.ones_like(card)], spread, 12)
    sent, _ = scattered([card, card, card, card], np.full_like(card, -7), 7)
    beside = wall > 0
    assert np.abs(got[..., 0] - sent[..., 0])[beside].max() < 0.002
    assert np.abs(got[..., 0] + got[..., 1] - 1).max() < 1e-5


@settings(deadline=None, max_examples=12)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([1.5, 2.0, 5.0, 8.0, 13.0, 27.0]),
    st.sampled_from(
        [ROUND, Aperture(3), Aperture(5, 20), Aperture(3, squeeze=4), Aperture(squeeze=1.8), Aperture(cat_eye=0.7)]
    ),
)
def test_no_part_of_a_disc_becomes_negative(seed, largest, aperture):
    """Squares of light and dark on a wavy surface, in part transparent."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[:70, :90]
    side = random.integers(2, 12)
    light = ((y // side + x // side) % 2).astype(np.float32)
    phase = random.uniform(0, 6, 2)
    wave = np.sin(y / random.uniform(4, 20) + phase[0]) * np.cos(x / random.uniform(4, 20) + phase[1])
    alpha = (
        np.ones_like(light)
        if random.random() < 0.5
        else (0.5 + 0.5 * random.random(light.shape)).astype(np.float32)
    )
    field = (np.linspace(-0.7, 0.7, 70 + 2 * fast_margin(largest, aperture)).astype(np.float32),
             np.linspace(-0.7, 0.7, 90 + 2 * fast_margin(largest, aperture)).astype(np.float32))  # fmt: skip
    spots = (random.random(light.shape) < 0.02).astype(np.float32)
    planes = [light * alpha, spots * alpha, 5 * light * alpha, alpha]
    got = fast(planes, (largest * wave).astype(np.float32), largest, aperture, field=field)
    assert got.min() >= 0
    assert got[..., 3].max() <= 1 + 1e-6
    assert got[..., 2].max() <= 5 + 1e-5


@pytest.mark.parametrize(("largest", "slope", "light"), [(60, 0.5, 1e-4), (30, 0.6, 1e-5)])
def test_an_even_dark_surface_stays_even_on_slopes(largest, slope, light):
    y, x = np.mgrid[:100, :100].astype(np.float32)
    spread = largest - slope * np.abs(x - 50) - 0.2 * np.abs(y - 50)
    one = np.ones_like(spread)
    got = fast([light * one, 10 * light * one, one, one], spread, largest)
    assert np.abs(got / [light, 10 * light, 1, 1] - 1).max() < 5e-4


def test_discs_of_other_shapes_lean_as_well():
    """On a slope the middle of a lamp's light moves by the second moment of the opening times the slope."""
    x = np.mgrid[:121, :121][1].astype(np.float32)
    spread = np.clip(16 + 0.4 * (x - 60), -24, 24).astype(np.float32)
    # Too bright to be joined with what is beside it, and not so bright that its disc stays even.
    even, lamp = np.ones((121, 121), np.float32), np.ones((121, 121), np.float32)
    lamp[60, 60] = 8
    # The mean of squared columns of a disc of radius r is r² / 4, of one that is squeezed r² / (4 squeeze).
    for aperture, wanted in ((ROUND, 1.6), (Aperture(6), 1.6), (Aperture(squeeze=1.8), 1.6 / 1.8)):
        middles = []
        for how in (True, False):
            way = fast([lamp, even, even, even], spread, 24, aperture, exact=how)
            disc = way[..., 0].astype(np.float64) - way[..., 1]
            middles.append((disc * (x - 60)).sum() / disc.sum())
        assert middles[0] == pytest.approx(middles[1], abs=0.1)
        assert middles[0] == pytest.approx(wanted, abs=0.1)


@pytest.mark.parametrize("way", [exact, fast])
def test_of_an_unknown_radius_nothing_lands_whatever_is_beside_it(way):
    one = np.ones((60, 70), np.float32)
    spread = np.full_like(one, 0.3)
    spread[30, 30] = np.nan
    for wide in (False, True):
        spread[30, 10] = 2.3 if wide else 0.3
        got = way([one, one, one, one], spread, 3)
        assert not got[30, 30].any()
        assert (got[30, 31] == 1).all()
