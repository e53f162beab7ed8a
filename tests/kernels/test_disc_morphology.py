"""Growing and shrinking against scipy's distance transform, grey dilation, and an exact disc."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from slow_cases import few_fast

from stackcomp.kernels import disc_morphology
from stackcomp.kernels.disc_morphology import grow, margin, shrink

RADII = [0.4, 1.0, 1.5, 2.7, 5.0, 8.3]


def grown(plane, radius, function=grow):
    return function(np.pad(plane, margin(radius), mode="edge"), radius)


def disc(radius, centre=(40.3, 39.6), size=80, fine=16):
    """A disc's coverage, by counting fine samples."""
    axis = (np.arange(size * fine) + 0.5) / fine
    inside = np.hypot(axis[:, None] - centre[0], axis - centre[1]) <= radius
    return inside.reshape(size, fine, size, fine).mean(axis=(1, 3)).astype(np.float32)


def scattered_shapes(seed=5):
    random = np.random.default_rng(seed)
    return (ndimage.gaussian_filter(random.random((70, 80)), 3) > 0.5).astype(np.float32)


@pytest.mark.parametrize("radius", RADII)
def test_a_hard_matte_agrees_with_the_exact_distance(radius):
    # scipy's exact Euclidean distance from each pixel centre to the nearest one inside.
    shapes = scattered_shapes()
    distance = ndimage.distance_transform_edt(shapes == 0)
    result = grown(shapes, radius)
    assert np.all(result[distance <= radius] == 1)
    assert np.all(result[distance >= radius + np.sqrt(2)] == 0)
    # Straight across, the hard edge is a ramp one pixel wide, and it has moved by the radius.
    assert np.all(result >= np.clip(1 - (distance - radius), 0, 1) ** 2 - 1e-5)


@pytest.mark.parametrize("radius", few_fast([2.7, 1.0, 5.0], 1))
def test_a_soft_matte_agrees_with_scipy_on_a_fine_grid(radius):
    fine = 8
    soft = ndimage.gaussian_filter(np.random.default_rng(6).random((30, 34)), 1.2).astype(np.float32)
    # The same bilinear surface on a grid eight times as fine, dilated with a flat disc.
    height, width = soft.shape
    rows, columns = np.mgrid[: (height - 1) * fine + 1, : (width - 1) * fine + 1] / fine
    surface = ndimage.map_coordinates(soft.astype(np.float64), [rows, columns], order=1)
    axis = np.arange(-int(radius * fine), int(radius * fine) + 1) / fine
    footprint = np.hypot(axis[:, None], axis) <= radius
    wanted = ndimage.grey_dilation(surface, footprint=footprint, mode="nearest")[::fine, ::fine]
    m = margin(radius) + 1
    inner = (slice(m, -m), slice(m, -m))
    steepest = np.abs(np.diff(soft, axis=0)).max() + np.abs(np.diff(soft, axis=1)).max()
    # The fine grid reaches up to an eighth of a pixel less far in some directions.
    assert np.abs(grown(soft, radius) - wanted)[inner].max() < steepest / fine
    assert np.abs(grown(soft, radius) - wanted)[inner].mean() < 0.15 * steepest / fine


@pytest.mark.parametrize("radius", RADII)
@pytest.mark.parametrize("sign", [1, -1])
def test_an_exact_disc_grows_and_shrinks_by_the_amount(radius, sign):
    result = grown(disc(20), radius, grow if sign > 0 else shrink)
    wanted = 20 + sign * radius
    assert np.sqrt(result.sum() / np.pi) == pytest.approx(wanted, abs=0.15)
    # The half-way contour along the middle row and column, on both sides.
    for line, centre in ((result[40], 39.6), (result[:, 39], 40.3)):
        at = np.arange(80) + 0.5
        crossings = [
            at[k] + (line[k] - 0.5) / (line[k] - line[k + 1])
            for k in range(79)
            if (line[k] - 0.5) * (line[k + 1] - 0.5) < 0
        ]
        assert len(crossings) == 2
        assert np.abs(np.array(crossings) - centre) == pytest.approx(wanted, abs=0.15)


