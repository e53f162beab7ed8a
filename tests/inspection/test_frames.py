"""Missing, repeated and frozen frames, repeats at a period, and frames out of order: sequences made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from inspection.made_pictures import coloured
from inspection.made_sequences import findings_of, grained, made_sequence, seen

from stackcomp import Image, Layers, Window
from stackcomp.inspection.averages import averaged
from stackcomp.inspection.frames import FramesLimits, FramesStream
from stackcomp.inspection.small import small_of


def found(frames, **options):
    return findings_of(FramesStream(FramesLimits()), frames, **options)


def ball(k, size=(40, 60), start=5.0, speed=1.0):
    """A picture in which only a ball moves; no grain."""
    rows, columns = np.mgrid[0 : size[0], 0 : size[1]]
    near = np.clip(6 - np.hypot(rows - 20, columns - start - speed * k), 0, 1)[..., None]
    return (0.05 + 0.001 * columns[..., None] + near * np.array([0.9, 0.5, 0.2])).astype(np.float32)


def moving(count=20):
    return [ball(k) for k in range(count)]


def sorts(findings):
    return {finding.sort: finding.level for finding in findings}


def test_a_clean_sequence():
    assert found(moving()) == []


@pytest.mark.parametrize("frames", [[], moving(1), moving(2), moving(3)], ids=len)
def test_short_sequences(frames):
    assert found(frames) == []


def test_two_equal_frames_are_a_still():
    (note,) = found([ball(0), ball(0)])
    assert (note.sort, note.level) == ("still", "note")
    assert note.message == "both frames are equal"


def test_a_repeated_frame():
    frames = moving()
    frames[8] = frames[7]
    (finding,) = found(frames)
    assert (finding.check, finding.sort, finding.level, finding.frame) == ("frames", "repeated", "doubt", 1009)
    assert finding.message == "it is equal to frame 1008"


def test_frozen_frames_are_found_one_by_one():
    frames = moving()
    frames[8:13] = [frames[7]] * 5
    findings = found(frames)
    assert [finding.frame for finding in findings] == [1009, 1010, 1011, 1012, 1013]
    assert sorts(findings) == {"frozen": "doubt"}
    assert findings[0].message == "5 frames in a row are equal to frame 1008"


@pytest.mark.parametrize("end", ["first", "last"])
def test_frozen_at_an_end(end):
    frames = moving()
    if end == "first":
        frames[:6] = [frames[6]] * 6
    else:
        frames[14:] = [frames[13]] * 6
    assert sorts(found(frames)) == {"frozen": "doubt"}


def test_a_movement_that_comes_to_rest_is_held():
    # Half a step less each frame: 1, 1, …, 0.5, 0.25, …
    places = np.cumsum([1.0] * 10 + [0.5**k for k in range(1, 7)] + [0.0] * 8)
    frames = [ball(place) for place in places]
    assert sorts(found(frames)) == {"held": "note"}


@pytest.mark.parametrize(("period", "repeats"), [(2, 1), (5, 1), (3, 2)])
def test_repeats_at_a_period_are_one_finding(period, repeats):
    """Animation on twos; 24 frames a second shown in 30; on threes."""
    frames = [ball(k - repeats * (k // period) - max(0, k % period - (period - repeats - 1))) for k in range(40)]
    (finding,) = found(frames)
    assert (finding.sort, finding.level, finding.value) == ("pattern", "doubt", period)
    assert f"{repeats} of every {period} frames repeat" in finding.message


def test_24_frames_shown_in_60():
    """Each frame 3 times, then 2 times, in turn: 3 of 5 frames repeat."""
    frames = [ball(k // 5 * 2 + (k % 5 >= 3)) for k in range(60)]
    (finding,) = found(frames)
    assert (finding.sort, finding.value) == ("pattern", 5)
    assert "3 of every 5 frames" in finding.message


def test_a_freeze_within_repeats_at_a_period():
    frames = [ball(k // 2) for k in range(60)]
    frames[30:38] = [frames[29]] * 8
    assert {"pattern", "frozen"} <= set(sorts(found(frames)))


def test_two_frames_that_changed_places():
    frames = made_sequence("pan", 4, grain=0)
    frames[20], frames[21] = frames[21], frames[20]
    (finding,) = found(frames)
    assert (finding.sort, finding.frame) == ("order", 1022)
    assert "1021 and 1022" in finding.message


def test_a_frozen_frame_under_new_grain():
    rng = np.random.default_rng(3)
    frames = made_sequence("pan", 4, grain=0)
    frames[20] = frames[19]
    grainy = [grained(frame, 5e-4, rng) for frame in frames]
    assert sorts(found(grainy)) == {"repeated": "doubt"}
    assert not np.array_equal(grainy[20], grainy[19])


def test_grain_over_a_still_is_clean():
    rng = np.random.default_rng(3)
    assert found([grained(ball(0), 0.01, rng) for _ in range(20)]) == []


def test_missing_frames():
    findings = found(moving(), without=(4, 5, 11))
    assert [finding.frame for finding in findings] == [1005, 1006, 1012]
    assert sorts(findings) == {"missing": "fault"}
    assert findings[0].message == "there is no file for 3 frames"


def test_every_second_frame_is_there():
    (finding,) = found(moving(21), without=tuple(range(1, 21, 2)))
    assert (finding.sort, finding.level) == ("step", "doubt")
    assert "one frame in 2" in finding.message


def test_a_file_that_cannot_be_read_is_not_missing_and_the_rest_is_compared():
    frames = moving()
    frames[12] = frames[11]
    stream = FramesStream(FramesLimits())
    findings = []
    for k, frame in enumerate(frames):
        if k == 5:
            findings += stream.miss(1001 + k, "plate.exr", "it is cut short")
        else:
            findings += stream.see(1001 + k, "plate.exr", stream.look(seen(coloured(frame))))
    findings += stream.end()
    assert [(finding.sort, finding.frame) for finding in findings] == [("repeated", 1013)]


def test_black_and_empty_frames_are_not_repeats():
    black = np.zeros((40, 60, 3), np.float32)
    assert found([black] * 6 + moving(12) + [black] * 6) == []


def test_values_that_are_not_finite_or_negative():
    frames = moving()
    for k, frame in enumerate(frames):
        frame[k, 3] = (np.nan, np.inf, -np.inf)
        frame[5, 5] = -0.3
    frames[8] = frames[7]
    assert [finding.frame for finding in found(frames)] == [1009]


def test_a_picture_of_another_size_in_the_middle():
    frames = moving()
    frames[6] = np.zeros((30, 30, 3), np.float32) + 0.1
    frames[12] = frames[11]
    assert [(finding.sort, finding.frame) for finding in found(frames)] == [("repeated", 1013)]


def test_ids_and_depth_are_compared():
    """A sequence without colour; ids have no average, and are compared bit by bit."""
    size = Window.of_size(60, 40)
    depth = [Image({"Z": ball(k)[..., 0].copy()}, size, size, Layers(("Z",))) for k in range(12)]
    depth[6] = depth[5]
    assert [finding.frame for finding in found(depth)] == [1007]
    ids = [Image({"id": np.full((40, 60), k, np.uint32)}, size, size, Layers(("id",))) for k in range(12)]
    assert found(ids) == []


def test_cropped_renders_are_compared_within_the_frame():
    """CG whose data window follows it: what moves is the window alone."""
    display = Window.of_size(60, 40)
    patch = np.zeros((10, 10, 4), np.float32) + np.linspace(0.2, 0.8, 10, dtype=np.float32)[:, None, None]
    made = coloured(patch)
    frames = [replace(made, window=Window(5 + k, 10, 15 + k, 20), display=display) for k in range(14)]
    assert found(frames) == []
    light = small_of(seen(frames[3])).light
    assert light.shape == (40, 60)
    assert light[10:20, 8:18].min() > 0.1
    assert light.sum() == pytest.approx(light[10:20, 8:18].sum())
    frames[7] = frames[6]
    assert [finding.frame for finding in found(frames)] == [1008]


def test_averages_over_squares():
    rng = np.random.default_rng(1)
    plane = rng.random((50, 70)).astype(np.float32)
    expected = plane[:48, :64].astype(np.float64).reshape(3, 16, 4, 16).mean(axis=(1, 3))
    np.testing.assert_allclose(averaged(plane, 16), expected, rtol=1e-6)
    assert averaged(plane, 100).shape == (1, 1)
    assert np.array_equal(averaged(plane, 1), plane)
    plane[3, 3] = np.nan
    np.testing.assert_allclose(averaged(plane, 16)[0, 0], np.nansum(plane[:16, :16]) / 256, rtol=1e-6)


def test_a_small_picture_is_made_once_and_holds_little():
    picture = seen(coloured(np.zeros((540, 960, 3), np.float32)))
    small = small_of(picture)
    assert small is small_of(picture)
    assert small.light.shape == (135, 240)
