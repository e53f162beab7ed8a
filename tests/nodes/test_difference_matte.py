"""difference_matte: false pixels as the normal distribution says, in dark and light alike; and what differs."""

from __future__ import annotations

import numpy as np
import pytest
from one_node import render_node as render
from scipy.stats import norm

from stackcomp import CheckError, DocumentError, Image, Window

FLOOR, SLOPE = (0.002, 0.0015, 0.003), (4e-4, 2e-4, 6e-4)
BLACK = (0.002, 0.002, 0.003)
HEIGHT, WIDTH = 300, 400


def levels():
    """From black to bright across, in three proportions."""
    across = np.linspace(0, 1.5, WIDTH)[None, :, None] * [1.0, 0.8, 0.6]
    return np.broadcast_to(across, (HEIGHT, WIDTH, 3)) + BLACK


def shot(seed, light=None):
    """A picture with a sensor's grain: normally distributed, its variance floor² + slope · light."""
    light = levels() if light is None else light
    deviation = np.sqrt(np.square(FLOOR) + np.array(SLOPE) * np.maximum(light - BLACK, 0))
    grain = np.random.default_rng(seed).normal(size=light.shape) * deviation
    return (light + grain).astype(np.float32)


def matte(plate, clean, **fields):
    given = {
        name: p if isinstance(p, Image) else Image.from_array(p)
        for name, p in zip("pc", (plate, clean), strict=True)
    }
    given = {"p": given["p"], "c": given["c"]}
    fields = {"grain_floor": FLOOR, "grain_slope": SLOPE, "black": BLACK, **fields}
    return render("difference_matte", given, image="p", clean="c", **fields)


def share(covered):
    return float((covered > 0.5).mean())


def expected(limit):
    """At least one of three independent channels beyond the limit."""
    return 1 - (1 - 2 * norm.sf(limit)) ** 3


@pytest.mark.parametrize("limit", [2, 3])
@pytest.mark.parametrize("clean_grain", [True, False])
def test_what_did_not_change_is_covered_as_often_as_chance_has_it(limit, clean_grain):
    clean = shot(2) if clean_grain else levels().astype(np.float32)
    got = matte(shot(1), clean, low=limit, high=limit, clean_grain=clean_grain)["A"]
    # In black, in the dark and in the light: one limit holds everywhere. The error is that of counting.
    for part in (got[:, :20], got[:, 20:150], got[:, 150:]):
        wanted = expected(limit)
        error = np.sqrt(wanted * (1 - wanted) / part.size)
        # A clean plate's own grain changes the level at which its grain is looked up: a few per cent of the rate.
        assert share(part) == pytest.approx(wanted, abs=4 * error + 0.15 * wanted)


def test_a_grain_taken_twice_too_fine_shows():
    got = matte(
        shot(1), shot(2), low=3, high=3, grain_floor=[f / 2 for f in FLOOR], grain_slope=[s / 4 for s in SLOPE]
    )
    assert share(got["A"]) > 20 * expected(3)


@pytest.mark.parametrize("sigmas", [2, 4, 8])
def test_a_change_counts_alike_in_dark_and_light(sigmas):
    # Without grain in either picture, a change of so many deviations in one channel is known exactly.
    clean = levels()
    plate = clean.copy()
    deviation = np.sqrt(2 * (np.square(FLOOR) + np.array(SLOPE) * (clean - BLACK)))
    plate[..., 1] -= sigmas * deviation[..., 1]
    plate[..., 2] += sigmas / 2 * deviation[..., 2]
    got = matte(plate.astype(np.float32), clean.astype(np.float32), low=3, high=6)["A"]
    t = np.clip((sigmas - 3) / 3, 0, 1)
    np.testing.assert_allclose(got, t * t * (3 - 2 * t), atol=2e-3)


def test_what_stands_in_front_is_found_in_dark_and_light():
    light = levels().copy()
    # Three rods: 15 % darker than the set where it is darkest and where it is brightest.
    places = [slice(30, 60), slice(180, 210), slice(350, 380)]
    for place in places:
        light[100:200, place] *= 0.8
    got = matte(shot(5, light), shot(6), low=3, high=4)["A"]
    inside = np.zeros((HEIGHT, WIDTH), bool)
    for place in places:
        inside[100:200, place] = True
    assert [share(got[100:200, place]) > 0.5 for place in places] == [True, True, True]
    assert share(got[~inside]) < 0.01


def test_windows_and_missing_pixels():
    frame = Window.of_size(8, 6)
    plate = Image.from_array(np.ones((4, 5, 3), np.float32), origin=(0, 0), display=frame)
    clean = Image.from_array(np.zeros((4, 5, 3), np.float32), origin=(3, 2), display=frame)
    got = matte(plate, clean)
    assert got.window == Window(3, 2, 5, 4)
    assert got.over(frame)["A"].sum() == 4


def test_values_beyond_everyday():
    plate = np.float32([[[-1, -1, -1], [60000, 0, 0], [np.inf, 0, 0]]])
    got = matte(plate, np.zeros((1, 3, 3), np.float32))["A"][0]
    assert got.tolist() == [1, 1, 1]
    same = np.float32([[[-1, -2, -3], [60000, 1e5, 3]]])
    assert matte(same, same)["A"][0].tolist() == [0, 0]


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_what_is_no_number_in_one_channel_is_not_passed_over(channel):
    broken = np.full((1, 2, 3), 0.25, np.float32)
    broken[0, 0, channel] = np.nan
    whole = np.full((1, 2, 3), 0.25, np.float32)
    for plate, clean in ((broken, whole), (whole, broken), (broken, broken)):
        got = matte(plate, clean)["A"][0]
        assert np.isnan(got[0])
        assert got[1] == 0


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"low": 4, "high": 3}, 'a "low" of 4 above its "high" of 3'),
        ({"grain_floor": [0, 0.1, 0], "grain_slope": [0, 0, 1]}, "has no grain in R, so"),
        ({"grain_floor": [-1, 0, 0]}, "grain_floor"),
    ],
)
def test_mistakes(fields, said):
    with pytest.raises(DocumentError, match=said):
        matte(shot(1), shot(2), **fields)


def test_keys_without_grain_are_found():
    keys = {"keys": [[1, [0, 0, 0]], [5, list(FLOOR)]], "between": "linear"}
    with pytest.raises(CheckError, match="frame 1: it has no grain in R, G, B"):
        matte(shot(1), shot(2), grain_floor=keys, grain_slope=[0, 0, 0])


def test_premultiplied_pictures_are_refused():
    with pytest.raises(CheckError, match=r"port \"image\" requires"):
        matte(Image.from_array(np.ones((2, 2, 4), np.float32)), Image.from_array(np.ones((2, 2, 3), np.float32)))