def test_the_softness_of_an_edge_is_unchanged():
    ramp = np.clip((np.arange(60, dtype=np.float32) - 20) / 12, 0, 1)
    plane = np.repeat(ramp[None], 30, axis=0)
    assert grown(plane, 4)[15, 8:-8] == pytest.approx(ramp[12:-4], abs=1e-6)
    assert grown(plane, 4, shrink)[15, 8:-8] == pytest.approx(ramp[4:-12], abs=1e-6)


def test_radius_zero_changes_nothing():
    soft = disc(20)
    assert np.array_equal(grow(soft, 0), soft)
    assert np.array_equal(shrink(soft, 0), soft)


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 6), st.floats(0, 6))
def test_growing_is_monotonic(one, other):
    soft = disc(9, (20, 20), 40, 8)
    less, more = sorted([one, other])
    assert np.all(grown(soft, less) >= soft)
    # Rim samples of two radii lie at different angles, hence the small slack.
    assert np.all(grown(soft, more) >= grown(soft, less) - 0.02)
    assert grown(soft, more).max() <= 1


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 6), st.integers(0, 20), st.integers(0, 20), st.integers(1, 40))
def test_a_tile_equals_the_whole_bit_for_bit(radius, x, y, size):
    plane = np.random.default_rng(8).random((72, 72)).astype(np.float32)
    plane[:30] = 0
    m = margin(radius)
    size = min(size, 72 - 2 * m - max(x, y))
    whole = grow(plane, radius)
    tile = grow(plane[y : y + size + 2 * m, x : x + size + 2 * m], radius)
    assert np.array_equal(tile, whole[y : y + size, x : x + size])


def by_definition(plane, radius):
    """The largest of all pixels of the disc and of places on its rim, one after the other, in float32."""
    reach = margin(radius)
    height, width = (side - 2 * reach for side in plane.shape)
    inside, (corner, fraction) = disc_morphology._inside(radius, reach), disc_morphology._rim(radius, reach)

    def at(dy, dx):
        return plane[dy : dy + height, dx : dx + width]

    # Where nothing is a number there is no largest one.
    best = np.fmax(at(reach, reach), np.float32(-np.inf))
    for dy, end in enumerate(inside):
        for dx in range(reach - end, reach + end + 1):
            best = np.fmax(best, at(dy, dx))
    for (dy, dx), (down, across) in zip(corner, fraction, strict=True):
        upper = at(dy, dx) + across * (at(dy, dx + 1) - at(dy, dx))
        lower = at(dy + 1, dx) + across * (at(dy + 1, dx + 1) - at(dy + 1, dx))
        best = np.fmax(best, upper + down * (lower - upper))
    return best


@pytest.mark.parametrize("radius", [0.3, 1.0, 4.6, 13.2])
@pytest.mark.parametrize("sort", ["noise", "soft", "hard", "below 0", "even", "gaps"])
def test_over_the_borders_of_tiles_it_is_what_its_definition_says(radius, sort):
    m = margin(radius)
    plane = np.random.default_rng(9).random((75 + 2 * m, 290 + 2 * m))
    plane = {
        "noise": plane,
        "soft": ndimage.gaussian_filter(plane, 4),
        "hard": plane > 0.99,
        "below 0": -100 * plane,
        "even": np.where(np.arange(plane.shape[1]) < 280, 0.25, plane),
        "gaps": np.where(plane < 0.1, np.nan, plane),
    }[sort].astype(np.float32)
    # What lies between two values may be rounded above both in the definition; no more than that.
    np.testing.assert_allclose(
        grow(plane, radius), by_definition(plane, radius), atol=1.2e-7 * np.nanmax(np.abs(plane))
    )
    assert grow(plane, radius).max() <= np.nanmax(plane)


def test_what_is_no_number_is_passed_over():
    plane = np.zeros((31, 31), np.float32)
    plane[10, 12], plane[15, 15] = np.nan, 0.5
    assert np.isfinite(grow(plane, 5)).all()
    assert grow(plane, 5).max() == 0.5


def test_wrong_radii_raise_value_errors():
    with pytest.raises(ValueError, match="0 or more"):
        grow(np.ones((9, 9), np.float32), -1)
    with pytest.raises(ValueError, match="no room"):
        grow(np.ones((9, 9), np.float32), 7)
