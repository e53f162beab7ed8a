"""Cuts, written by OpenTimelineIO's own API, which is what they are checked against."""

import json
import math
from fractions import Fraction

import opentimelineio as otio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.document.cut import read_cut
from stackcomp.document.sequence import Sequence
from stackcomp.errors import DocumentError

schema, opentime = otio.schema, otio.opentime


def span(start, duration, rate=24):
    return opentime.TimeRange(opentime.RationalTime(start, rate), opentime.RationalTime(duration, rate))


def media(first=1001, count=100, rate=24, name="plate"):
    return schema.ExternalReference(target_url=f"{name}.mov", available_range=span(first, count, rate))


def clip(name, start, duration, rate=24, reference=None):
    return schema.Clip(name, reference or media(name=name, rate=rate), span(start, duration, rate))


def written(tmp_path, *tracks, name="cut.otio", rate=24):
    timeline = schema.Timeline("lantern")
    for k, items in enumerate(tracks):
        track = schema.Track(f"V{k + 1}", kind=schema.TrackKind.Video)
        track.extend(items)
        timeline.tracks.append(track)
    path = tmp_path / name
    otio.adapters.write_to_file(timeline, str(path))
    return path


def frames_of(path, **options):
    return {clip.name: clip.frames for clip in read_cut(path, **options).clips}


def problems_of(path, **options):
    with pytest.raises(DocumentError) as caught:
        read_cut(path, **options)
    assert all(problem.place == str(path) for problem in caught.value.problems)
    assert all(problem.rule == "cut" for problem in caught.value.problems)
    return [problem.message for problem in caught.value.problems]


def test_source_ranges_are_frames_and_gaps_hold_none(tmp_path):
    gap = schema.Gap(source_range=span(0, 50))
    path = written(tmp_path, [clip("wide", 1010, 5), gap, clip("close", 1001, 3)])
    # 1010 and five frames: 1010 to 1014. 1001 and three: 1001 to 1003.
    assert frames_of(path) == {"wide": (1010, 1011, 1012, 1013, 1014), "close": (1001, 1002, 1003)}
    (wide, _) = read_cut(path).clips
    assert (wide.available, wide.frame_rate, wide.media) == ((1001, 1100), Fraction(24), "wide.mov")


def test_a_transition_needs_frames_of_both_clips(tmp_path):
    dissolve = schema.Transition("", "SMPTE_Dissolve", opentime.RationalTime(2, 24), opentime.RationalTime(3, 24))
    wide, close = clip("wide", 1010, 5), clip("close", 1020, 4)
    path = written(tmp_path, [wide, dissolve, close])
    # The first clip goes on for the part behind the cut (3), the second begins before it (2).
    assert frames_of(path) == {"wide": tuple(range(1010, 1018)), "close": tuple(range(1018, 1024))}
    track = otio.adapters.read_from_file(str(path)).video_tracks()[0]
    for child in track.find_clips():
        visible = child.visible_range()
        expected = range(visible.start_time.to_frames(), visible.end_time_exclusive().to_frames())
        assert frames_of(path)[child.name] == tuple(expected)


def test_rates_of_ntsc_and_of_other_media_are_exact(tmp_path):
    rate = 24000 / 1001
    reference = media(1001, 200_000, rate)
    long = schema.Clip("lamp", reference, span(100_000, 48, rate))
    # The timeline counts in 24 frames a second, the media in 48: 10 frames from 100 are 20 from 200.
    other = schema.Clip("fast", media(0, 1000, 48), span(100, 10, 24))
    assert frames_of(written(tmp_path, [long, other])) == {
        "lamp": tuple(range(100_000, 100_048)),
        "fast": tuple(range(200, 220)),
    }


def test_image_sequences_are_numbered_by_their_start_frame(tmp_path):
    reference = schema.ImageSequenceReference(
        "files/", "bench.", ".exr", start_frame=1001, frame_step=1, rate=24, frame_zero_padding=4,
        available_range=span(86400, 50),
    )  # fmt: skip
    path = written(tmp_path, [schema.Clip("bench", reference, span(86410, 3))])
    # Time 86400 is frame 1001, so 86410 is 1011.
    assert frames_of(path) == {"bench": (1011, 1012, 1013)}
    (read,) = read_cut(path).clips
    assert read.available == (1001, 1050)
    assert reference.frame_for_time(opentime.RationalTime(86410, 24)) == 1011


