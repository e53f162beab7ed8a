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


def alone(pixels=None, **fields):
    return glowing(pixels, threshold=0, output="alone", radius=fields.pop("radius", 4), **fields)


def in_lobes(lobes, pixels=None, **fields):
    given = {"p": Image.from_array(lamps() if pixels is None else pixels)}
    return render("glow", given, image="p", lobes=lobes, **fields)


def test_lobes_are_the_sum_of_glows():
    parts = [{"radius": 2, "strength": 0.5}, {"radius": 7, "strength": 0.25, "falloff": "gaussian"}]
    got = in_lobes(parts, output="alone", strength=0.8).over(FRAME).to_array()
    core = alone(radius=2, strength=0.4).over(FRAME).to_array()
    skirt = alone(radius=7, strength=0.2, falloff="gaussian").over(FRAME).to_array()
    assert got == pytest.approx(core + skirt, abs=1e-4)


def test_lobes_that_move_light_keep_it():
    pixels = lamps()
    pixels[:, :, :3] *= np.pad(np.ones((20, 30)), ((22, 22), (33, 33)))[..., None]
    lobes = [{"radius": 1, "strength": 0.5}, {"radius": 3, "strength": 0.3}]
    result = in_lobes(lobes, pixels, output="moved", channel_radius=[0.6, 1, 1.1])
    for name, channel in zip("RGB", np.moveaxis(pixels, -1, 0), strict=False):
        assert result[name].sum(dtype=np.float64) == pytest.approx(channel.sum(dtype=np.float64), rel=1e-5)
        assert result[name].min() >= 0


def test_keyed_lobes_have_the_value_of_the_frame():
    radius = {"keys": [[1, 2], [3, 6]], "between": "linear"}
    lobes = [{"radius": radius, "strength": {"keys": [[1, 0], [3, 0.6]], "between": "linear"}}]
    for frame, (radius, strength) in {1: (2, 0), 2: (4, 0.3), 3: (6, 0.6)}.items():
        got = in_lobes(lobes, output="alone", frame=frame).over(FRAME).to_array()
        assert got == pytest.approx(alone(radius=radius, strength=strength).over(FRAME).to_array(), abs=1e-5)


def test_each_channel_has_its_own_radius_and_keeps_its_light():
    pixels = np.zeros((*SIZE[::-1], 3), np.float32)
    pixels[32, 48] = 100
    light = alone(pixels, radius=3, channel_radius=[1.5, 1, 0]).over(FRAME).to_array()
    for channel, radius in enumerate([4.5, 3, 0]):
        own = alone(pixels, radius=radius).over(FRAME).to_array()[..., channel]
        assert light[..., channel] == pytest.approx(own, abs=1e-5)
        assert light[..., channel].sum() == pytest.approx(100, rel=2e-3)
    assert light[32, 48, 2] == 100


def test_the_light_of_an_emission_pass_glows_instead():
    pixels = lamps()
    emission = np.zeros((*SIZE[::-1], 3), np.float32)
    emission[12:15, 20:24] = [9, 4, 1]
    given = {"p": Image.from_array(pixels), "e": Image.from_array(emission)}
    result = render("glow", given, image="p", emission="e", radius=3, strength=0.5).over(FRAME).to_array()
    expected = glowing(emission, radius=3, threshold=0, strength=0.5, output="alone").over(FRAME).to_array()
    assert result[..., :3] - pixels[..., :3] == pytest.approx(expected, abs=1e-4)
    assert np.array_equal(result[..., 3], pixels[..., 3])


def test_an_emission_pass_beside_the_picture():
    """Windows smaller than the frame, which do not meet."""
    lamp = Image.from_array(np.full((4, 4, 3), 8, np.float32)).over(Window(0, 0, 4, 4))
    lamp = Image(lamp.planes, Window(70, 20, 74, 24), FRAME, lamp.type)
    part = Image.from_array(lamps())
    part = Image(part.over(Window(5, 6, 30, 40)).planes, Window(5, 6, 30, 40), FRAME, part.type)
    result = render("glow", {"p": part, "e": lamp}, image="p", emission="e", radius=6)
    expected = np.zeros((*SIZE[::-1], 3))
    expected[20:24, 70:74] = 8
    kernel = np.pad(falloff(6, "exponential"), ((42, 0), (42, 0)), mode="reflect")
    light = signal.fftconvolve(expected[..., 0], kernel, mode="same")
    got = result.over(FRAME)
    assert np.abs(got["R"] - part.over(FRAME)["R"] - light).max() < 0.01 * light.max()
    tile = render("glow", {"p": part, "e": lamp}, image="p", emission="e", radius=6, window=Window(20, 10, 33, 30))
    assert tile["G"] == pytest.approx(got.over(tile.window)["G"], abs=1e-5)


