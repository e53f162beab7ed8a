"""glow against direct convolution, through the whole engine."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render
from scipy import signal

from stackcomp import CheckError, DocumentError, Image, Matte, Window
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.kernels.convolve import falloff, falloff_margin

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


def lamps():
    random = np.random.default_rng(1)
    pixels = random.random((*SIZE[::-1], 4)).astype(np.float32) * 0.3
    pixels[30:33, 40:44, :3] = [40, 25, 8]
    pixels[10, 70, :3] = [0, 0, 300]
    # A flame: light without coverage.
    pixels[50:54, 10:14] = [6, 3, 1, 0]
    return pixels


def glowing(pixels=None, matte=None, **fields):
    given = {"p": Image.from_array(lamps() if pixels is None else pixels)}
    if matte is not None:
        given["m"] = Image.from_array(matte, type=Matte())
        fields["matte"] = "m"
    keywords = {"image": "p", "radius": 3, "threshold": 1, **fields}
    return render("glow", given, **keywords)


def excess(pixels, threshold):
    """Light above a threshold of the brightest channel, hue kept."""
    brightest = pixels[..., :3].max(axis=-1, keepdims=True).astype(np.float64)
    return pixels[..., :3] * np.maximum(brightest - threshold, 0) / brightest


@pytest.mark.parametrize("kind", ["exponential", "gaussian"])
def test_agrees_with_direct_convolution(kind):
    pixels = lamps()
    reach = falloff_margin(3, kind)
    kernel = np.pad(falloff(3, kind), ((reach, 0), (reach, 0)), mode="reflect")
    result = glowing(pixels, falloff=kind, tint=[1, 0.5, 0.25], strength=0.7).to_array()
    for channel, tint in enumerate((1, 0.5, 0.25)):
        light = signal.convolve2d(excess(pixels, 1)[..., channel], kernel, mode="same")
        wanted = pixels[..., channel] + 0.7 * tint * light
        off = np.abs(result[..., channel] - wanted)
        assert off.max() < 0.01 * light.max()
        assert off.sum() / 2 < 0.005 * light.sum()
    assert np.array_equal(result[..., 3], pixels[..., 3])


def test_half_of_the_light_lands_within_the_radius():
    point = np.zeros((*SIZE[::-1], 3), np.float32)
    point[32, 48] = 100
    light = glowing(point, radius=5, threshold=0, output="alone").over(Window(0, -20, 96, 84))["R"]
    y, x = np.mgrid[-20:84, 0:96]
    near = light[np.hypot(x - 48, y - 32) <= 5].sum()
    assert near / light.sum() == pytest.approx(0.5, abs=0.02)


def test_alone_is_what_added_adds_and_has_no_coverage():
    added, alone = glowing().to_array(), glowing(output="alone").to_array()
    assert np.all(alone[..., 3] == 0)
    assert added[..., :3] - lamps()[..., :3] == pytest.approx(alone[..., :3], abs=1e-4)


def test_moved_light_is_neither_made_nor_lost():
    pixels = lamps()
    pixels[:, :, :3] *= np.pad(np.ones((20, 30)), ((22, 22), (33, 33)))[..., None]
    result = glowing(pixels, threshold=0, strength=0.4, output="moved")
    light = sum(result[c].sum(dtype=np.float64) for c in "RGB")
    assert light == pytest.approx(pixels[..., :3].sum(dtype=np.float64), rel=1e-5)


def test_nothing_glows_at_strength_zero_or_under_the_threshold():
    assert np.array_equal(glowing(strength=0).to_array(), lamps())
    assert np.array_equal(glowing(threshold=1000).to_array(), lamps())


def test_a_knee_sets_in_softly_and_meets_both_ends():
    values = np.linspace(0, 4, 401, dtype=np.float32)
    pixels = np.repeat(values[None, :, None], 3, axis=2)
    light = glowing(pixels, radius=0, threshold=2, knee=0.5, output="alone").to_array()[0, :, 0]
    assert np.all(light[values <= 1.5] == 0)
    assert light[values >= 2.5] == pytest.approx(values[values >= 2.5] - 2, abs=1e-5)
    assert np.all(np.diff(light) >= -1e-6)
    slopes = np.diff(light) / 0.01
    assert np.abs(np.diff(slopes)).max() < 0.02


def test_hue_stays():
    pixels = np.zeros((*SIZE[::-1], 3), np.float32)
    pixels[32, 48] = [8, 4, 2]
    light = glowing(pixels, threshold=3, output="alone").to_array()[32, 50]
    assert light[0] / light[1] == pytest.approx(2, rel=1e-4)
    assert light[1] / light[2] == pytest.approx(2, rel=1e-4)


def test_only_light_within_the_matte_glows():
    matte = np.zeros(SIZE[::-1], np.float32)
    matte[8:14, 66:76] = 1
    light = glowing(matte=matte, output="alone").to_array()
    assert np.all(light[..., 0] < 1e-3)
    assert light[10, 70, 2] > 1


def test_negative_light_does_not_spread_and_stays():
    pixels = np.full((*SIZE[::-1], 3), -0.1, np.float32)
    assert np.array_equal(glowing(pixels, threshold=0).to_array(), pixels)


def test_within_and_amount_limit_it():
    within = np.zeros(SIZE[::-1], np.float32)
    within[:, :48] = 1
    given = {"p": Image.from_array(lamps()), "w": Image.from_array(within, type=Matte())}
    fields = {"image": "p", "radius": 3, "threshold": 1}
    part = render("glow", given, within="w", amount=0.5, **fields).to_array()
    whole = render("glow", given, **fields).to_array()
    assert np.array_equal(part[:, 48:], lamps()[:, 48:])
    assert part[:, :48] == pytest.approx((whole[:, :48] + lamps()[:, :48]) / 2, rel=1e-5)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 80), st.integers(0, 50), st.integers(1, 16))
def test_a_tile_equals_the_whole_within_a_millionth_of_the_peak(x, y, size):
    whole, tile = glowing(), glowing(window=Window(x, y, x + size, y + size))
    assert np.abs(tile["B"] - whole.over(tile.window)["B"]).max() < 1e-6 * 300


def test_a_preview_at_half_the_scale_looks_the_same():
    pixels = lamps()[..., :3] * 0 + 0.1
    pixels[28:36, 40:48] = 5
    whole = glowing(pixels, radius=6).to_array()
    half = glowing(pixels, radius=6, at=0.5).to_array()
    assert np.abs(half - whole.reshape(32, 2, 48, 2, 3).mean(axis=(1, 3))).max() < 0.05


def test_display_encoded_light_is_refused():
    image = Image.from_array(lamps(), type=Colour("premultiplied", Encoding("sRGB", "display")))
    with pytest.raises(CheckError, match="scene-linear"):
        render("glow", {"p": image}, image="p")


def test_a_radius_past_all_sense_is_refused():
    with pytest.raises(DocumentError, match="above the largest value 8192"):
        glowing(radius=1e6)


tiny = st.sampled_from([0.0, 1e-45, 1e-42, 1.2e-38, 1e-30, 1e-6])
lengths = tiny | st.floats(0, 10, width=32) | st.sampled_from([1e10, 1e30, 3e38])
limits = lengths | st.sampled_from([1e39, 1e300])


@settings(max_examples=60, deadline=None)
@given(limits, limits, st.lists(lengths | st.floats(-5, 0, width=32), min_size=3, max_size=3))
def test_no_more_light_glows_than_the_pixel_has(threshold, knee, colour):
    pixels = np.array([[colour, [0, 0, 0]]], np.float32)
    got = glowing(pixels, radius=0, threshold=threshold, knee=knee, output="alone").to_array()
    assert np.isfinite(got).all()
    assert not got[0, 1].any()
    # One rounding more than the light itself.
    assert (got >= 0).all()
    assert (got <= np.maximum(pixels, 0) * np.float32(1 + 1e-6)).all()


def test_a_knee_above_the_threshold_reaches_down_to_0():
    """A knee as wide as the threshold: light x glows by x² / 4t up to 2t, then by x − t (worked by hand)."""
    pixels = np.zeros((1, 5, 3), np.float32)
    pixels[0, :, 0] = [1e-6, 0.1, 0.2, 0.4, 1]
    expected = [1e-12 / 0.8, 0.0125, 0.05, 0.2, 0.8]
    for knee in (0.2, 0.5, 1e6):
        got = glowing(pixels, radius=0, threshold=0.2, knee=knee, output="alone")
        np.testing.assert_allclose(got["R"][0], expected, rtol=2e-6)


def test_a_denormal_pixel_spoils_nothing():
    pixels = lamps()
    pixels[0, 0] = [1e-42, 0, 1e-45, 1]
    got = glowing(pixels, threshold=0.1, knee=0.2).to_array()
    assert np.isfinite(got).all()