def test_nested_compositions_are_trimmed_as_they_are_used(tmp_path):
    inner = schema.Track("inner", kind=schema.TrackKind.Video)
    inner.extend([clip("wide", 1010, 10), clip("close", 1030, 10)])
    stack = schema.Stack("nest")
    stack.append(inner)
    stack.source_range = span(6, 8)
    path = written(tmp_path, [clip("lamp", 1001, 2), stack])
    # Of twenty frames the sixth to thirteenth are used: four of the first clip, four of the second.
    assert frames_of(path) == {
        "lamp": (1001, 1002),
        "wide": (1016, 1017, 1018, 1019),
        "close": (1030, 1031, 1032, 1033),
    }


def test_disabled_and_audio_tracks_do_not_count(tmp_path):
    timeline = schema.Timeline("lantern")
    tracks = {"V1": "Video", "V2": "Video", "A1": "Audio"}
    for name, kind in tracks.items():
        track = schema.Track(name, kind=kind)
        track.append(clip(f"of {name}", 1001, 2))
        timeline.tracks.append(track)
    timeline.tracks[1].enabled = False
    otio.adapters.write_to_file(timeline, str(path := tmp_path / "cut.otio"))
    assert set(frames_of(path)) == {"of V1"}
    assert problems_of(path, track="V2") == ['there is no video track "V2"']


def test_a_shot_that_is_cut_in_twice_has_the_frames_of_both(tmp_path):
    path = written(tmp_path, [clip("wide", 1010, 2), clip("close", 1001, 1), clip("wide", 1020, 2)])
    assert frames_of(path)["wide"] == (1010, 1011, 1020, 1021)


def test_two_media_under_one_name_are_an_error(tmp_path):
    other = schema.Clip("wide", media(name="other"), span(1001, 2))
    assert problems_of(written(tmp_path, [clip("wide", 1010, 2), other])) == [
        'two clips are named "wide", of "wide.mov" and of "other.mov"'
    ]


def test_changes_of_speed_take_the_frames_of_the_media_and_are_said(tmp_path):
    fast = clip("wide", 1010, 6)
    fast.effects.append(schema.LinearTimeWarp(time_scalar=2.0))
    still = clip("close", 1010, 6)
    still.effects.append(schema.FreezeFrame())
    path = written(tmp_path, [fast, still])
    assert frames_of(path) == {"wide": tuple(range(1010, 1022)), "close": (1010,)}
    assert ["speed" in warning.message for warning in read_cut(path).warnings] == [True, True]


def test_ranges_between_two_frames_are_widened_and_said(tmp_path):
    path = written(tmp_path, [clip("wide", 1010.5, 2)])
    assert frames_of(path) == {"wide": (1010, 1011, 1012)}
    assert "between two frames" in read_cut(path).warnings[0].message


def test_a_clip_without_source_range_is_all_of_its_media(tmp_path):
    path = written(tmp_path, [schema.Clip("wide", media(1001, 4))])
    assert frames_of(path) == {"wide": (1001, 1002, 1003, 1004)}


def test_a_clip_without_any_range_is_an_error(tmp_path):
    path = written(tmp_path, [schema.Clip("wide", schema.MissingReference())])
    assert problems_of(path) == ['clip "wide" has neither a source range nor media with one']


def test_a_clip_without_name_has_that_of_its_media(tmp_path):
    path = written(tmp_path, [schema.Clip("", media(name="lamp"), span(1001, 1))])
    assert frames_of(path) == {"lamp": (1001,)}


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("cut.otio", "{", "cannot be read"),
        ("cut.otio", "[1, 2]", "not a timeline"),
        ("cut.otio", json.dumps({"OTIO_SCHEMA": "Clip.1", "name": "x"}), "it holds a Clip, not a timeline"),
        ("cut.otio", json.dumps({"OTIO_SCHEMA": "Timeline.99"}), "cannot be read"),
        ("cut.edl", "TITLE: x", 'end in ".edl" are not read'),
        ("cut.xml", "<x/>", 'end in ".xml" are not read'),
    ],
)
def test_files_that_are_no_cut(tmp_path, name, text, said):
    (path := tmp_path / name).write_text(text)
    (message,) = problems_of(path)
    assert said in message


