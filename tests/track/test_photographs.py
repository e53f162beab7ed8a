"""Many points of five photographs, under everything that a plate does to them: the limits that hold for all."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from stackcomp.track.tracker import track

PHOTOGRAPHS = ("camera", "astronaut", "brick", "grass", "coffee")
FRAMES = range(-8, 9)


def corners(picture):
    """Corners of the middle of a picture, as OpenCV chooses them."""
    found = cv2.goodFeaturesToTrack(np.clip(picture * 255, 0, 255).astype(np.uint8), 40, 0.02, 25, blockSize=15)
    side = picture.shape[0]
    inside = [point + 0.5 for point in found[:, 0] if np.all((point > 60) & (point < side - 60))]
    return {f"p{k}": (float(x), float(y)) for k, (x, y) in enumerate(inside[:10])}


def rms(off):
    return float(np.sqrt(np.mean(np.square(off))))


def noisy(seed):
    chance = np.random.default_rng(seed)
    return lambda frame, picture: picture + chance.normal(0, 0.02, picture.shape)


@pytest.mark.slow
@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize(
    ("changed", "limit"),
    [
        (None, 0.05),
        (noisy(1), 0.1),
        (lambda frame, picture: picture * (1 + 0.3 * frame / 8), 0.05),
        (lambda frame, picture: picture * (1 - 0.3 * frame / 8), 0.05),
    ],
    ids=["plain", "noise of 2 %", "brighter", "darker"],
)
def test_all_points_are_found_and_exact(motion, errors, name, changed, limit):
    moved = motion(name, changed=changed)
    points = corners(moved.picture)
    assert len(points) >= 4
    tracks = track(moved.sight, FRAMES, 0, points)
    off = errors(moved, tracks, points)
    assert len(off) >= 0.98 * len(points) * (len(FRAMES) - 1)
    assert rms(off) < limit


@pytest.mark.slow
@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_motion_blur_costs_exactness_and_makes_no_wrong_place(motion, errors, name):
    moved = motion(name, changed=lambda frame, p: ndimage.gaussian_filter(p, (0, 0.3 * abs(frame))))
    points = corners(moved.picture)
    off = errors(moved, track(moved.sight, FRAMES, 0, points), points)
    assert rms(off) < 0.2
    assert off.max() < 0.5


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0, 0.02])
@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_no_wrong_place_behind_a_passing_board(motion, errors, name, noise):
    board, chance = data.gravel().astype(np.float64)[:320, :60] / 255, np.random.default_rng(7)

    def covered(frame, picture):
        left = -80 + 24 * frame
        inside = slice(*np.clip([left, left + 60], 0, 320))
        picture = picture.copy()
        picture[:, inside] = board[:, inside.start - left : inside.stop - left]
        return picture + chance.normal(0, noise, picture.shape)

    moved = motion(name, changed=covered, way=(0.6, -0.4))
    points = corners(moved.picture)
    tracks = track(moved.sight, range(18), 0, points)
    assert errors(moved, tracks, points).max() < 0.5
    hidden = {
        (each.name, frame)
        for each in tracks
        for frame in range(18)
        if 0 <= moved.at(points[each.name], frame)[0] - (-80 + 24 * frame) <= 60
    }
    assert hidden
    assert all(
        each.places[frame] is None for each in tracks for frame in range(18) if (each.name, frame) in hidden
    )
    if name != "brick":
        # Most are there again at the end; in brickwork what looks alike stays lost.
        assert sum(each.places[17] is not None for each in tracks) >= 0.8 * len(points)
