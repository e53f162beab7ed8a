"""Flashes that reach the limits of ITU-R BT.1702.

Outside: open patterns with their verdicts (`flash_patterns`); a slow count of one series of levels, written for
clarity; chromaticity by colour-science.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from inspection.flash_patterns import GENERAL, RED, STEPWISE
from inspection.made_pictures import coloured
from inspection.made_sequences import findings_of, seen
from slow_cases import few_fast

from stackcomp import Colour, Encoding, Image, Matte, Window
from stackcomp.files import colour
from stackcomp.inspection.flash_count import LuminanceTransitions
from stackcomp.inspection.flashes import FlashesLimits, FlashesStream
from stackcomp.inspection.screen import screen_of

SRGB = Encoding("sRGB Encoded Rec.709 (sRGB)", "display")
LINEAR = Encoding("Linear Rec.709 (sRGB)", "scene-linear")


def found(frames, rate=30, **limits):
    return findings_of(FlashesStream(FlashesLimits(**limits), rate), frames)


def alarms(frames, rate=30, **limits):
    return [finding for finding in found(frames, rate, **limits) if finding.level == "doubt"]


def screens(levels, area=0.26, around=186, size=(12, 200)):
    """8-bit sRGB: the left part of the screen has a level of its own at each frame."""
    frames = []
    for level in levels:
        pixels = np.full((*size, 3), around / 255, np.float32)
        pixels[:, : round(area * size[1])] = np.asarray(level, np.float32) / 255
        frames.append(coloured(pixels, encoding=SRGB))
    return frames


def code(luminance, peak=200):
    """8-bit sRGB, with fractions, of cd/m² (IEC 61966-2-1)."""
    light = np.asarray(luminance) / peak
    return 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)


def wave(shape, per_second, rate, seconds=2.5, low=30.0, high=90.0):
    """Luminance of a wave, cd/m²."""
    time = np.arange(round(seconds * rate)) / rate
    phase = np.cos(2 * np.pi * per_second * time + 1e-6)
    return (high + low) / 2 + (high - low) / 2 * (np.sign(phase) if shape == "square" else phase)


def counted(luminance, rate):
    """The most flashes within a second, slowly: every stretch of levels since the last transition is looked at."""
    ends, start, direction = [], 0, 0
    for now, level in enumerate(luminance):
        part = luminance[start : now + 1]
        for other, way in ((min(part), 1), (max(part), -1)):
            dark, bright = sorted((other, level))
            harmful = bright - dark >= 20 if dark < 160 else (bright - dark) / (bright + dark) >= 1 / 17
            if harmful and way == np.sign(level - other) and way != direction:
                ends.append(now)
                direction, start = way, now
                break
    return max((sum(first <= end < first + rate for end in ends) / 2 for first in ends), default=0)


@pytest.mark.parametrize("name", few_fast(GENERAL, 7))
def test_open_patterns_of_luminance(name):
    harmful, levels = GENERAL[name]
    findings = alarms(screens(levels))
    assert bool(findings) == harmful
    if harmful:
        assert (findings[0].sort, findings[0].value, findings[0].limit) == ("general", 3.5, 3)
    assert alarms(screens(levels, area=0.24)) == []


@pytest.mark.parametrize("name", few_fast(RED, 4))
def test_open_patterns_of_red(name):
    harmful, levels = RED[name]
    findings = alarms(screens(levels, around=101))
    assert bool(findings) == harmful
    if harmful:
        assert (findings[0].sort, findings[0].value) == ("red", 3.5)
    assert alarms(screens(levels, area=0.24, around=101)) == []


@pytest.mark.parametrize("name", STEPWISE)
def test_open_patterns_that_are_judged_more_strictly(name):
    """A rise in two steps is one transition, of the sum of both."""
    assert alarms(screens(STEPWISE[name]))


@pytest.mark.parametrize("shape", ["square", "sine"])
@pytest.mark.parametrize("rate", [25, *(pytest.param(rate, marks=pytest.mark.slow) for rate in (24, 30, 60))])
def test_known_numbers_of_flashes_a_second(shape, rate):
    # 12 fit 24 and 60 frames a second; else a sine is hardly sampled at its extremes.
    for per_second in (1, 2, 4, 5, 6, 8, 10) + ((12,) if rate % 12 == 0 else ()):
        levels = wave(shape, per_second, rate)
        assert counted(levels, rate) == pytest.approx(per_second, abs=0.5)
        findings = alarms(screens(code(levels), area=0.3), rate)
        assert bool(findings) == (per_second > 3), per_second
        if findings:
            (finding,) = findings
            assert finding.value == counted(levels, rate)
            assert finding.place == Window(0, 0, 60, 12)


def test_frames_that_are_not_there_take_their_time():
    """Two flashes on either side of a second without frames are not four within one."""
    blink = [30.0, 90.0] * 2
    frames = screens(code(np.array([*blink, *blink])))
    assert found(frames, 24)  # 7 transitions in 8 frames
    pictures = [seen(picture) for picture in frames]
    for gap, harmful in ((5, True), (24, False)):
        stream = FlashesStream(FlashesLimits(), 24)
        findings = []
        for k, picture in enumerate(pictures):
            if k == 4:
                for frame in range(gap):
                    findings += stream.miss(1004 + frame, "", "")
            number = 1000 + k + (gap if k >= 4 else 0)
            findings += stream.see(number, "", stream.look(picture))
        findings += stream.end()
        assert bool(findings) == harmful
    stream = FlashesStream(FlashesLimits(), 24)
    assert [*stream.miss(1, "", ""), *stream.end()] == []


@pytest.mark.parametrize("rate", [24, 30, 60])
def test_three_flashes_a_second_are_allowed(rate):
    assert alarms(screens(code(wave("square", 3, rate, seconds=4))), rate) == []


@pytest.mark.parametrize("area", [0.1, 0.2, 0.24, 0.26, 0.4, 0.6, 1.0])
def test_area(area):
    findings = alarms(screens(code(wave("square", 5, 30)), area=area))
    assert bool(findings) == (area > 0.25)
    if findings:
        assert f"over {100 * area:.0f} % of the screen" in findings[0].message


@pytest.mark.parametrize(
    ("low", "high", "harmful"),
    [
        (0, 19.5, False), (0, 20.5, True), (100, 119.5, False), (100, 120.5, True), (159, 179.5, True),
        # From 160 on, a Michelson contrast of 1/17: 170 to 191.25.
        (170, 190.5, False), (170, 192, True), (178, 199.9, False),
    ],
)  # fmt: skip
def test_levels_beside_the_limits(low, high, harmful):
    levels = code(wave("square", 6, 30, low=low, high=high))
    assert bool(alarms(screens(levels))) == harmful


def test_a_brighter_screen_reaches_the_limits_sooner():
    levels = code(wave("square", 6, 30, low=0, high=12))
    assert alarms(screens(levels)) == []
    assert alarms(screens(levels), peak=400)


@pytest.mark.parametrize("seed", [8, *(pytest.param(k, marks=pytest.mark.slow) for k in (9, 10, 11))])
def test_levels_at_random_against_the_slow_count(seed):
    rng = np.random.default_rng(seed)
    differ = 0
    for _ in range(12):
        rate = int(rng.choice([24, 25, 30]))
        levels = np.clip(np.cumsum(rng.normal(0, rng.uniform(2, 30), 60)) + 90, 0, 199.9)
        expected = counted(levels, rate)
        findings = alarms(screens(code(levels), area=1.0), rate)
        assert bool(findings) == (expected > 3)
        differ += bool(findings)
        if findings:
            assert max(finding.value for finding in findings) == expected
    assert 0 < differ < 12  # both outcomes occur


def test_isolated_flashes_and_cuts_are_allowed():
    quiet = [100] * 30
    for flashes in (1, 2, 3):
        assert alarms(screens(quiet + [100, 250] * flashes + quiet)) == []
    assert alarms(screens([60] * 20 + [200] * 20 + [20] * 20)) == []


def test_parts_that_take_turns_are_not_added():
    """15 % and 15 % of the screen, each at 5 flashes a second, in turn."""
    frames = []
    for level, other in zip(wave("square", 5, 30), wave("square", 5, 30)[::-1], strict=True):
        pixels = np.full((12, 200, 3), 0.5, np.float32)
        pixels[:, :30], pixels[:, 100:130] = code(level) / 255, code(other) / 255
        frames.append(coloured(pixels, encoding=SRGB))
    levels = np.asarray(wave("square", 5, 30))
    assert not np.array_equal(levels, levels[::-1])
    assert alarms(frames) == []


def test_two_halves_that_change_against_each_other():
    frames = []
    for level in wave("square", 5, 30):
        pixels = np.full((12, 200, 3), code(level) / 255, np.float32)
        pixels[:, 100:] = code(120 - level) / 255
        frames.append(coloured(pixels, encoding=SRGB))
    (finding,) = alarms(frames)
    assert finding.value == 5


def test_a_pattern_that_moves_past_is_not_a_flash():
    """Bars of 8 pixels that move by 3 pixels a frame: each place changes 11 times a second, never all at once."""
    columns = np.arange(200)
    frames = []
    for k in range(60):
        bars = 0.5 + 0.3 * np.sin(2 * np.pi * (columns + 3 * k) / 16)
        frames.append(
            coloured(np.broadcast_to(bars[:, None], (12, 200, 3)).astype(np.float32).copy(), encoding=SRGB)
        )
    assert alarms(frames) == []


def test_red_and_black():
    (general, red) = alarms(screens([(0, 0, 0), (255, 0, 0)] * 20))
    assert (general.sort, red.sort) == ("general", "red")
    # Below 20 cd/m², as a dark red is, only the red counts.
    assert [finding.sort for finding in alarms(screens([(0, 0, 0), (160, 0, 0)] * 20))] == ["red"]
    # A red that nobody sees.
    assert alarms(screens([(0, 0, 0), (25, 0, 0)] * 20, around=0)) == []


def test_red_and_blue_of_equal_luminance():
    """BT.1702: irrespective of luminance."""
    red, blue = (130, 0, 0), (0, 0, 216)
    light = [
        float(np.dot([0.2126, 0.7152, 0.0722], ((np.array(c) / 255 + 0.055) / 1.055) ** 2.4)) for c in (red, blue)
    ]
    assert abs(light[0] - light[1]) * 200 < 1
    assert [finding.sort for finding in alarms(screens([red, blue] * 20))] == ["red"]


def test_a_red_that_comes_and_goes_in_steps():
    """Saturated red, and in four steps of less than 0.2 each to a grey and back: a transition each way."""
    steps = [(200, 20, 20), (200, 70, 70), (180, 100, 100), (150, 120, 120), (128, 128, 128)]
    cycle = steps + steps[-2:0:-1]
    (finding,) = [finding for finding in alarms(screens(cycle * 10), 30) if finding.sort == "red"]
    # 30 frames a second, 8 frames a flash.
    assert finding.value == pytest.approx(30 / 8, abs=0.5)


def test_a_moderate_red_does_not_count():
    assert alarms(screens([(140, 120, 120), (150, 118, 118)] * 20)) == []


def test_the_message_is_a_caution():
    (finding,) = alarms(screens(code(wave("square", 5, 30))), None)
    assert finding.level == "doubt"
    assert "at 24 frames a second (assumed; --frame-rate says another) and 200 cd/m²" in finding.message
    assert "a caution for photosensitive viewers, no certificate" in finding.message
    assert "the local broadcast rule govern" in finding.message
    (finding,) = alarms(screens(code(wave("square", 5, 30))), 30)
    assert "at 30 frames a second and" in finding.message


@pytest.mark.slow
def test_a_long_sequence_is_noted():
    levels = code(wave("square", 2.5, 24, seconds=8))
    (note,) = found(screens(levels), 24)
    assert (note.level, note.sort) == ("note", "general, long")
    assert "for more than 5 seconds" in note.message
    assert found(screens(levels[: 24 * 4]), 24) == []


def test_the_last_frames_count():
    """The seventh transition is in the last frame."""
    assert alarms(screens([100, 160] * 4))
    assert alarms(screens([100, 160] * 3 + [100])) == []


@pytest.mark.parametrize("count", [0, 1, 2])
def test_short_sequences(count):
    assert found(screens([10, 200][:count])) == []


def test_values_that_are_not_finite_or_negative():
    frames = screens(code(wave("square", 5, 30)))
    pixels = frames[3].to_array()
    pixels[2:4, 3] = (np.nan, np.inf, -np.inf)
    pixels[5, 5] = -3
    frames[3] = coloured(pixels, encoding=SRGB)
    assert len(alarms(frames)) == 1


def test_another_resolution_starts_again():
    frames = screens([100, 160] * 3, size=(12, 200)) + screens([100, 160] * 3, size=(12, 100))
    assert alarms(frames) == []


def test_a_data_window_smaller_than_the_frame():
    """What is outside is black; a flash within 20 % of the frame is none, within 40 % it is."""
    for share in (0.2, 0.4):
        window = Window.of_size(round(200 * share), 12)
        made = [
            Image(
                {name: np.full(window.shape, level, np.float32) for name in "RGB"},
                window.shift(20, 0),
                Window.of_size(200, 12),
                Colour("none", SRGB),
            )
            for level in [0.2, 0.8] * 20
        ]
        assert bool(alarms(made)) == (share > 0.25)
        if share > 0.25:
            assert alarms(made)[0].place == Window(20, 0, 100, 12)


def test_straight_alpha_is_seen_over_black():
    pixels = np.full((12, 200, 4), 0.8, np.float32)
    frames = []
    for alpha in [0.0, 1.0] * 20:
        pixels[..., 3] = alpha
        frames.append(coloured(pixels.copy(), alpha="straight", encoding=SRGB))
    assert len(alarms(frames)) == 1


def test_mattes_are_not_shown():
    size = Window.of_size(200, 12)
    mattes = [Image({"A": np.full((12, 200), k % 2, np.float32)}, size, size, Matte()) for k in range(30)]
    assert found(mattes) == []


def test_what_a_screen_shows_of_scene_linear_light():
    """Through the default view of the colour config, as pictures are delivered."""
    light = np.geomspace(0.01, 20, 40, dtype=np.float32)
    planes = [np.repeat(light[None], 20, axis=0)] * 3
    screen = screen_of(seen(coloured(np.stack(planes, axis=-1), encoding=LINEAR)))
    shown = np.clip(colour.display_view(planes, LINEAR)[0], 0, 1)
    expected = np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4)
    np.testing.assert_allclose(screen.luminance, expected, rtol=2e-3, atol=1e-5)


def test_chromaticity_against_colour_science():
    import colour as science

    rng = np.random.default_rng(4)
    pixels = rng.uniform(0.2, 1, (6, 8, 3)).astype(np.float32)
    screen = screen_of(seen(coloured(pixels, encoding=SRGB)))
    xyz = science.sRGB_to_XYZ(pixels.astype(np.float64))
    expected = science.xy_to_Luv_uv(science.XYZ_to_xy(xyz))
    np.testing.assert_allclose(screen.chromaticity, expected, atol=1e-3)
    np.testing.assert_allclose(screen.luminance, xyz[..., 1], atol=1e-4)


def test_saturated_red():
    """R / (R + G + B) of 0.8 or more, in linear light."""
    light = np.array(
        [[[0.8, 0.1, 0.099], [0.8, 0.1, 0.101], [1, 0, 0], [0.5, 0.5, 0.5], [0.02, 0, 0]]], np.float32
    )
    pixels = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    screen = screen_of(seen(coloured(pixels.astype(np.float32), encoding=SRGB)))
    assert screen.red.tolist() == [[True, False, True, False, False]]


def test_transitions_of_one_cell_by_hand():
    """100, 110, 121 is a rise of 21 in two steps; 121 to 100 a fall; then 119 is not enough."""
    count = LuminanceTransitions(20, 160, 1 / 17)
    signs = [
        int(count.take(np.array([[level]], np.float32))[0, 0]) for level in (100, 110, 121, 130, 105, 119, 126)
    ]
    assert signs == [0, 0, 1, 0, -1, 0, 1]


def test_cells_are_taken_from_all_of_a_large_picture():
    """960 × 540: every second pixel each way, 240 × 135 cells."""
    screen = screen_of(seen(coloured(np.full((540, 960, 3), 0.5, np.float32), encoding=SRGB)))
    assert screen.luminance.shape == (135, 240)
    assert screen.cell == 4
    assert list(itertools.chain(np.unique(screen.red))) == [False]
