"""Defocus against a plain scatter in float64 and against what a disc of light must be."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_discs import tilts

from stackcomp.kernels.defocus import defocus, margin


@functools.cache
def disc_sum(radius):
    offsets = np.arange(-int(radius) - 2, int(radius) + 3)
    return np.clip(radius + 0.5 - np.hypot(offsets[:, None], offsets), 0, 1).sum()


def plane_share(away, lands, clear, weights, held, span):
    """What a plane through the discs that land would send from the clear pixels, and how far it is from them."""
    (down, across), weights, size = away[:, lands], weights[lands], held[lands]
    weights = weights / weights.sum()
    middle = np.array([weights @ across, weights @ down])
    offsets = np.stack([across, down]) - middle[:, None]
    level = weights @ size
    moments = (weights * offsets) @ offsets.T
    slope = np.linalg.solve(moments + np.eye(2) / 12, (weights * offsets) @ (size - level))
    uneven = np.sqrt(weights @ (size - level - slope @ offsets) ** 2)
    landing = 0.0
    for y, x in np.argwhere(clear & (np.abs(away).max(axis=0) <= span)):
        down, across = away[:, y, x]
        signed = level + slope @ (np.array([across, down]) - middle)
        radius = abs(signed)
        # The share of a plane's disc that lands here is larger where the plane is wider here than there.
        wider = max(0, (level - slope @ middle) / signed) if radius > 0.5 else 1
        if radius < 16:
            radius = max(16, int(radius * 32 + 0.5)) / 32
        # The area of a disc with a soft rim, but for what its lattice makes of that.
        whole = disc_sum(radius) if radius < 16 else np.pi * (radius**2 + 1 / 12)
        landing += wider * np.clip(radius + 0.5 - np.hypot(down, across), 0, 1) / whole
    return landing, uneven


def edge_share(py, px, clear, covers, radius, mean, span):
    """What each edge that the pixel sees would send from the clear pixels behind it."""

    def on_the_way(y, x):
        if covers[py + y, px + x]:
            return radius[py + y, px + x]
        ring = max(abs(y), abs(x))
        if ring == 0:
            return mean
        return on_the_way(int(np.rint(y * ((ring - 1) / ring))), int(np.rint(x * ((ring - 1) / ring))))

    landing = 0.0
    for y, x in np.argwhere(clear) - (py, px):
        if max(abs(y), abs(x)) <= span:
            size = on_the_way(y, x)
            landing += np.clip(size + 0.5 - np.hypot(y, x), 0, 1) / disc_sum(size)
    return landing


def without_transparency(lack, py, px, clear, covers, alpha, held, radius):
    """The share that a pixel lacks, without that which is empty."""
    away = np.stack(np.mgrid[: lack.shape[0], : lack.shape[1]]) - np.array([py, px])[:, None, None]
    distance = np.hypot(*away)
    lack = lack[py, px]
    lands = covers & (distance < radius + 0.5)
    weights = alpha * np.clip(radius + 0.5 - distance, 0, 1)
    weights = np.where(lands, weights / np.vectorize(disc_sum)(radius), 0)
    widest, mean = radius[lands].max(), (weights * radius).sum() / weights.sum()
    mean = min(widest, max(0.5, int(mean * 32 + 0.5) / 32))
    soft, far = 0.25 * (widest + 0.5) + 1, 1.5 * (widest + 0.5) + 1
    ends = np.clip((far - distance[clear].min()) / soft, 0, 1)
    if ends == 0:
        return lack
    empty, uneven = plane_share(away, lands, clear, weights, held, int(far))
    even = max(0, lack - empty)
    even *= np.clip(even / 0.02 - 1, 0, 1)
    curved = max(0, lack - edge_share(py, px, clear, covers, radius, mean, int(far)))
    share = np.clip(uneven / 0.05 - 1, 0, 1)
    return lack + ends * (even + share * (curved - even) - lack)


def scattered(planes, spread, largest):
    """The same picture by scatter, one source pixel after another, in float64. Every step is spelt out."""
    light = np.stack(planes, axis=-1).astype(np.float64)
    height, width = spread.shape
    known = np.isfinite(spread)
    held = np.where(known, np.clip(spread, -largest, largest), 0).astype(np.float64)
    radius = np.round(np.maximum(np.abs(held), 0.5) * 32) / 32
    clear = known & (light[..., 3] <= 0)
    covers = known & ~clear
    rows, columns = np.mgrid[:height, :width]
    # Of two views in one step of spread, what covers comes before bare light.
    steps = 2 * np.rint(held).astype(int) + clear
    down, across = tilts(held, covers & light.any(axis=-1))
    layers = {k: np.zeros((height, width, 5)) for k in np.unique(steps)}
    past = np.zeros((height, width))
    behind = np.zeros((height, width, 5))
    for y, x in np.argwhere(known & light.any(axis=-1)):
        distance = np.hypot(rows - y, columns - x)
        disc = np.clip(radius[y, x] + 0.5 - distance, 0, 1) / disc_sum(radius[y, x])
        disc *= np.maximum(0, 1 + (rows - y) * down[y, x] + (columns - x) * across[y, x])
        layers[steps[y, x]][..., 0] += disc
        layers[steps[y, x]][..., 1:] += disc[..., None] * light[y, x]
        # How far this pixel is behind each of those whose own disc takes it in.
        own = np.clip(radius + 0.5 - distance, 0, 1) * (np.abs(radius) > 0.5) * known * light.any(axis=-1)
        farther = np.clip(held[y, x] - held - 0.5, 0, 1) * (own > 0) * np.clip(light[y, x, 3], 0, 1)
        past += farther * own
        weight = farther / (distance**2 + radius[y, x] ** 2 + 1) ** 2
        behind[..., 0] += weight
        behind[..., 1:] += weight[..., None] * light[y, x]
    for value in np.unique(radius):
        past[radius == value] /= disc_sum(value)
    result = np.zeros((height, width, 4))
    full, open_, covered = (np.zeros((height, width)) for _ in range(3))
    # What is as far as the pixel itself or farther takes the place of what is hidden there.
    back, own = (
        np.zeros((height, width, 5)),
        np.where(known & light.any(axis=-1), 2 * np.rint(held), 99),
    )
    for k in sorted(layers):
        weight, colour = layers[k][..., 0], layers[k][..., 1:]
        part = np.minimum(1, np.maximum(0, 1 - full) / np.where(weight > 0, weight, 1))
        result += part[..., None] * colour
        full += part * colour[..., 3]
        share = weight if k % 2 == 0 else colour[..., 3]
        back += np.where(k >= own, part, 0)[..., None] * np.dstack([colour, share])
        if k % 2 == 0:
            open_ += part * (weight - colour[..., 3])
            covered += weight
    lack = np.where(covered > 0, 1 - np.minimum(1, full + open_), 0)
    for y, x in np.argwhere((lack > 0) & clear.any()):
        lack[y, x] = without_transparency(lack, y, x, clear, covers, light[..., 3], held, radius)
    filled = np.minimum(lack, past) * (behind[..., 0] > 0)
    result += (filled / np.where(behind[..., 0] > 0, behind[..., 0], 1))[..., None] * behind[..., 1:]
    # So does the transparency there.
    behind_it = back[..., 4] + np.maximum(0, 1 - np.minimum(1, full + open_) - lack)
    seen = behind_it > 1e-6
    more = np.where(seen, np.minimum(1, (lack - filled) / np.where(seen, behind_it, 1)), 0)
    result += more[..., None] * back[..., :4]
    filled += more * behind_it
    whole = 1 - (lack - filled)
    return result / np.where(whole > 0, whole, 1)[..., None]


def defocused(planes, spread, largest, outside=np.nan):
    """Defocus over the whole of the planes, with ``outside`` as the spread around them."""
    m = margin(largest)
    padded = [np.pad(plane, m) for plane in planes]
    return np.stack(defocus(padded, np.pad(spread, m, constant_values=outside), largest), axis=-1)


def mixed_picture(height=26, width=30, seed=4):
    """A sloping ground, a near and a far thing, holes, and light without coverage."""
    random = np.random.default_rng(seed)
    planes = [random.random((height, width)).astype(np.float32) for _ in range(3)]
    alpha = np.ones((height, width), np.float32)
    spread = np.repeat(np.linspace(4, -2, height, dtype=np.float32)[:, None], width, axis=1)
    spread[5:15, 4:12] = -4.3
    spread[3:20, 18:24] = 0.2
    alpha[:6, 20:], spread[:6, 20:] = 0, 5
    alpha[10:12, 10:14] = 0.4
    planes = [plane * alpha for plane in planes]
    planes[0][2, 26] = 7
    return [*planes, alpha], spread


def test_agrees_with_a_plain_scatter_in_float64():
    planes, spread = mixed_picture()
    spread[22:25, 2:5] = np.nan
    wanted = scattered(planes, spread, 5)
    assert np.abs(defocused(planes, spread, 5) - wanted).max() < 5e-6 * wanted.max()


@pytest.mark.parametrize("diameter", [0.5, 1.0, 1.5, 2.0, 2.7, 4.0, 7.3, 15.0, 30.0])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_point_of_light_becomes_a_disc_of_that_diameter(diameter, side):
    size = 71
    point = np.zeros((size, size), np.float32)
    point[35, 35] = 500
    opaque = np.ones_like(point)
    spread = np.full((size, size), side * diameter / 2, np.float32)
    disc = defocused([point, point, point, opaque], spread, 16)[..., 0].astype(np.float64)
    assert disc.sum() == pytest.approx(500, rel=1e-4)
    # Area over peak: a disc of even brightness has this diameter; one pixel is the least there is.
    assert 2 * np.sqrt(disc.sum() / disc.max() / np.pi) == pytest.approx(max(diameter, 1), abs=0.5)
    # Second moment: a disc's variance along an axis is radius² / 4; a pixel's own width adds 1/12.
    x = np.arange(size) - 35
    variance = (disc.sum(axis=0) @ x**2) / disc.sum() - 1 / 12
    # A disc up to a pixel wide lies within its own pixel, so there the pixel is the right answer.
    if diameter > 1:
        assert 4 * np.sqrt(variance) == pytest.approx(diameter, abs=0.5)
    else:
        assert np.array_equal(disc, point)
    assert disc[35, 35] == pytest.approx(disc.max())
    assert np.allclose(disc, disc.T, rtol=1e-5)


def test_a_point_without_coverage_keeps_its_light():
    point = np.zeros((31, 31), np.float32)
    point[15, 15] = 500
    nothing = np.zeros_like(point)
    light = defocused([point, point, point, nothing], np.full((31, 31), 5.5, np.float32), 6)
    assert light[..., 0].astype(np.float64).sum() == pytest.approx(500, rel=1e-4)
    assert np.all(light[..., 3] == 0)


def test_an_opaque_picture_of_one_colour_is_unchanged():
    _, spread = mixed_picture()
    flat = [np.full(spread.shape, value, np.float32) for value in (0.2, 0.5, 3.0, 1.0)]
    result = defocused(flat, spread, 5)
    assert np.abs(result - [0.2, 0.5, 3.0, 1.0]).max() < 2e-6
    assert np.all(result[..., 3] <= 1 + 1e-6)


def test_pixels_in_focus_are_unchanged():
    planes, _ = mixed_picture()
    sharp = np.full(planes[0].shape, 0.5, np.float32)
    sharp[::2] = -0.3
    for largest in (0.5, 6.0):
        assert np.array_equal(defocused(planes, sharp, largest), np.stack(planes, axis=-1))


def two_things(front_spread, back_spread):
    """A red thing on the left half in front of green, all opaque."""
    spread = np.full((31, 60), back_spread, np.float32)
    spread[:, :30] = front_spread
    red = (spread == np.float32(front_spread)).astype(np.float32)
    return defocused([red, 1 - red, 0 * red, np.ones_like(red)], spread, 8)[15]


def test_a_sharp_object_keeps_its_edge_over_a_blurred_background():
    row = two_things(0, 7)
    assert np.array_equal(row[:30, 0], np.ones(30, np.float32))
    assert row[30:, 0] == pytest.approx(0, abs=1e-6)
    assert row[30:, 1] == pytest.approx(1, abs=1e-6)


def test_a_blurred_object_spreads_over_a_sharp_background():
    row = two_things(-7, 0)
    # The light of a straight edge blurred by a disc of radius 7: the share of the disc on the red side.
    distance = np.clip((np.arange(60) + 0.5 - 30) / 7, -1, 1)
    share = (np.arccos(distance) - distance * np.sqrt(1 - distance**2)) / np.pi
    assert row[:, 0] == pytest.approx(share, abs=0.012)
    assert row[:, 0] + row[:, 1] == pytest.approx(1, abs=1e-6)
    assert row[:, 3] == pytest.approx(1, abs=1e-6)


def test_a_blurred_object_over_nothing_has_a_soft_alpha_of_the_same_shape():
    spread = np.full((31, 60), 3, np.float32)
    spread[:, :30] = -7
    alpha = (spread < 0).astype(np.float32)
    row = defocused([alpha * 2, alpha, alpha, alpha], spread, 8)[15]
    distance = np.clip((np.arange(60) + 0.5 - 30) / 7, -1, 1)
    share = (np.arccos(distance) - distance * np.sqrt(1 - distance**2)) / np.pi
    assert row[:, 3] == pytest.approx(share, abs=0.012)
    assert row[:, 0] == pytest.approx(2 * row[:, 3], abs=1e-5)


def test_unknown_pixels_around_a_picture_do_not_darken_it():
    row = two_things(7, 7)
    assert row[0, 0] == pytest.approx(1, abs=1e-6)
    assert row[0, 3] == pytest.approx(1, abs=1e-6)


@settings(max_examples=settings().max_examples // 5)
@given(st.integers(0, 20), st.integers(0, 20), st.integers(1, 40), st.integers(1, 40))
def test_a_tile_equals_the_whole_bit_for_bit(x, y, width, height):
    planes, spread = mixed_picture(60, 60)
    m = margin(5)
    whole = defocus(planes, spread, 5)
    width, height = min(width, 60 - 2 * m - x), min(height, 60 - 2 * m - y)
    cut = (slice(y, y + height + 2 * m), slice(x, x + width + 2 * m))
    tile = defocus([plane[cut] for plane in planes], spread[cut], 5)
    for part, of in zip(tile, whole, strict=True):
        assert np.array_equal(part, of[y : y + height, x : x + width])


def test_radii_are_limited_to_the_largest():
    planes, spread = mixed_picture()
    assert np.array_equal(defocused(planes, spread * 10, 3), defocused(planes, np.clip(spread * 10, -3, 3), 3))


def test_inputs_are_not_written_to():
    planes, spread = mixed_picture()
    before = [plane.copy() for plane in (*planes, spread)]
    defocus(planes, spread, 5)
    assert all(np.array_equal(a, b) for a, b in zip(before, (*planes, spread), strict=True))


def test_wrong_arguments_raise_value_errors():
    planes, spread = mixed_picture()
    with pytest.raises(ValueError, match="different shapes"):
        defocus(planes, spread[1:], 5)
    with pytest.raises(ValueError, match="no room"):
        defocus(planes, spread, 20)
    with pytest.raises(ValueError, match="0 or more"):
        defocus(planes, spread, -1)
