"""What is covered is seen, what is only noise or softer is not; and what looks alike proves nothing."""

import numpy as np
import pytest
from skimage import data

from stackcomp.kernels.pattern_match import match, pattern_of
from stackcomp.track.finding import distinct, found_near
from stackcomp.track.likeness import given_back, likeness
from stackcomp.track.point import Options, Place, begun
from stackcomp.track.sight import Sight

CENTRE = (256.5, 120.5)
SIZE = 31


@pytest.fixture(scope="module")
def photograph():
    return data.camera().astype(np.float64) / 255


def compared(first, other, noise=0.0):
    """The likeness of the pattern around the centre and what is found there in another picture."""
    a, b = Sight.of(first), Sight.of(other)
    pattern = pattern_of(a.spline(CENTRE, SIZE), CENTRE, SIZE)
    found = match(pattern, b.spline(CENTRE, SIZE), CENTRE, np.eye(2), noise=noise)
    return likeness(pattern, found, noise)


def with_square(picture, left, top, size, value):
    changed = picture.copy()
    changed[top : top + size, left : left + size] = value
    return changed


def test_the_same_picture_is_all_alike(photograph):
    like = compared(photograph, photograph)
    assert like.correlation == pytest.approx(1, abs=1e-6)
    assert (like.covered, like.centre_covered) == (0, False)
    assert like.seen.all()


def test_a_covered_corner_is_seen_and_left_out(photograph):
    like = compared(photograph, with_square(photograph, 241, 105, 12, 0.9))
    # The corner has 4 of the 25 parts.
    assert 3 / 25 <= like.covered <= 8 / 25
    assert not like.centre_covered
    assert not like.seen[3, 3]
    assert like.seen[-3, -3]
    assert like.correlation > 0.98


def test_a_covered_middle_is_seen(photograph):
    assert compared(photograph, with_square(photograph, 252, 116, 9, 0.9)).centre_covered


@pytest.mark.parametrize("noise", [0.01, 0.03])
def test_noise_covers_nothing(photograph, noise):
    chance = np.random.default_rng(8)
    first, other = (photograph + chance.normal(0, noise, photograph.shape) for _ in range(2))
    both = float(np.hypot(Sight.of(first).noise, Sight.of(other).noise))
    like = compared(first, other, both)
    assert like.covered <= 1 / 25
    assert like.correlation > 0.98


def test_what_noise_takes_from_a_correlation_is_given_back():
    chance = np.random.default_rng(9)
    signal = chance.normal(0, 1, 200_000)
    a, b = (signal + chance.normal(0, 0.5, signal.size) for _ in range(2))
    seen = float(np.corrcoef(a, b)[0, 1])
    # The variance of the noise of both together is twice 0.25.
    assert given_back(seen, (float(a.var()), float(b.var())), 0.5) == pytest.approx(1, abs=0.01)
    assert given_back(0.99, (1, 1), 1.0) == 1


def test_what_is_no_better_than_a_place_like_it_proves_nothing():
    """A tile, and another one that is a little brighter: as a find, the second is as good as it looks."""
    y, x = np.mgrid[0:160, 0:160] + 0.5
    picture = 0.3 + 0.004 * np.sin(x / 5) * np.cos(y / 7)
    for left, brightness in ((50, 0.3), (100, 0.31)):
        wide, tall = (1 / (1 + np.exp((np.abs(side) - half) / 0.8)) for side, half in ((x - left, 8), (y - 80, 5)))
        picture = picture + brightness * wide * tall
    sight = Sight.of(picture)
    point = begun("tile", (50.0, 80.0), sight, Options())
    assert point.mistakable(Options()) > 0.98
    other = found_near(point, sight, (100.0, 80.0), Options())
    assert other is not None
    assert other[2].correlation > 0.98
    assert not distinct(point, other, Options())
    itself = found_near(point, sight, (50.4, 79.8), Options())
    assert itself is not None
    assert distinct(point, itself, Options())


def test_a_point_like_no_other_may_come_back_changed(photograph):
    point = begun("hand", CENTRE, Sight.of(photograph), Options())
    assert point.mistakable(Options()) < 0.95
    place = Place(*CENTRE, 0.1, 0.98)
    assert distinct(point, (CENTRE, np.eye(2), place), Options())