def test_glare_is_the_published_function_of_the_angle():
    """Along a row from a bright point, against the function with the angle of a pinhole camera."""
    pixels = np.zeros((*SIZE[::-1], 3), np.float32)
    pixels[32, 20] = 1e4
    light = alone(pixels, radius=20, falloff="glare", focal_length=30, gate_width=24).over(FRAME)["G"]

    def published(angle):
        degrees = np.degrees(angle)
        core, far = 0.384 * 2.61e6 * np.exp(-((degrees / 0.02) ** 2)), degrees + 0.02
        # It fades over 15 degrees so that it ends.
        fade = np.exp(-0.5 * (np.tan(angle) / np.tan(np.radians(15))) ** 2)
        return (core + 0.478 * 20.91 / far**3 + 0.138 * 72.37 / far**2) * fade

    angle = np.arctan(np.arange(4, 60) * 24 / 96 / 30)
    # Light that lands on a pixel: per solid angle, times the pixel's.
    pixel = (24 / 96 / 30) ** 2 * np.cos(angle) ** 3
    rings = np.geomspace(1e-6, 1.5, 20_000)
    total = np.trapezoid(published(rings) * 2 * np.pi * np.sin(rings), rings)
    assert total == pytest.approx(0.96, abs=0.03)
    assert light[32, 24:80] == pytest.approx(1e4 * published(angle) * pixel / total, rel=0.04)


def test_glare_has_the_same_angle_in_a_preview():
    pixels = np.zeros((64, 96, 3), np.float32)
    pixels[30:34, 40:44] = 50
    fields = {"falloff": "glare", "focal_length": 40, "gate_width": 24, "output": "alone"}
    full = render("glow", {"p": Image.from_array(pixels)}, image="p", **fields).over(FRAME)["R"]
    half = render("glow", {"p": Image.from_array(pixels)}, image="p", at=0.5, **fields)
    half = half.over(Window(0, 0, 48, 32))["R"]
    mean = full.reshape(32, 2, 48, 2).mean(axis=(1, 3))
    assert half[:, 30:] == pytest.approx(mean[:, 30:], rel=0.1)


def test_light_near_the_end_of_float32_stays_finite():
    pixels = np.full((*SIZE[::-1], 3), 3e38, np.float32)
    for radius in (1, 9):
        assert np.isfinite(alone(pixels, radius=radius).to_array()).all()


def test_the_largest_strengths_make_no_numbers_that_are_none():
    pixels = np.full((*SIZE[::-1], 3), 3e38, np.float32)
    pixels[:20] = 0
    for output in ("moved", "alone"):
        lobes = [{"radius": 2, "strength": 1e6}, {"radius": 4, "strength": 1e6}]
        fields = {"lobes": lobes, "strength": 1e6, "tint": [1e6, 1, 0], "output": output}
        light = render("glow", {"p": Image.from_array(pixels)}, image="p", **fields).over(FRAME).to_array()
        assert not np.isnan(light).any()
        assert (light[..., 2] == 0).all() or output == "moved"


def test_a_bright_point_beside_darkness_and_negative_light():
    pixels = np.full((*SIZE[::-1], 3), -0.5, np.float32)
    pixels[30, 40] = 1e4
    light = alone(pixels, radius=5).over(FRAME).to_array()
    assert light.min() >= 0
    assert light[30, 41] == pytest.approx(1e4 * falloff(5, "exponential")[0, 1], rel=0.01)
    assert light.sum() <= 3e4 * (1 + 1e-6)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"lobes": [{"radius": 3}], "radius": 4}, 'has "lobes" and "radius"'),
        ({"lobes": [{"radius": 3}], "falloff": "gaussian"}, 'has "lobes" and "falloff"'),
        ({"lobes": [{"radius": -3}]}, "below the smallest value 0"),
        ({"lobes": [{"size": 3}]}, '"lobes.0" has no field "size"(.|\n)*choose from "radius", "stren'),
        ({"strength": 1e300}, "above the largest value"),
        ({"falloff": "glare", "focal_length": 1e300, "gate_width": 24}, "above the largest value"),
        ({"falloff": "glare", "gate_width": 24}, 'has glare without "focal_length"'),
        ({"lobes": [{"falloff": "glare"}], "focal_length": 24}, 'has glare without "gate_width"'),
    ],
)
def test_fields_that_do_not_go_together(fields, message):
    with pytest.raises(DocumentError, match=message):
        render("glow", {"p": Image.from_array(lamps())}, image="p", **fields)
