"""colour_matte: distances against colour-science's Oklab, exposure, and pixels without colour."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render

from stackcomp import CheckError, Colour, DocumentError, Image
from stackcomp.data.port_types import Encoding

BRASS = (0.55, 0.28, 0.05)


def matte(pixels, **fields):
    image = pixels if isinstance(pixels, Image) else Image.from_array(np.asarray(pixels, np.float32))
    return render("colour_matte", {"p": image}, image="p", **fields)["A"]


def oklab(light, space="ACEScg"):
    """By colour-science: its derived matrix of the space, its Bradford adaptation, its Oklab."""
    xyz = colour.RGB_to_XYZ(
        np.asarray(light, np.float64),
        colour.RGB_COLOURSPACES[space],
        colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"],
        chromatic_adaptation_transform="Bradford",
    )
    return colour.XYZ_to_Oklab(xyz)


def steps(distance, tolerance, softness):
    t = np.clip((distance - tolerance) / softness, 0, 1)
    return 1 - t * t * (3 - 2 * t)


@pytest.mark.parametrize(("space", "published"), [("ACEScg", "ACEScg"), ("Linear Rec.709 (sRGB)", "ITU-R BT.709")])
@pytest.mark.parametrize("picked", [BRASS, (0.02, 0.05, 0.2), (6, 7, 5)])
def test_distances_are_those_of_oklab(space, published, picked):
    # Around the picked colour, dark to far above white, and some beyond the spectrum with a negative channel.
    draw = np.random.default_rng(5)
    light = np.abs(np.array(picked) * np.exp(draw.normal(scale=0.5, size=(20, 30, 3)))).astype(np.float32)
    light[0, :, 2] *= -0.2
    distance = np.linalg.norm(oklab(light, published) - oklab(picked, published), axis=-1)
    softness = float(np.median(distance) * 2)
    image = Image.from_array(light, type=Colour("none", Encoding(space, "scene-linear")))
    got = matte(image, colour=picked, tolerance=0.01, softness=softness)
    np.testing.assert_allclose(got, steps(distance, 0.01, softness), atol=2e-3)


def test_white_of_the_working_space_is_white():
    # R = G = B is on the axis of greys: a distance of lightness alone, the difference of cube roots.
    greys = np.repeat(np.float32([[0.125, 1, 8]])[..., None], 3, axis=2)
    got = matte(greys, colour=(1, 1, 1), tolerance=0, softness=2)
    np.testing.assert_allclose(got[0], steps(np.array([0.5, 0, 1]), 0, 2), atol=1e-4)


def test_all_up_to_the_tolerance_and_nothing_behind_the_softness():
    light = np.float32([[BRASS, np.multiply(BRASS, 1.02), np.multiply(BRASS, 8), (0.05, 0.3, 0.6)]])
    assert matte(light, colour=BRASS, tolerance=0.02, softness=0.05)[0].tolist() == [1, 1, 0, 0]
    assert matte(light, colour=BRASS, tolerance=0.02, softness=0)[0].tolist() == [1, 1, 0, 0]


@settings(max_examples=10, deadline=None)
@given(st.floats(-6, 6), st.tuples(*[st.floats(0.02, 2)] * 3))
def test_with_brightness_ignored_exposure_changes_nothing(stops, colour):
    light = np.random.default_rng(3).uniform(0.05, 1, (3, 9, 3)).astype(np.float32)
    fields = {"colour": colour, "tolerance": 0.02, "softness": 0.6, "brightness": "ignored"}
    np.testing.assert_allclose(matte(light * np.float32(2**stops), **fields), matte(light, **fields), atol=1e-4)


def test_brightness_ignored_is_the_distance_at_one_lightness():
    light = np.random.default_rng(3).uniform(0.05, 1, (5, 9, 3)).astype(np.float32)
    lab, picked = oklab(light), oklab(BRASS)
    distance = np.linalg.norm(lab * (picked[0] / lab[..., :1]) - picked, axis=-1)
    got = matte(light, colour=BRASS, tolerance=0.05, softness=0.3, brightness="ignored")
    np.testing.assert_allclose(got, steps(distance, 0.05, 0.3), atol=2e-3)


def test_black_has_no_colour():
    dark = np.float32([[[0, 0, 0], [-0.1, -0.1, -0.1], [1e-12, 1e-12, 1e-12]]])
    got = matte(dark, colour=BRASS, tolerance=0.5, softness=0.5, brightness="ignored")
    assert got[0, :2].tolist() == [0, 0]
    assert np.isfinite(got).all()
    with pytest.raises(CheckError, match='lightness of 0, and "brightness" is ignored'):
        matte(dark, colour=(0, 0, 0), brightness="ignored")
    keys = {"keys": [[1, list(BRASS)], [5, [0, 0, 0]]], "between": "linear"}
    assert matte(dark, colour=keys, brightness="ignored").shape == (1, 3)
    # Black may be picked where brightness counts.
    assert matte(dark, colour=(0, 0, 0), tolerance=0.01, softness=0)[0, 0] == 1


def test_premultiplied_colour_counts_divided_and_bare_light_as_it_is():
    full = np.float32([[[*BRASS, 1]]])
    for cover in (1, 0.5, 0.01):
        assert matte(full * np.float32(cover), colour=BRASS, tolerance=0.01, softness=0)[0, 0] == 1
    bare = np.float32([[[*BRASS, 0], [0, 0, 0, 0]]])
    assert matte(bare, colour=BRASS, tolerance=10, softness=0)[0].tolist() == [1, 0]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({}, 'needs the field "colour"'),
        ({"colour": BRASS, "tolerance": -1}, "tolerance"),
        ({"colour": [1, 2]}, "3"),
    ],
)
def test_mistakes(fields, said):
    with pytest.raises(DocumentError, match=said):
        matte(np.zeros((1, 1, 3)), **fields)
