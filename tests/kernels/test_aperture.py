"""Shapes of openings against areas that geometry gives, and against a mask drawn by many rays a pixel."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from stackcomp.kernels.aperture import RADII, ROUND, Aperture, disc_mask

SHAPES = [
    ROUND,
    Aperture(3, 17),
    Aperture(5),
    Aperture(6, 10, 0.4),
    Aperture(9, 200, 1),
    Aperture(0, squeeze=2),
    Aperture(5, 30, 0.2, 0.5),
]


def mask_of(aperture, radius, side=1, cell=0):
    reach = aperture.reach(radius)
    return disc_mask(float(radius), side, *aperture.cut(cell), aperture.numbers, aperture.normals, reach)


def size_at(aperture, x, y):
    """Size of the shape through a place, whose corners lie on the unit circle at size 1."""
    length = np.hypot(x, y)
    if aperture.blades == 0:
        return length
    step = 2 * math.pi / aperture.blades
    # The angle from the middle of an edge; a corner is at the top, and y runs down.
    angle = np.arctan2(x, -y) - math.radians(aperture.rotation)
    beside = np.mod(angle, step) - step / 2
    straight = length * np.cos(beside) / math.cos(step / 2)
    return (1 - aperture.roundness) * straight + aperture.roundness * length


@functools.cache
def circle_around(aperture):
    """Radius of the circle around the shape of the area π, by counting places."""
    far = np.linspace(-1, 1, 801)
    return math.sqrt(math.pi / ((size_at(aperture, *np.meshgrid(far, far)) <= 1).mean() * 4))


def by_rays(aperture, radius, side=1, cut=(0.0, 0.0), rays=8):
    """The share of each pixel that lies within the shape, by its definition: corners, arcs and squeezed axes."""
    reach = aperture.reach(radius)
    places = (np.arange((2 * reach + 1) * rays) + 0.5) / rays - reach - 0.5
    x, y = np.meshgrid(places * side, places * side)
    x, y = x * math.sqrt(aperture.squeeze), y / math.sqrt(aperture.squeeze)
    around = circle_around(aperture)
    inside = size_at(aperture, x, y) <= radius * around
    if cut != (0.0, 0.0):
        inside &= np.hypot(x - cut[0] * radius, y - cut[1] * radius) <= radius * around
    return inside.reshape(2 * reach + 1, rays, 2 * reach + 1, rays).mean(axis=(1, 3))


@pytest.mark.parametrize("radius", [7.3, *(pytest.param(r, marks=pytest.mark.slow) for r in (1.5, 20))])
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("aperture", SHAPES, ids=str)
def test_a_disc_has_the_shape_and_the_area_of_the_round_one(aperture, radius, side):
    mask = mask_of(aperture, radius, side)
    # A rim one pixel wide adds a little to small discs: its second moment, π / 12 for a circle.
    assert mask.sum() == pytest.approx(math.pi * (radius**2 + 1 / 12), rel=0.004 + 0.03 / radius)
    rays = by_rays(aperture, radius, side)
    assert np.abs(mask - rays).mean() * mask.size < 0.05 * 2 * math.pi * (radius + 1)
    assert np.abs(mask - rays).max() < (0.25 if aperture.blades != 3 else 0.4)


def test_the_rim_is_linear_and_one_pixel_wide():
    away = np.hypot(*np.mgrid[-11:12, -11:12])
    assert np.abs(mask_of(ROUND, 9.75) - np.clip(9.75 + 0.5 - away, 0, 1)).max() <= 1 / 512 + 1e-9


def test_round_blades_are_a_circle_and_a_fifth_of_a_turn_is_none():
    blades, circle = mask_of(Aperture(7, 40, 1), 12.5), mask_of(ROUND, 12.5)
    more = (blades.shape[0] - circle.shape[0]) // 2
    assert np.array_equal(blades, np.pad(circle, more))
    assert np.allclose(mask_of(Aperture(5, 72), 12.5), mask_of(Aperture(5), 12.5), atol=1 / 256)


def test_discs_in_front_of_the_focus_are_turned_by_180_degrees():
    for aperture in SHAPES:
        one, two = mask_of(aperture, 9.5), mask_of(aperture, 9.5, -1)
        assert np.array_equal(one[::-1, ::-1], two)
        if not aperture.turns:
            assert np.allclose(one, two, atol=1 / 256)
    # A corner at the top, as seen from behind the camera, stands upright behind the focus.
    rows = mask_of(Aperture(5), 20).sum(axis=1)
    reach = Aperture(5).reach(20)
    extent = np.flatnonzero(rows) - reach
    assert -extent[0] > extent[-1] + 3


def test_height_over_width():
    mask = mask_of(Aperture(squeeze=2), 20)
    high, wide = np.count_nonzero(mask.any(axis=1)), np.count_nonzero(mask.any(axis=0))
    assert (high, wide) == (
        pytest.approx(2 * 20 * math.sqrt(2), abs=2),
        pytest.approx(2 * 20 / math.sqrt(2), abs=2),
    )


@pytest.mark.parametrize("cat_eye", [0.3, 1.0])
def test_a_cat_eye_leaves_the_part_that_two_circles_share(cat_eye):
    aperture = Aperture(cat_eye=cat_eye)
    right = int(aperture.cells_of(np.array([[1.0]]), np.array([[0.0]]))[0, 0])
    left = int(aperture.cells_of(np.array([[-1.0]]), np.array([[0.0]]))[0, 0])
    assert int(aperture.cells_of(np.array([[0.02]]), np.array([[0.0]]))[0, 0]) == 0
    radius = 24.0
    mask = mask_of(aperture, radius, cell=right)
    # Two circles of one radius at a distance: 2 r² acos(d / 2r) - d/2 √(4r² - d²). Plane geometry.
    apart = cat_eye * radius
    shared = 2 * radius**2 * math.acos(apart / 2 / radius) - apart / 2 * math.sqrt(4 * radius**2 - apart**2)
    assert mask.sum() == pytest.approx(shared, rel=0.01)
    x = np.arange(mask.shape[1]) - mask.shape[1] // 2
    # Behind the focus, light is missing on the side away from the middle of the frame.
    assert mask.sum(axis=0) @ x < -0.05 * cat_eye * mask.sum() * radius
    assert mask_of(aperture, radius, cell=left).sum(axis=0) @ x > 0
    assert mask_of(aperture, radius, -1, right).sum(axis=0) @ x > 0
    assert np.abs(mask - by_rays(aperture, radius, cut=aperture.cut(right))).max() < 0.4


def test_the_middle_of_the_field_is_not_cut():
    assert np.array_equal(mask_of(Aperture(6, cat_eye=0.8), 12), mask_of(Aperture(6), 12))


def test_radii_rise_and_are_fine_enough():
    assert np.all(np.diff(RADII) > 0)
    assert RADII[-1] > 1000
    some = RADII[16:]
    assert np.all(np.diff(some) <= np.maximum(1 / 32, some[:-1] / 64))


@pytest.mark.parametrize(
    "fields", [{"blades": 2}, {"blades": -1}, {"roundness": 1.1}, {"cat_eye": -0.1}, {"squeeze": 0}]
)
def test_openings_that_cannot_be_are_refused(fields):
    with pytest.raises(ValueError, match=r"opening|roundness"):
        Aperture(**fields)
