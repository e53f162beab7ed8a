"""luma_matte: luminance against colour-science, steps by hand, and what premultiplied and empty pixels give."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render

from stackcomp import CheckError, Colour, DocumentError, Image, Window
from stackcomp.data.port_types import Encoding


def matte(pixels, *, window=None, **fields):
    image = pixels if isinstance(pixels, Image) else Image.from_array(np.asarray(pixels, np.float32))
    return render("luma_matte", {"p": image}, image="p", window=window, **fields)


def row(*values):
    """Greys beside each other."""
    return np.repeat(np.float32(values)[None, :, None], 3, axis=2)


@pytest.mark.parametrize(
    ("space", "published"),
    [("ACEScg", "ACEScg"), ("Linear Rec.709 (sRGB)", "ITU-R BT.709"), ("ACES2065-1", "ACES2065-1")],
)
def test_the_weights_are_those_of_the_space_that_the_picture_is_in(space, published):
    # Y by colour-science: its matrices from published primaries, adapted by Bradford to the white of ACES.
    white = colour.RGB_COLOURSPACES["ACES2065-1"].whitepoint
    weights = colour.RGB_to_XYZ(
        np.eye(3), colour.RGB_COLOURSPACES[published], white, chromatic_adaptation_transform="Bradford"
    )[:, 1]
    for channel in range(3):
        light = np.zeros((1, 200, 3), np.float32)
        light[0, :, channel] = np.linspace(0.01, 20, 200)
        image = Image.from_array(light, type=Colour("none", Encoding(space, "scene-linear")))
        got = matte(image, low=0.25, low_softness=0.5)["A"][0]
        t = np.clip(light[0, :, channel] * weights[channel] / 0.5, 0, 1)
        np.testing.assert_allclose(got, t * t * (3 - 2 * t), atol=2e-4)


def test_the_weights_of_acescg_are_those_of_aces_dev():
    # aces-dev: luminance of AP1. At the middle of a step its curve is steepest.
    for channel, weight in enumerate((0.2722287168, 0.6740817658, 0.0536895174)):
        light = np.zeros((1, 1, 3), np.float32)
        light[..., channel] = 0.5 / weight
        assert matte(light, low=0.5, low_softness=0.01)["A"][0, 0] == pytest.approx(0.5, abs=1e-3)


def test_steps_by_hand():
    # From 0.2 to 0.6: a quarter of the way gives 3/16 - 2/64 = 5/32.
    got = matte(row(0, 0.2, 0.3, 0.4, 0.5, 0.6, 9), low=0.4, low_softness=0.4)["A"][0]
    np.testing.assert_allclose(got, [0, 0, 5 / 32, 0.5, 27 / 32, 1, 1], atol=1e-5)
    got = matte(row(0, 0.3, 0.4, 0.5, 9), high=0.4, high_softness=0.4)["A"][0]
    np.testing.assert_allclose(got, [1, 27 / 32, 0.5, 5 / 32, 0], atol=1e-5)
    got = matte(row(0, 0.3, 0.6, 1.2, 60000), low=0.5, high=1)["A"][0]
    assert got.tolist() == [0, 0, 1, 0, 0]


def test_without_softness_the_limits_themselves_are_covered():
    # A grey of 0.25 has this luminance to the bit, for all rounding of its weights.
    below, above = 0.2499, 0.2501
    assert matte(row(below, 0.25, above), low=0.25)["A"][0].tolist() == [0, 1, 1]
    assert matte(row(below, 0.25, above), high=0.25)["A"][0].tolist() == [1, 1, 0]
    assert matte(row(below, 0.25, above), low=0.25, high=0.25)["A"][0].tolist() == [0, 1, 0]
    # Open limits have no end, and with softness half of the step lies on each side.
    assert matte(row(-np.inf, np.inf), low=0.25, low_softness=0.1)["A"][0].tolist() == [0, 1]
    assert matte(row(-np.inf, np.inf), high=0.25)["A"][0].tolist() == [1, 0]
    assert matte(row(0.25), low=0.25, low_softness=0.5)["A"][0, 0] == 0.5


def test_stops_are_counted_from_grey():
    # Two stops above 18 % are 72 % (sources: an 18 % card is 0.18 scene-linear; 18 % to 72 % is +2 stops).
    got = matte(row(0, -1, 0.18, 0.36, 0.72, 1.44), unit="stops", low=1, low_softness=2)["A"][0]
    np.testing.assert_allclose(got, [0, 0, 0, 0.5, 1, 1], atol=1e-5)
    dark = matte(row(0, -1, 0.18, 0.36, 0.72), unit="stops", high=1, high_softness=2)["A"][0]
    np.testing.assert_allclose(dark, [1, 1, 1, 0.5, 0], atol=1e-5)


def test_premultiplied_colour_counts_divided():
    full = np.float32([[[0.8, 0.8, 0.8, 1], [0.1, 0.1, 0.1, 1]]])
    for cover in (1, 0.5, 1 / 64):
        got = matte(full * np.float32(cover), low=0.5)["A"][0]
        assert got.tolist() == [1, 0]


def test_light_without_coverage_counts_as_it_is_and_nothing_is_nothing():
    bare = np.float32([[[0.8, 0.8, 0.8, 0], [0.1, 0.1, 0.1, 0], [0, 0, 0, 0]]])
    assert matte(bare, low=0.5)["A"][0].tolist() == [1, 0, 0]
    # Where nothing is, nothing is dark either.
    assert matte(bare, high=0.5)["A"][0].tolist() == [0, 1, 0]


def test_straight_colour_under_alpha_0_is_nothing():
    pixels = np.float32([[[0.8, 0.8, 0.8, 0], [0.8, 0.8, 0.8, 0.25]]])
    assert matte(Image.from_array(pixels, alpha="straight"), low=0.5)["A"][0].tolist() == [0, 1]


def test_outside_of_the_data_window_nothing_is_dark():
    frame = Window.of_size(6, 4)
    small = Image.from_array(np.zeros((2, 3, 3), np.float32), origin=(2, 1), display=frame)
    got = matte(small, high=0.5)
    assert got.over(frame)["A"].sum() == 6
    beyond = Image.from_array(np.zeros((4, 5, 3), np.float32), origin=(-2, -1), display=frame)
    assert matte(beyond, high=0.5, window=(-2, -1, 3, 2))["A"].sum() == 6


def test_a_pixel_that_is_no_number_stays_so_and_infinity_is_bright():
    got = matte(row(np.nan, np.inf), low=0.5)["A"][0]
    assert np.isnan(got[0])
    assert got[1] == 1


@settings(max_examples=10, deadline=None)
@given(st.floats(0.01, 2), st.floats(0, 3), st.floats(0, 3))
def test_low_and_high_at_one_limit_make_a_whole(limit, softness, other):
    image = np.random.default_rng(2).random((4, 8, 3)).astype(np.float32) * 4
    up = matte(image, low=limit, low_softness=softness)["A"]
    down = matte(image, high=limit, high_softness=softness)["A"]
    np.testing.assert_allclose(up + down, 1, atol=1e-6)
    both = matte(image, low=limit, low_softness=softness, high=limit + other)["A"]
    assert (both <= up + 1e-7).all()


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, 'neither "low" nor "high"'),
        ({"low": 2, "high": 1}, 'a "low" of 2 above its "high" of 1'),
        ({"low": 1, "low_softness": -1}, "low_softness"),
    ],
)
def test_limits_that_make_no_sense(fields, said):
    with pytest.raises(DocumentError, match=said):
        matte(row(1), **fields)


def test_keyed_limits_are_looked_at_for_each_frame():
    keys = {"keys": [[1, 0.5], [9, 2]], "between": "linear"}
    assert matte(row(0.6, 1.4), low=keys, frame=1, high=2)["A"][0].tolist() == [1, 1]
    with pytest.raises(CheckError, match=r'frame 1: it has a "low" of 0.5 above its "high" of 0.4'):
        matte(row(0.6), low=keys, high=0.4)


def test_log_pictures_are_refused():
    image = Image.from_array(row(0.5), type=Colour("none", Encoding("ACEScct", "log")))
    with pytest.raises(CheckError, match="scene-linear"):
        matte(image, low=0.5)
