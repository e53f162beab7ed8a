"""Patterns found again: in a photograph moved by an independent interpolation, and in pictures that are formulas.

The photograph is one of scikit-image. It is moved by scipy's spline of order 5, or exactly by its Fourier series.
"""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from stackcomp.kernels.pattern_match import match, pattern_of
from stackcomp.kernels.spline import Spline, spline_of

CENTRE = (250.3, 120.8)


@pytest.fixture(scope="module")
def photograph():
    """A photograph without detail that no interpolation can move."""
    return ndimage.gaussian_filter(data.camera().astype(np.float64) / 255, 0.7)


def pattern(picture, centre=CENTRE, size=31):
    return pattern_of(spline_of(picture, centre, size), centre, size)


def found(picture, first, centre=CENTRE, linear=None, **more):
    return match(first, spline_of(picture, centre, 40), centre, np.eye(2) if linear is None else linear, **{
        "noise": 0.001, **more
    })  # fmt: skip


def off(place, x, y):
    return float(np.hypot(place.centre[0] - x, place.centre[1] - y))


@pytest.mark.parametrize("shift", [(0.5, 0.25), (-1.3, 0.7), (2.0, -1.0)])
def test_a_photograph_shifted_by_its_fourier_series(photograph, shift):
    moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(photograph), shift[::-1])).real
    place = found(moved, pattern(photograph))
    assert place.settled
    assert off(place, CENTRE[0] + shift[0], CENTRE[1] + shift[1]) < 0.01
    assert place.gain == pytest.approx(1, abs=0.01)


def test_turned_scaled_and_sheared(photograph):
    linear = np.array([[1.04, -0.06], [0.09, 0.97]])
    back = np.linalg.inv(linear)
    y, x = np.mgrid[0:512, 0:512] + 0.5
    from_x, from_y = np.tensordot(back, np.stack([x - CENTRE[0], y - CENTRE[1]]), 1)
    moved = ndimage.map_coordinates(photograph, [from_y + CENTRE[1] - 0.5, from_x + CENTRE[0] - 0.5], order=5)
    place = found(moved, pattern(photograph))
    assert off(place, *CENTRE) < 0.02
    np.testing.assert_allclose(place.linear, linear, atol=0.003)


@pytest.mark.parametrize(("gain", "bias"), [(0.7, 0.0), (1.3, -0.1), (1.0, 0.3)])
def test_gain_and_bias_change_no_place(photograph, gain, bias):
    place = found(gain * photograph + bias, pattern(photograph), (CENTRE[0] + 0.7, CENTRE[1] - 0.4))
    assert off(place, *CENTRE) < 1e-3
    assert place.gain == pytest.approx(gain, abs=1e-3)
    assert place.bias == pytest.approx(bias, abs=1e-3)


@pytest.mark.parametrize("blur", [(0, 1.2), (1, 0), (0.8, 0.8)])
def test_blur_in_one_direction_moves_and_scales_nothing(photograph, blur):
    """Gaussian blur of scipy; symmetric, so the place is the same."""
    place = found(ndimage.gaussian_filter(photograph, blur), pattern(photograph))
    assert off(place, *CENTRE) < 0.03
    np.testing.assert_allclose(place.linear, np.eye(2), atol=0.02)


def test_what_covers_a_corner_of_the_pattern_counts_little(photograph):
    covered = photograph.copy()
    covered[125:140, 255:270] = 0.9
    place = found(covered, pattern(photograph), (CENTRE[0] + 0.6, CENTRE[1] + 0.2))
    assert off(place, *CENTRE) < 0.05
    assert np.nanmax(np.abs(place.residual)) > 0.1


def test_a_slope_alone_tells_no_place():
    """Along a slope a shift equals a bias, and across it nothing changes."""
    slope = np.tile(np.arange(120) / 100, (120, 1))
    assert found(slope, pattern(slope, (60, 60)), (61, 60)) is None


def test_noise_moves_a_place_by_as_much_as_is_said(photograph):
    chance = np.random.default_rng(5)
    said, seen = [], []
    for _ in range(20):
        # The noise of both pictures together is 0.02.
        noisy = photograph + chance.normal(0, 0.02, photograph.shape)
        place = found(noisy, pattern(photograph), noise=0.02)
        said.append(place.uncertain)
        seen.append(off(place, *CENTRE))
    # Along its worst direction; along both together it is up to √2 as much.
    assert 0.5 < np.sqrt(np.mean(np.square(seen))) / np.mean(said) < 2


@pytest.mark.parametrize("fill", [0.0, 0.4])
def test_nothing_is_found_in_a_flat_picture(photograph, fill):
    assert found(np.full_like(photograph, fill), pattern(photograph)) is None


def test_a_pattern_that_leaves_the_picture_is_not_found(photograph):
    assert found(photograph[:, :240], pattern(photograph)) is None


def test_a_pattern_at_the_border_uses_what_is_inside(photograph):
    centre = (6.2, 200.4)
    first = pattern(photograph, centre)
    assert not first.inside.all()
    place = found(photograph, first, (7.0, 200.0))
    assert off(place, *centre) < 0.01


@pytest.mark.parametrize("origin", [(0, 0), (-40, 17)])
def test_interpolation_against_scipy(origin):
    chance = np.random.default_rng(3)
    picture = chance.random((40, 50))
    x, y = chance.uniform(0.5, 49.5, 200), chance.uniform(0.5, 39.5, 200)
    expected = ndimage.map_coordinates(picture, [y - 0.5, x - 0.5], order=3, mode="mirror")
    spline = Spline(ndimage.spline_filter(picture, order=3, mode="mirror"), *origin)
    np.testing.assert_allclose(spline.at(x + origin[0], y + origin[1]), expected, atol=1e-9)


def test_outside_of_the_pixel_centres_nothing_is_known():
    spline = spline_of(np.zeros((10, 12)), (5, 5), 30)
    x = np.array([0.49, 11.51, 5, 5, np.nan, 0.5, 11.5])
    y = np.array([5, 5, 0.49, 9.51, 5, 0.5, 9.5])
    assert np.isnan(spline.at(x, y)).tolist() == [True] * 5 + [False] * 2


def test_too_small_a_picture_has_no_spline():
    assert spline_of(np.zeros((3, 50)), (5, 1), 10) is None
    assert spline_of(np.zeros((50, 50)), (500, 10), 10) is None
