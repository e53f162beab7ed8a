"""Widths of edges of known softness: at all angles, short, bent, noisy, sharpened; and what is no edge."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr
from skimage import draw as skdraw
from soft_edges import soft_edge, width_of

from stackcomp.measure.edge import EdgeError, measure_edge


def found(plane, good=None):
    return measure_edge(plane, np.ones(plane.shape, bool) if good is None else good)


def noise(shape, strength, seed=1):
    return strength * np.random.default_rng(seed).normal(size=shape)


@pytest.mark.parametrize("degrees", [2, 12, 45, 97, 263])
@pytest.mark.parametrize(("sigma", "within"), [(0.0, 0.03), (0.3, 0.01), (0.7, 0.003), (2.5, 0.002)])
def test_a_known_softness_at_all_angles(degrees, sigma, within):
    edge = found(soft_edge(48, 48, degrees, 0.37, sigma, 0.1, 0.9))
    assert edge.width == pytest.approx(width_of(sigma, degrees), rel=within)
    assert edge.step == pytest.approx(0.8, rel=0.01)
    assert edge.angle == pytest.approx(min(degrees % 90, 90 - degrees % 90), abs=0.1)


@pytest.mark.slow
@pytest.mark.parametrize("sigma", [0.4, 1.0])
def test_noise_moves_it_by_no_more_than_the_standard_error_says(sigma):
    plane, truth = soft_edge(50, 50, 8, 0.3, sigma, 0.1, 0.9), width_of(sigma, 8)
    edges = [found(plane + noise(plane.shape, 0.02, seed)) for seed in range(24)]
    off = np.array([edge.width for edge in edges]) - truth
    said = np.mean([edge.standard_error for edge in edges])
    assert abs(off.mean()) < 0.01 * truth
    assert said < 0.025 * truth
    assert 0.5 * said < off.std() < 1.6 * said
    assert np.mean([edge.noise for edge in edges]) == pytest.approx(0.02 / 0.8, rel=0.1)


@pytest.mark.parametrize("degrees", [0, 20, 130])
@pytest.mark.parametrize("radius", [15.0, 40.0])
def test_the_rim_of_a_disc_is_followed(degrees, radius):
    edge = found(soft_edge(24, 24, degrees, 0, 0.7, radius=radius))
    assert edge.width == pytest.approx(width_of(0.7, degrees), rel=0.01)
    assert edge.bend == pytest.approx(edge.length**2 / 8 / radius, rel=0.2)


def test_an_antialiased_disc_of_another_library():
    """scikit-image's supersampled polygon of a circle, softened by scipy by a known amount."""
    fine = np.zeros((60 * 8, 60 * 8))
    rows, columns = skdraw.disk((240, 240), 160, shape=fine.shape)
    fine[rows, columns] = 1
    for sigma in (0.5, 1.2):
        soft = ndimage.gaussian_filter(fine, sigma * 8)
        plane = soft.reshape(60, 8, 60, 8).mean(axis=(1, 3))[18:42, 2:22]
        assert found(plane).width == pytest.approx(width_of(sigma, 8), rel=0.01)


def test_slopes_of_light_and_uneven_sides_count_for_little():
    y, x = np.mgrid[:50, :50] / 50
    plane = soft_edge(50, 50, 10, 0.3, 0.8)
    for shaded in (plane + 0.3 * x - 0.2 * y, (0.2 + plane) * (1 + 0.4 * x), plane * (1 + 0.3 * y)):
        assert found(shaded).width == pytest.approx(width_of(0.8, 10), rel=0.03)


def test_specks_and_other_things_in_the_area():
    plane = soft_edge(60, 60, 8, 0.3, 0.7)
    specked = plane.copy()
    where = np.random.default_rng(2).integers(0, 60, (2, 20))
    specked[where[0], where[1]] = 3
    assert found(specked).width == pytest.approx(width_of(0.7, 8), rel=0.01)
    good = np.zeros(plane.shape, bool)
    good[12:50, 20:44] = True
    holes = np.where(good, plane, np.nan)
    assert found(holes, good).width == pytest.approx(width_of(0.7, 8), rel=0.01)
    bar = soft_edge(60, 60, 8, -9, 0.7) * (1 - 0.8 * soft_edge(60, 60, 8, 9, 0.7))
    assert found(bar).width == pytest.approx(width_of(0.7, 8), rel=0.02)


def test_the_size_of_numbers_does_not_matter():
    plane = soft_edge(40, 40, 8, 0.3, 0.7)
    for scale in (1e-6, 1, 6e4):
        assert found(plane * scale).width == pytest.approx(found(plane).width, rel=1e-6)


def test_sharpening_is_seen_and_measured_as_it_is():
    plane = soft_edge(60, 60, 8, 0.3, 0.8)
    sharp = 2 * plane - ndimage.gaussian_filter(plane, 1.2)
    edge = found(sharp)
    # The same from the formula: two error functions, over a pixel's area.
    at = np.linspace(-8, 8, 8001)

    def step(sigma):
        return ndtr(at / np.hypot(sigma, np.sqrt(1 / 12)))

    profile = 2 * step(0.8) - step(np.hypot(0.8, 1.2))
    assert edge.width == pytest.approx(at[np.argmax(profile > 0.9)] - at[np.argmax(profile > 0.1)], rel=0.02)
    assert edge.overshoot == pytest.approx(profile.max() - 1, rel=0.15)
    assert found(plane).overshoot < 0.002


def test_motion_blur_is_read_from_its_own_profile():
    plane = ndimage.uniform_filter1d(soft_edge(60, 60, 4, 0.3, 0.4), 7, axis=1)
    # A box of 7 pixels rises from 10 to 90 % over about 0.8 of it.
    at = np.linspace(-9, 9, 9001)
    profile = np.mean([ndtr((at - k) / np.hypot(0.4, np.sqrt(1 / 12))) for k in range(-3, 4)], axis=0)
    wanted = at[np.argmax(profile > 0.9)] - at[np.argmax(profile > 0.1)]
    assert found(plane).width == pytest.approx(wanted, rel=0.02)
    assert found(plane).misfit > 0.015


def test_what_is_no_edge():
    y, x = np.mgrid[:50, :50]
    with pytest.raises(EdgeError, match="25 finite pixels, which is too few"):
        found(np.zeros((5, 5)))
    with pytest.raises(EdgeError, match="one value"):
        found(np.ones((50, 50)))
    with pytest.raises(EdgeError, match=r"lost in noise|no edge is found"):
        found(noise((50, 50), 1))
    with pytest.raises(EdgeError):
        found(x * 0.01)
    with pytest.raises(EdgeError):
        found(np.exp(-0.5 * (x - 25 - 0.1 * y) ** 2))
    with pytest.raises(EdgeError, match=r"pixels beside|ends within"):
        found(soft_edge(40, 14, 3, 4.5, 2.5))
    with pytest.raises(EdgeError, match="pixels long"):
        found(soft_edge(6, 40, 6, 0, 0.7))
