"""Smoothed tracks, against scipy's filter of Savitzky and Golay."""

import numpy as np
import pytest
from scipy.signal import savgol_filter

from stackcomp.track.point import Place, Track
from stackcomp.track.smoothing import smoothed


def made(x, y, frames=None):
    frames = range(len(x)) if frames is None else frames
    return Track(
        "p", {f: None if np.isnan(a) else Place(a, b, 0.1, 0.9) for f, a, b in zip(frames, x, y, strict=True)}
    )


def coordinates(track):
    return np.array([[np.nan, np.nan] if place is None else [place.x, place.y] for place in track.places.values()])


@pytest.mark.parametrize("frames", [5, 9, 19])
def test_against_scipy(frames):
    x, y = np.random.default_rng(frames).normal(0, 1, (2, 20))
    result = coordinates(smoothed(made(x, y), frames))
    for k, given in enumerate((x, y)):
        # At the ends scipy fits the same parabola to the first and last frames.
        np.testing.assert_allclose(result[:, k], savgol_filter(given, frames, 2, mode="interp"), atol=1e-9)


def test_a_parabola_stays_and_so_do_gaps_and_disagreements():
    t = np.arange(12.0)
    x = 3 + 2 * t - 0.1 * t**2
    x[5] = np.nan
    before = made(x, 1 - t)
    after = smoothed(before, 7)
    np.testing.assert_allclose(coordinates(after), coordinates(before), atol=1e-9)
    assert after.places[5] is None
    assert after.places[2].disagreement == 0.1


def test_a_parabola_stays_where_frames_are_left_out():
    frames = [1, 2, 3, 10, 11, 20, 21]
    t = np.array(frames, dtype=float)
    before = made(3 + 2 * t - 0.1 * t**2, 1 - t, frames)
    np.testing.assert_allclose(coordinates(smoothed(before, 5)), coordinates(before), atol=1e-8)


def test_nothing_is_fitted_across_a_gap():
    x = np.array([0.0, 0, 0, 0, 0, np.nan, 9, 9, 9, 9, 9])
    assert coordinates(smoothed(made(x, x), 9))[:, 0].tolist() == pytest.approx(x.tolist(), nan_ok=True, abs=1e-9)


def test_short_runs_stay_as_they_are():
    x = np.array([0.0, 5, 0, np.nan, 1, 0])
    result = coordinates(smoothed(made(x, x), 5))
    np.testing.assert_array_equal(result[:, 0], x)
