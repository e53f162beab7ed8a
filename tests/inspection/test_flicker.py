"""Flicker of level between frames: sequences made by hand.

Shifts between pictures are checked against scikit-image's ``phase_cross_correlation``.
"""

from __future__ import annotations

import numpy as np
import pytest
from inspection.made_pictures import coloured
from inspection.made_sequences import HEIGHT, WIDTH, backdrop, findings_of, looked_at, made_sequence

from stackcomp import Encoding, Image, Matte, Window
from stackcomp.inspection.flicker import FlickerLimits, FlickerStream
from stackcomp.inspection.shift import overlap, shift_between

SRGB = Encoding("sRGB Encoded Rec.709 (sRGB)", "display")
LOG = Encoding("ACEScct", "log")


def found(frames, **limits):
    return findings_of(FlickerStream(FlickerLimits(**limits)), frames)


def levelled(stops, frames=None):
    """A still with some grain, brighter by so many stops at each frame."""
    frames = made_sequence("locked", 1, grain=1e-3) if frames is None else frames
    return [frame * np.float32(2**value) for frame, value in zip(frames, stops, strict=False)]


def test_one_bright_frame():
    stops = np.zeros(20)
    stops[7] = 0.1
    (finding,) = found(levelled(stops))
    assert (finding.check, finding.level, finding.frame, finding.unit) == ("flicker", "doubt", 1008, "stops")
    assert finding.value == pytest.approx(0.1, abs=0.005)
    assert finding.message == "it is 0.099 stops brighter than the frames before and after it"


def test_one_dark_frame():
    stops = np.zeros(20)
    stops[7] = -0.25
    (finding,) = found(levelled(stops))
    assert finding.value == pytest.approx(-0.25, abs=0.01)
    assert finding.limit == -0.03
    assert "darker" in finding.message


def test_two_frames_in_a_row():
    stops = np.zeros(20)
    stops[7:9] = 0.1
    assert [finding.frame for finding in found(levelled(stops))] == [1008, 1009]


def test_every_second_frame():
    stops = np.where(np.arange(20) % 2, 0.06, 0)
    findings = found(levelled(stops))
    assert len(findings) >= 16  # all but those beside the ends
    assert all(abs(finding.value) == pytest.approx(0.06, abs=0.005) for finding in findings)


def test_levels_at_random():
    stops = np.random.default_rng(5).normal(0, 0.08, 40)
    assert len(found(levelled(stops))) > 8


@pytest.mark.parametrize(
    "stops",
    [
        np.repeat([0, 1], 10),
        np.linspace(0, -3, 20),
        np.clip(np.arange(20) - 8, 0, 4) * 0.5,
        0.5 * np.sin(np.arange(40) / 4),
        np.concatenate([np.zeros(6), [1.0], np.ones(7) * 2]),
    ],
    ids=["switched on", "fade", "change of aperture", "slow pulse", "switched on in two frames"],
)
def test_changes_that_are_not_flicker(stops):
    assert found(levelled(stops)) == []


def test_flicker_in_a_fade():
    stops = np.linspace(0, -3, 20)
    stops[9] += 0.1
    (finding,) = found(levelled(stops))
    assert (finding.frame, finding.value) == (1010, pytest.approx(0.1, abs=0.01))


def test_flicker_under_a_moving_camera():
    stops = np.zeros(40)
    stops[15] = 0.1
    for seed in (4, 5, 6):
        (finding,) = found(levelled(stops, made_sequence("pan", seed, grain=1e-3)))
        assert (finding.frame, finding.value) == (1016, pytest.approx(0.1, abs=0.02))


def test_a_bright_thing_that_flashes_in_a_part_is_not_flicker_of_level():
    frames = made_sequence("locked", 1, 20, grain=1e-3)
    frames[9][20:60, 20:90] *= 8
    assert found(frames) == []


def test_cg_that_covers_a_small_part():
    """Most of the frame is empty; what is there flickers."""
    stops = np.zeros(16)
    stops[7] = 0.2
    pixels = np.zeros((HEIGHT, WIDTH, 4), np.float32)
    pixels[30:50, 60:90] = (0.3, 0.2, 0.1, 1)
    frames = []
    for value in stops:
        frame = pixels.copy()
        frame[..., :3] *= np.float32(2**value)
        frames.append(coloured(frame))
    assert [finding.frame for finding in found(frames)] == [1008]


def test_levels_of_encoded_pictures_are_in_stops_of_light():
    stops = np.zeros(16)
    stops[7] = 0.2
    light = levelled(stops, [np.full((40, 60, 3), 0.2, np.float32) + 0.001 * k for k in range(16)])
    coded = [(1.055 * frame ** np.float32(1 / 2.4) - 0.055).astype(np.float32) for frame in light]
    (finding,) = found([coloured(frame, encoding=SRGB) for frame in coded])
    assert finding.value == pytest.approx(0.2, abs=0.01)
    # ACEScct (Academy S-2016-001): (log2(x) + 9.72) / 17.52 above 0.0078125.
    logs = [((np.log2(frame) + 9.72) / 17.52).astype(np.float32) for frame in light]
    (finding,) = found([coloured(frame, encoding=LOG) for frame in logs])
    assert finding.value == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4])
def test_short_sequences(count):
    assert found(levelled(np.zeros(count))) == []


def test_a_middle_frame_of_three():
    assert [finding.frame for finding in found(levelled([0, 0.3, 0]))] == [1002]


def test_values_that_are_not_finite_or_negative():
    stops = np.zeros(16)
    stops[7] = 0.2
    frames = levelled(stops)
    frames[3][5:10, 5] = np.nan
    frames[4][5:10, 5] = np.inf
    frames[9][5:10, 5] = -2
    assert [finding.frame for finding in found(frames)] == [1008]
    assert found([np.full((20, 30, 3), np.nan, np.float32)] * 6) == []


def test_what_is_not_colour_has_no_level():
    size = Window.of_size(30, 20)
    mattes = [Image({"A": np.full((20, 30), k % 2, np.float32)}, size, size, Matte()) for k in range(9)]
    assert found(mattes) == []


def test_limits():
    stops = np.zeros(16)
    stops[7] = 0.1
    assert found(levelled(stops), stops=0.2) == []


@pytest.mark.parametrize("shift", [(0, 0), (3, -7), (-12, 5), (20, 30)])
def test_shifts_against_scikit_image(shift):
    from skimage.registration import phase_cross_correlation

    picture = backdrop("coffee")
    before = looked_at(picture, 40, 30).mean(axis=2)
    now = looked_at(picture, 40 - shift[1], 30 - shift[0]).mean(axis=2)
    assert shift_between(before, now) == shift
    window = np.outer(np.hanning(HEIGHT), np.hanning(WIDTH))
    windowed = [(plane - plane.mean()) * window for plane in (before, now)]
    theirs, _, _ = phase_cross_correlation(windowed[1], windowed[0])
    assert tuple(theirs) == shift
    old, new = overlap(before, now, shift)
    np.testing.assert_allclose(old, new, atol=1e-6)
