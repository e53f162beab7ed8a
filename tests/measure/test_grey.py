"""Planted gains, found again under grain."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Image
from stackcomp.files.colorimetry import luminance_weights
from stackcomp.measure.area import parse_rectangle
from stackcomp.measure.grey import match_grey
from stackcomp.measure.level import PatchError, level
from stackcomp.measure.light import match_light, match_light_from_hdri
from stackcomp.measure.picture import HALF_MAX, Measured

DEMO = Path(__file__).parents[2] / "demo_shot"
#: Luminance of AP1: aces-dev, AP1_2_XYZ.
AP1 = np.array([0.2722287168, 0.6740817658, 0.0536895174])
GREY = np.array([0.18, 0.17, 0.16])
gains = st.tuples(*[st.floats(0.1, 10)] * 3)


def measured(pixels):
    image = Image.from_array(pixels)
    return Measured(image, image, HALF_MAX)


def patch(value, side, grain=0.0, seed=0):
    noise = np.random.default_rng(seed).standard_normal((side, side, 3))
    return measured(np.asarray(value) * (1 + grain * noise))


def area(side):
    return parse_rectangle(f"0,0,{side},{side}")


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("gain", [(1.25, 1.0, 0.72), (0.3, 4.0, 7.5)])
def test_planted_gains_under_grain(gain, seed):
    """σ 2 % in both pictures: the gain's standard error is 2 % · √2 / side, so 128 × 128 pixels leave 0.022 %.

    0.1 % is then 4.5 standard errors; at 100 × 100 pixels it is 3.5.
    """
    side = 128
    plate = patch(GREY * gain, side, 0.02, 2 * seed)
    other = patch(GREY, side, 0.02, 2 * seed + 1)
    found = match_grey(plate, area(side), other, area(side))
    assert np.array(found.gain) == pytest.approx(np.array(gain), rel=0.001)
    assert found.relative_standard_error == pytest.approx([0.02 * 2**0.5 / side] * 3, rel=0.05)
    assert found.residual < 0.002
    truth = np.log2((AP1 @ (GREY * gain)) / (AP1 @ GREY))
    assert found.stops == pytest.approx(truth, abs=0.001)
    assert not found.doubts


@given(gains)
def test_without_grain_the_gain_is_exact_and_its_inverse_undoes_it(gain):
    one, two = patch(GREY * gain, 4), patch(GREY, 4)
    there, back = (match_grey(a, area(4), b, area(4)) for a, b in ((one, two), (two, one)))
    assert np.array(there.gain) == pytest.approx(np.array(gain), rel=1e-6)
    assert np.array(there.gain) * back.gain == pytest.approx(np.ones(3))
    assert there.stops == pytest.approx(-back.stops, abs=1e-9)
    assert there.residual < 1e-6


def test_the_weights_are_those_of_the_standards():
    assert luminance_weights("ACEScg") == pytest.approx(AP1, abs=2e-6)
    assert luminance_weights("Linear Rec.709 (sRGB)").sum() == pytest.approx(1, abs=1e-6)


def test_the_cameras_black_is_subtracted():
    plate = patch(GREY * 2 + 0.002, 8)
    found = match_grey(plate, area(8), patch(GREY, 8), area(8), plate_black=(0.002, 0.002, 0.002))
    assert found.gain == pytest.approx((2, 2, 2), rel=1e-5)


def test_dust_and_stray_paths_do_not_count():
    clean = np.array(patch(GREY, 40, 0.02).light.to_array())
    dirty = clean.copy()
    dirty[3, 3], dirty[9, 20], dirty[30:33, 7] = 900.0, 0.0, 0.01
    was, now = (level(measured(p), area(40), "the area") for p in (clean, dirty))
    assert now.left_out == 5
    assert was.left_out == 0
    assert np.array(now.mean) == pytest.approx(np.array(was.mean), rel=0.0005)


def test_few_pixels_and_uneven_light_are_doubts():
    small = match_grey(patch(GREY, 10, 0.02), area(10), patch(GREY, 10, 0.02, 1), area(10))
    assert "times as large" in small.doubts[0]
    half = np.ones((64, 64, 3)) * GREY
    half[:, :20] *= 0.9
    uneven = match_grey(measured(half), area(64), patch(GREY, 64), area(64))
    assert any("not even" in doubt for doubt in uneven.doubts)


@pytest.mark.parametrize(
    ("value", "words"), [(65504.0, "clipped"), (0.0, "no light"), (np.nan, "not finite"), (-0.1, "no light")]
)
def test_patches_that_cannot_be_matched(value, words):
    with pytest.raises(PatchError, match=words):
        match_grey(patch(GREY, 8), area(8), patch([0.18, value, 0.18], 8), area(8))


@given(gains, st.floats(0.01, 1000))
def test_light_is_linear(gain, strength):
    """A card rendered at any strength, and a plate that is brighter by a planted gain."""
    found = match_light(patch(GREY * gain, 4), area(4), patch(GREY, 4), area(4), strength=strength)
    change = (AP1 @ (GREY * gain)) / (AP1 @ GREY)
    assert found.strength == pytest.approx(strength * change, rel=1e-5)
    assert found.stops == pytest.approx(np.log2(change), abs=1e-5)
    assert np.array(found.strength_per_channel) == pytest.approx(strength * np.array(gain), rel=1e-5)
    # The tint is what remains at that strength; it leaves luminance as it is.
    assert np.array(found.tint) * found.strength / strength == pytest.approx(np.array(gain), rel=1e-5)
    assert AP1 @ (GREY * found.tint) == pytest.approx(AP1 @ GREY, rel=1e-5)


def test_light_from_a_constant_sky():
    """A sky of radiance L gives a card of reflectance ρ the light ρ · L, whatever it faces."""
    hdri = measured(np.ones((8, 16, 3)) * [1.0, 0.5, 0.25])
    plate = patch(0.18 * np.array([3.0, 1.5, 1.5]), 6)
    found = match_light_from_hdri(plate, area(6), hdri, (1, 2, -0.5))
    assert found.rendered == pytest.approx((0.18, 0.09, 0.045), rel=1e-5)
    assert found.gain == pytest.approx((3, 3, 6), rel=1e-5)
    assert len(found.left_out) == 4
    dark = match_light_from_hdri(plate, area(6), hdri, (1, 2, -0.5), reflectance=0.09)
    assert dark.strength == pytest.approx(2 * found.strength)


def test_an_hdri_with_a_planted_balance_comes_back():
    """The demo's HDRI, warm by a planted factor: cards path-traced at its point stand in for the plate.

    The corrected HDRI's card equals the path-traced one within 0.5 % a channel, and the gain's colour is the
    planted one's inverse.
    """
    place = json.loads((DEMO / "place" / "place.json").read_text())
    from stackcomp.measure.irradiance import irradiance
    from stackcomp.measure.picture import open_measured

    hdri = open_measured(DEMO / "place" / "hdri.exr")
    first, *others = place["cards_at_point"]
    found = match_light_from_hdri(patch(first["radiance"], 16), area(16), hdri, tuple(first["normal"]))
    assert np.array(found.gain) * place["planted_white_balance"] == pytest.approx(np.ones(3), rel=0.005)
    corrected = Image.from_array(hdri.light.to_array() * found.gain)
    for card in others:
        seen = irradiance(corrected, tuple(card["normal"])).card(card["reflectance"])
        assert np.array(seen) == pytest.approx(np.array(card["radiance"]), rel=0.005)