def test_a_missing_file_and_an_empty_cut(tmp_path):
    assert problems_of(tmp_path / "cut.otio") == ["there is no such file"]
    assert problems_of(written(tmp_path, [])) == ["the cut has no clips on an enabled video track"]


def test_bundles_are_read(tmp_path):
    timeline = otio.adapters.read_from_file(str(written(tmp_path, [clip("wide", 1010, 2)])))
    policy = otio.adapters.file_bundle_utils.MediaReferencePolicy.AllMissing
    otio.adapters.write_to_file(timeline, str(tmp_path / "cut.otioz"), media_policy=policy)
    assert frames_of(tmp_path / "cut.otioz") == {"wide": (1010, 1011)}


def test_thousands_of_clips(tmp_path):
    path = written(tmp_path, [clip(f"shot {k}", 1001, 10) for k in range(2000)])
    assert len(read_cut(path).clips) == 2000


@st.composite
def tracks(draw):
    """Clips, gaps and transitions, in a legal order."""
    rate = draw(st.sampled_from([24, 25, 30, 24000 / 1001, 60000 / 1001]))
    items = []
    for k in range(draw(st.integers(1, 6))):
        start, count = draw(st.integers(1001, 1050)), draw(st.integers(1, 40))
        if draw(st.booleans()):
            items.append(schema.Gap(source_range=span(0, draw(st.integers(1, 9)), rate)))
        elif items and isinstance(items[-1], schema.Clip) and draw(st.booleans()):
            offsets = [opentime.RationalTime(draw(st.integers(0, 5)), rate) for _ in range(2)]
            items.append(schema.Transition("", "SMPTE_Dissolve", *offsets))
        items.append(clip(f"shot {k}", start, count, rate))
    return items


@given(tracks())
def test_frames_are_those_that_the_library_calls_visible(tmp_path_factory, items):
    path = written(tmp_path_factory.mktemp("cut"), items)
    track = otio.adapters.read_from_file(str(path)).video_tracks()[0]
    found = frames_of(path)
    for child in track.find_clips():
        visible = child.visible_range()
        first, last = visible.start_time.value, visible.start_time.value + visible.duration.value
        assert found[child.name] == tuple(range(math.floor(first + 1e-6), math.ceil(last - 1e-6)))


def test_a_sequence_takes_its_shots_from_a_cut(tmp_path):
    written(tmp_path, [clip("wide", 1010, 2), clip("close", 1001, 3)])
    (tmp_path / "comp.json").write_text('{"stackcomp": 1, "nodes": {}}')
    raw = {
        "stackcomp_sequence": 1,
        "graph": "comp.json",
        "cut": "cut.otio",
        "handles": 4,
        "shots": {"close": {"set": {}, "handles": 0}, "extra": {"frames": "1-2"}},
    }
    sequence = Sequence.from_json(json.dumps(raw), str(tmp_path / "sequence.json"))
    assert list(sequence.shots) == ["close", "extra", "wide"]
    wide, close = sequence.shots["wide"], sequence.shots["close"]
    assert wide.with_handles(wide.frames) == tuple(range(1006, 1016))
    assert close.with_handles(close.frames) == (1001, 1002, 1003)
    # Media begins at 1001: there is nothing before it.
    raw["shots"] = {"close": {"handles": 8}}
    close = Sequence.from_json(json.dumps(raw), str(tmp_path / "sequence.json")).shots["close"]
    assert close.with_handles(close.frames) == tuple(range(1001, 1012))


def test_a_name_that_no_folder_can_have_is_refused(tmp_path):
    written(tmp_path, [clip("wide/a", 1010, 2)])
    (tmp_path / "comp.json").write_text('{"stackcomp": 1, "nodes": {}}')
    raw = {"stackcomp_sequence": 1, "graph": "comp.json", "cut": {"file": "cut.otio"}}
    with pytest.raises(DocumentError, match='"wide/a" is not a name for a shot'):
        Sequence.from_json(json.dumps(raw), str(tmp_path / "sequence.json"))
