"""A picture as tracking sees it: the noise, what is known."""

import numpy as np
import pytest
from scipy import ndimage
from skimage import data, restoration

from stackcomp.track.sight import SOFTENING, Sight


@pytest.mark.parametrize("noise", [0.005, 0.02, 0.05])
def test_noise_against_scikit_image(noise):
    """Noise that is known, and the estimate of another method: wavelets (Donoho and Johnstone)."""
    flat = ndimage.gaussian_filter(data.camera() / 255, 6)
    noisy = flat + np.random.default_rng(1).normal(0, noise, flat.shape)
    sight = Sight.of(noisy)
    assert sight.grain == pytest.approx(noise, rel=0.1)
    assert sight.grain == pytest.approx(restoration.estimate_sigma(noisy), rel=0.1)
    # What is left of it where the picture itself is smooth.
    left = sight.plane - ndimage.gaussian_filter(flat, SOFTENING)
    assert sight.noise == pytest.approx(float(left.std()), rel=0.1)


def test_detail_is_not_taken_for_noise():
    assert Sight.of(data.camera() / 255).grain < 0.01


def test_what_is_not_finite_spoils_nothing_else():
    picture = np.full((40, 40), 0.5)
    picture[5, 5], picture[6, 6], picture[7, 7] = np.nan, np.inf, -np.inf
    sight = Sight.of(picture)
    assert np.isfinite(sight.plane).all()
    np.testing.assert_allclose(sight.plane[20:, 20:], 0.5, atol=1e-6)


def test_beyond_what_is_known_the_edge_goes_on_and_holds_no_point():
    picture = np.zeros((40, 60))
    picture[10:30, 20:50] = np.linspace(0.2, 0.4, 30)
    sight = Sight.of(picture, (20, 10, 50, 30))
    assert sight.plane.shape == (40, 60)
    assert sight.plane[15, 5] == sight.plane[15, 20]
    assert sight.holds((20.0, 10.0))
    assert not sight.holds((19.9, 15.0))
    assert np.isnan(sight.spline((25, 20), 10).at(np.array([20.4]), np.array([20.0])))
    assert sight.spline((25, 20), 10).at(np.array([30.5]), np.array([20.5]))[0] == pytest.approx(
        float(picture[20, 30]), abs=1e-3
    )


def test_tiny_pictures_have_no_noise():
    assert Sight.of(np.zeros((3, 5))).grain == 0
