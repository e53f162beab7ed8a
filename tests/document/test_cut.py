"""Cuts, written by OpenTimelineIO's own API, which is what they are checked against."""

import json
import math
import os
import sys
import zipfile
from fractions import Fraction

import opentimelineio as otio
import pytest
from hypothesis import HealthCheck, given, settings
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


@pytest.mark.slow
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


# -- against the library ---------------------------------------------------------------------------------------


def time(value, rate=24):
    return opentime.RationalTime(value, rate)


def saved(path, held):
    otio.adapters.write_to_file(held, str(path))
    return path


def track_of(name, *items, kind="Video"):
    track = schema.Track(name, kind=kind)
    track.extend(items)
    return track


def timeline_of(path, *tracks):
    timeline = schema.Timeline("lantern")
    timeline.tracks.extend(tracks)
    return saved(path, timeline)


def clips_of(path, **options):
    return {clip.name: clip for clip in read_cut(path, **options).clips}


def warnings_of(path, **options):
    warnings = read_cut(path, **options).warnings
    assert {(warning.rule, warning.severity, warning.place) for warning in warnings} <= {
        ("cut", "warning", str(path))
    }
    return [warning.message for warning in warnings]


def stack_of(name, *items, source_range=None):
    stack = schema.Stack(name, source_range=source_range)
    stack.extend(items)
    return stack


@st.composite
def nested(draw, level=2, names=None):
    """A track of clips, gaps, transitions, and stacks of further tracks, of which some are trimmed."""
    names = iter(f"shot {k}" for k in range(10_000)) if names is None else names
    track = schema.Track(f"level {level}")
    for _ in range(draw(st.integers(1, 4))):
        offsets = [time(draw(st.integers(0, 6))) for _ in range(2)]
        what = draw(st.sampled_from(["clip", "clip", "gap", "transition", "stack"]))
        if what == "gap":
            track.append(schema.Gap(source_range=span(0, draw(st.integers(1, 9)))))
        elif what == "stack" and level > 0:
            stack = schema.Stack("bench")
            stack.extend([draw(nested(level - 1, names)) for _ in range(draw(st.integers(1, 2)))])
            if draw(st.booleans()):
                stack.source_range = span(draw(st.integers(0, 10)), draw(st.integers(1, 20)))
            track.append(stack)
        else:
            if what == "transition" and not (len(track) and isinstance(track[-1], schema.Transition)):
                track.append(schema.Transition("", "SMPTE_Dissolve", *offsets))
            track.append(clip(next(names), draw(st.integers(0, 90)), draw(st.integers(1, 30))))
    if level < 2 and draw(st.booleans()):
        track.source_range = span(draw(st.integers(0, 10)), draw(st.integers(1, 30)))
    return track


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(nested())
def test_nested_ranges_are_those_of_the_library(tmp_path_factory, track):
    path = timeline_of(tmp_path_factory.mktemp("cut") / "cut.otio", track)
    top = otio.adapters.read_from_file(str(path)).tracks
    expected = {}
    for child in top.find_clips():
        seen = child.trimmed_range()
        parents, item = [], child
        while item.parent() is not None:
            item = item.parent()
            parents.append(item)
        # Each parent's range, as a range of the clip, cuts off what it does not show.
        for parent in parents[:-1]:
            own = parent.transformed_time_range(parent.trimmed_range(), child)
            start = max(seen.start_time, own.start_time)
            end = min(seen.end_time_exclusive(), own.end_time_exclusive())
            seen = opentime.range_from_start_end_time(start, max(start, end))
        if seen.duration.value > 0:
            expected[child.name] = (seen.start_time.to_frames(), seen.end_time_exclusive().to_frames() - 1)
    try:
        found = clips_of(path)
    except DocumentError:
        found = {}
    # A transition may also show a part of a clip of which the source ranges show nothing.
    assert expected == {name: (found[name].first, found[name].last) for name in expected if name in found}
    assert all(found[name].head + found[name].tail == 0 for name in set(found) - set(expected))


@given(tracks())
def test_heads_and_tails_are_the_offsets_of_the_library(tmp_path_factory, items):
    path = written(tmp_path_factory.mktemp("cut"), items)
    track = otio.adapters.read_from_file(str(path)).video_tracks()[0]
    found = clips_of(path)
    for child in track.find_clips():
        head, tail = (0 if offset is None else offset.value for offset in track.handles_of_child(child))
        assert (found[child.name].head, found[child.name].tail) == (head, tail)
        assert found[child.name].first == child.trimmed_range().start_time.value


@given(st.integers(1, 4), st.integers(0, 40), st.integers(1, 30), st.integers(-5, 2000))
def test_images_are_those_that_the_library_names(tmp_path_factory, step, start, count, number):
    reference = schema.ImageSequenceReference(
        "file:///lantern/plates/", "bench wide.", ".exr", start_frame=number, frame_step=step, rate=24,
        frame_zero_padding=4, available_range=span(500, 320),
    )  # fmt: skip
    path = written(tmp_path_factory.mktemp("cut"), [schema.Clip("wide", reference, span(500 + start, count))])
    (wide,) = read_cut(path).clips
    # The image at a time is the last one that begins at it or before.
    images = range(reference.number_of_images_in_sequence())
    begins = [reference.presentation_time_for_image_number(k).value for k in images]
    shown = {max(k for k in images if begins[k] <= 500 + start + i) for i in range(count)}
    assert wide.frames == tuple(sorted(number + k * step for k in shown))
    assert wide.step == step
    frame = reference.frame_for_time(time(500 + start))
    assert wide.first == frame - (frame - number) % step
    assert wide.media == "file:///lantern/plates/bench wide.{frame:04d}.exr"


# -- what counts -----------------------------------------------------------------------------------------------


def test_clips_come_in_the_order_of_time_whatever_track_they_are_on(tmp_path):
    upper = [schema.Gap(source_range=span(0, 5)), clip("lamp", 1001, 3)]
    path = written(tmp_path, [clip("wide", 1001, 10), clip("close", 1001, 10)], upper)
    assert [clip.name for clip in read_cut(path).clips] == ["wide", "lamp", "close"]
    assert [clip.name for clip in read_cut(path, track="V2").clips] == ["lamp"]


def test_a_nested_clip_is_ordered_by_its_time_in_the_whole(tmp_path):
    # The stack begins at 10 and runs at twice its speed: its second clip is first shown at 10 + 12 / 2 = 16.
    stack = stack_of("bench", track_of("inner", clip("wide", 1001, 12), clip("close", 1001, 12)))
    stack.source_range = span(0, 12)
    stack.effects.append(schema.LinearTimeWarp(time_scalar=2))
    before, behind = clip("lamp", 1001, 1), clip("hull", 1001, 1)
    upper = [schema.Gap(source_range=span(0, 15)), before, schema.Gap(source_range=span(0, 1)), behind]
    path = written(tmp_path, [schema.Gap(source_range=span(0, 10)), stack], upper)
    clips = clips_of(path)
    assert list(clips) == ["wide", "lamp", "close", "hull"]
    assert clips["close"].frames == tuple(range(1001, 1013))


def test_disabled_clips_stacks_and_nested_audio_do_not_count(tmp_path):
    off = clip("off", 1001, 5)
    off.enabled = False
    stack = stack_of("bench", track_of("inner", clip("close", 1001, 5)))
    stack.enabled = False
    sound = stack_of(
        "sound", track_of("A1", clip("hum", 1001, 5), kind="Audio"), track_of("V", clip("lamp", 1001, 5))
    )
    path = written(tmp_path, [off, clip("wide", 1010, 5), stack, sound])
    assert list(frames_of(path)) == ["wide", "lamp"]


def test_what_is_disabled_still_takes_its_time(tmp_path):
    off = clip("off", 1001, 5)
    off.enabled = False
    track = track_of("V1", off, clip("wide", 1010, 5), clip("close", 1020, 5))
    track.source_range = span(7, 5)
    # 5 frames of the disabled clip, so that 7 is the third frame of the second one; 12 the third of the last.
    path = timeline_of(tmp_path / "cut.otio", track)
    assert frames_of(path) == {"wide": (1012, 1013, 1014), "close": (1020, 1021)}


def test_transitions_beside_a_stack_reach_into_its_clips(tmp_path):
    stack = stack_of("bench", track_of("inner", clip("wide", 1010, 30)), source_range=span(10, 10))
    fades = [schema.Transition("", "SMPTE_Dissolve", time(3), time(4)) for _ in range(2)]
    path = written(tmp_path, [clip("lamp", 1001, 10), fades[0], stack, fades[1], clip("close", 1001, 10)])
    wide = clips_of(path)["wide"]
    # 1010 + 10 is the first frame that the stack shows; 3 more before it, and 4 behind the tenth.
    assert (wide.first, wide.last, wide.head, wide.tail) == (1020, 1029, 3, 4)
    assert wide.frames == tuple(range(1017, 1034))


def test_a_transition_that_is_longer_than_what_follows_shows_all_of_itself(tmp_path):
    fade = schema.Transition("", "SMPTE_Dissolve", time(0), time(4))
    wide = clip("wide", 1001, 2)
    path = written(tmp_path, [wide, fade, clip("lamp", 1001, 1)])
    timeline = otio.adapters.read_from_file(str(path))
    visible = timeline.tracks[0][0].visible_range()
    assert (visible.start_time.value, visible.duration.value) == (1001, 6)
    assert frames_of(path)["wide"] == tuple(range(1001, 1007))


def test_a_clip_that_a_trim_cuts_off_is_not_there(tmp_path):
    timeline = schema.Timeline("lantern")
    timeline.tracks.append(track_of("V1", clip("wide", 1001, 10), clip("close", 1001, 10), clip("lamp", 1001, 10)))
    timeline.tracks.source_range = span(10, 10)
    assert list(frames_of(saved(tmp_path / "cut.otio", timeline))) == ["close"]


def test_markers_and_metadata_stay_what_they_are(tmp_path):
    wide = clip("wide", 1010, 3)
    wide.markers.append(schema.Marker("look", span(1000, 500)))
    wide.metadata["bench"] = {"take": 3, "notes": ["lamp", None, 0.5]}
    (read,) = read_cut(written(tmp_path, [schema.Gap(source_range=span(0, 2)), wide])).clips
    assert read.frames == (1010, 1011, 1012)
    assert read.metadata == {"bench": {"take": 3, "notes": ["lamp", None, 0.5]}}
    assert read.uses == ('item 2 of track "V1"',)
    assert read.pointers == ("/tracks/children/0/children/1",)


def test_what_a_generator_makes_and_what_has_no_length_is_left_out(tmp_path):
    bars = schema.Clip("bars", schema.GeneratorReference("bars", "SMPTEBars"), span(0, 24))
    path = written(tmp_path, [bars, clip("wide", 1010, 2), clip("none", 1010, 0)])
    assert list(frames_of(path)) == ["wide"]
    assert warnings_of(path) == [
        'clip "bars" is made by a generator (SMPTEBars), and is left out',
        'clip "none" has no length, and is left out',
    ]


@pytest.mark.parametrize("held", ["track", "stack", "collection"])
def test_tracks_stacks_and_collections_are_cuts_too(tmp_path, held):
    track = track_of("V1", clip("wide", 1010, 2))
    timeline = schema.Timeline("lantern")
    timeline.tracks.append(track.deepcopy())
    made = {"track": track, "stack": stack_of("bench", track.deepcopy()),
            "collection": schema.SerializableCollection("bin", [schema.Gap(), timeline])}[held]  # fmt: skip
    path = saved(tmp_path / "cut.otio", made)
    assert frames_of(path) == {"wide": (1010, 1011)}
    assert frames_of(path, track="V1") == {"wide": (1010, 1011)}
    node = json.loads(path.read_text())
    for key in read_cut(path).clips[0].pointers[0].split("/")[1:]:
        node = node[int(key) if isinstance(node, list) else key]
    assert node["name"] == "wide"


# -- times and speed -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "start", "count", "frames"),
    [
        # Twice as fast: 6 frames of the cut show 12.
        (2, 1010, 6, range(1010, 1022)),
        # Half as fast: 5 frames show 2½, of which the third in part.
        (0.5, 1010, 5, range(1010, 1013)),
        # In reverse the same ones, last to first.
        (-1, 1010, 6, range(1010, 1016)),
        (-2, 1010, 6, range(1010, 1022)),
        (0, 1010, 6, range(1010, 1011)),
        (0, 1010.5, 6, range(1010, 1011)),
        (1 / 3, 1010, 6, range(1010, 1012)),
    ],
)
def test_speed_multiplies_the_frames_that_are_needed(tmp_path, speed, start, count, frames):
    wide = clip("wide", start, count)
    wide.effects.append(schema.LinearTimeWarp(time_scalar=speed))
    path = written(tmp_path, [wide])
    assert frames_of(path) == {"wide": tuple(frames)}
    (message,) = warnings_of(path)
    assert f"it lasts {count} frames in the cut" in message
    assert clips_of(path)["wide"].speed == Fraction(speed).limit_denominator(1000)


def test_transitions_of_a_clip_in_reverse_are_at_its_other_ends(tmp_path):
    fades = [schema.Transition("", "SMPTE_Dissolve", time(3), time(4)) for _ in range(2)]
    wide = clip("wide", 1020, 10)
    wide.effects.append(schema.LinearTimeWarp(time_scalar=-2))
    path = written(tmp_path, [clip("lamp", 1001, 10), fades[0], wide, fades[1], clip("close", 1011, 10)])
    read = clips_of(path)["wide"]
    # 10 frames at double speed are 1020 to 1039. The 3 before are 6 at its end, the 4 behind 8 at its beginning.
    assert (read.first, read.last, read.head, read.tail) == (1020, 1039, 8, 6)


def test_a_trimmed_stack_of_a_fast_clip_shows_what_is_left_of_it(tmp_path):
    wide = clip("wide", 1010, 10)
    wide.effects.append(schema.LinearTimeWarp(time_scalar=2))
    stack = stack_of("bench", track_of("inner", wide), source_range=span(3, 4))
    # From the fourth frame of the clip on: 1010 + 3 · 2 = 1016, and 4 · 2 frames.
    assert frames_of(written(tmp_path, [stack])) == {"wide": tuple(range(1016, 1024))}


def test_several_speeds_multiply_and_other_changes_of_time_are_said(tmp_path):
    wide = clip("wide", 1010, 3)
    wide.effects.extend(
        [schema.LinearTimeWarp(time_scalar=4), schema.Effect("blur"), schema.LinearTimeWarp(time_scalar=0.5)]
    )
    curve = clip("close", 1010, 3)
    curve.effects.append(schema.TimeEffect("curve"))
    path = written(tmp_path, [wide, curve])
    assert frames_of(path) == {"wide": tuple(range(1010, 1016)), "close": (1010, 1011, 1012)}
    assert (
        warnings_of(path)[1]
        == 'clip "close" has a change of speed that is not linear ("curve"): it is not followed'
    )


def test_other_rates_are_exact_and_widened_outwards(tmp_path):
    # 24 frames from 48 at 24 a second are the third second: 50 to 74 at 25 a second.
    exact = schema.Clip("wide", media(0, 1000, 25), span(48, 24, 24))
    # 10 frames from 10 at 24 are 10.4167 to 20.8333 at 25: frames 10 to 20.
    between = schema.Clip("close", media(0, 1000, 25), span(10, 10, 24))
    path = written(tmp_path, [exact, between])
    assert frames_of(path) == {"wide": tuple(range(50, 75)), "close": tuple(range(10, 21))}
    assert warnings_of(path) == [
        'clip "close" begins or ends between two frames of its media (10.417 to 20.833, 25 a second); '
        "frames 10-20 are taken"
    ]
    cut = read_cut(path)
    assert (cut.frame_rate, cut.clips[0].frame_rate) == (24, 25)


def test_rates_that_are_rounded_are_the_exact_ones(tmp_path):
    # 23.98 and 24000/1001 are one rate; times in seconds are whole frames but for their last digit.
    rounded = schema.Clip("wide", media(1001, 90_000, 24000 / 1001), span(86_400, 24, 23.98))
    seconds = schema.Clip("lamp", media(0, 5000, 24), opentime.TimeRange(time(41.708333, 1), time(0.416667, 1)))
    path = written(tmp_path, [rounded, seconds])
    assert frames_of(path) == {"wide": tuple(range(86_400, 86_424)), "lamp": tuple(range(1001, 1011))}
    assert not warnings_of(path)
    assert clips_of(path)["wide"].frame_rate == Fraction(24000, 1001)


def test_frames_below_zero_are_frames(tmp_path):
    path = written(tmp_path, [schema.Clip("wide", schema.MissingReference(), span(-8, 5))])
    assert frames_of(path) == {"wide": (-8, -7, -6, -5, -4)}
    (wide,) = read_cut(path).clips
    assert (wide.available, wide.media, wide.frame_rate) == (None, "", 24)


def test_frames_that_the_media_does_not_have_are_said(tmp_path):
    fade = schema.Transition("", "SMPTE_Dissolve", time(3), time(4))
    path = written(tmp_path, [clip("lamp", 1091, 10), fade, clip("wide", 1003, 10)])
    assert warnings_of(path) == [
        'clip "lamp" needs frames 1091-1104, but its media has 1001-1100',
        'clip "wide" needs frames 1000-1012, but its media has 1001-1100',
    ]


# -- one name, several clips -----------------------------------------------------------------------------------


def test_places_of_clips_with_one_name_and_other_media_are_named(tmp_path):
    other = schema.Clip("wide", media(name="other"), span(1001, 2))
    path = written(tmp_path, [clip("wide", 1010, 2)], [schema.Gap(source_range=span(0, 9)), other])
    with pytest.raises(DocumentError) as caught:
        read_cut(path)
    (problem,) = caught.value.problems
    assert (
        problem.way_out == 'they are item 1 of track "V1" and item 2 of track "V2": give one of them another name'
    )
    assert problem.pointer == "/tracks/children/1/children/1"


def test_media_that_differ_in_their_numbering_are_told_apart(tmp_path):
    def sequence(start):
        return schema.ImageSequenceReference("p/", "bench.", ".exr", start, 1, 24, 4, available_range=span(0, 50))

    path = written(tmp_path, [schema.Clip("wide", sequence(k), span(0, 2)) for k in (1, 1001)])
    (message,) = problems_of(path)
    assert "numbered from 1 and" in message
    assert message.endswith("numbered from 1001")


def test_missing_media_under_one_name_is_taken_for_the_same_and_said(tmp_path):
    path = written(tmp_path, [schema.Clip("wide", None, span(k, 2)) for k in (1010, 1020)])
    assert frames_of(path) == {"wide": (1010, 1011, 1020, 1021)}
    assert warnings_of(path) == [
        'clip "wide" is there 2 times, and its media is missing: it is taken for the same'
    ]


# -- mistakes --------------------------------------------------------------------------------------------------


def raw_clip(**fields):
    start, duration, rate = fields.pop("range", (1010, 5, 24))
    times = {"start_time": start, "duration": duration}
    source = {
        "OTIO_SCHEMA": "TimeRange.1",
        **{key: {"OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value} for key, value in times.items()},
    }
    return {"OTIO_SCHEMA": "Clip.1", "name": "wide", "media_reference": None, "source_range": source, **fields}


def raw_cut(path, *items):
    track = {"OTIO_SCHEMA": "Track.1", "name": "V1", "kind": "Video", "children": list(items)}
    stack = {"OTIO_SCHEMA": "Stack.1", "name": "tracks", "children": [track]}
    path.write_text(json.dumps({"OTIO_SCHEMA": "Timeline.1", "name": "lantern", "tracks": stack}))
    return path


@pytest.mark.parametrize(
    ("range", "said"),
    [
        ((1010, -5, 24), "has a negative duration: -5"),
        ((math.nan, 5, 24), "has a time of nan"),
        ((1010, math.inf, 24), "has a time of inf"),
        ((1010, 5, 0), "has a rate of 0"),
        ((1010, 5, -24), "has a rate of -24"),
        ((1010, 5, math.nan), "has a rate of nan"),
        ((1e300, 5, 24), "out of range"),
        ((1e12, 5, 24), "up to 999999999"),
        ((1010, 2e6, 24), "the most is 1000000"),
        ((1010, 5, 48_000), "has media without a frame rate: 48000"),
    ],
)
def test_ranges_that_make_no_sense(tmp_path, range, said):
    path = raw_cut(tmp_path / "cut.otio", raw_clip(name="lamp"), raw_clip(range=range))
    with pytest.raises(DocumentError) as caught:
        read_cut(path)
    (problem,) = caught.value.problems
    assert problem.message.startswith('clip "wide" ')
    assert said in problem.message
    assert problem.pointer == "/tracks/children/0/children/1"
    assert problem.way_out


def test_every_mistake_is_found_at_once(tmp_path):
    nameless = [schema.Clip("", None, span(0, 2, rate)) for rate in (24, 25)]
    inner = [schema.Clip("close", schema.MissingReference()), *nameless]
    fast = clip("lamp", 1001, 2)
    fast.effects.append(schema.LinearTimeWarp(time_scalar=1e30))
    sequence = schema.ImageSequenceReference("p/", "bench.", ".exr", 1001, 0, 24, available_range=span(0, 9))
    images = schema.Clip("images", sequence, span(0, 2))
    fade = schema.Transition("", "SMPTE_Dissolve", time(-1), time(4))
    last = schema.Clip("hull", schema.MissingReference())
    path = written(
        tmp_path, [clip("wide", 1001, 2), stack_of("bench", track_of("", *inner)), fast, images, fade, last]
    )
    with pytest.raises(DocumentError) as caught:
        read_cut(path)
    assert [(problem.pointer, problem.message) for problem in caught.value.problems] == [
        ("/tracks/children/0/children/1/children/0/children/0",
         'clip "close" has neither a source range nor media with one'),
        ("/tracks/children/0/children/1/children/0/children/1",
         "a clip without a name cannot be a shot: its media has no name either"),
        ("/tracks/children/0/children/1/children/0/children/2",
         "a clip without a name cannot be a shot: its media has no name either"),
        ("/tracks/children/0/children/2", 'clip "lamp" runs at speed 1e+30, which is out of range'),
        ("/tracks/children/0/children/3", 'clip "images" has an image sequence with a frame step of 0'),
        ("/tracks/children/0/children/5", 'clip "hull" has neither a source range nor media with one'),
    ]  # fmt: skip


def test_transitions_with_times_that_make_no_sense(tmp_path):
    fade = schema.Transition("", "SMPTE_Dissolve", time(2), time(-4))
    assert problems_of(written(tmp_path, [clip("wide", 1001, 2), fade, clip("lamp", 1001, 2)])) == [
        'the transition beside clip "wide" has a negative out_offset'
    ]


def test_an_image_sequence_whose_frames_have_no_times(tmp_path):
    sequence = schema.ImageSequenceReference("p/", "bench.", ".exr", start_frame=1001, rate=24)
    (message,) = problems_of(written(tmp_path, [schema.Clip("wide", sequence, span(0, 2))]))
    assert message == 'clip "wide" has an image sequence without an available range: its frames have no times'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ('{"OTIO_SCHEMA": "Timeline.1",', "as JSON"),
        ("[" * 100_000 + "]" * 100_000, "nested more than"),
        ('{"a":' * 900 + "1" + "}" * 900, "nested more than"),
        ('{"OTIO_SCHEMA": "Timeline.1", "name": "x", "tracks": null}', "the timeline has no tracks"),
        ('{"OTIO_SCHEMA": "Timeline.1", "name": "x"}', "(of type 'Timeline'): tracks"),
        ('{"OTIO_SCHEMA": "Lantern.1"}', "does not know, not a timeline"),
        ('{"OTIO_SCHEMA": "SerializableCollection.1", "name": "x", "children": []}', "it holds 0 timelines"),
        ('{"stackcomp": 1, "nodes": {}}', "it holds other JSON data, not a timeline"),
        ("1" * 5000, "thousands of digits"),
    ],
)
def test_texts_that_are_no_cut(tmp_path, text, said):
    (path := tmp_path / "cut.otio").write_text(text)
    (message, *_) = problems_of(path)
    assert said in message


def test_a_newer_version_says_what_to_update(tmp_path):
    (path := tmp_path / "cut.otio").write_text('{"OTIO_SCHEMA": "Timeline.99"}')
    with pytest.raises(DocumentError, match="newer than OpenTimelineIO") as caught:
        read_cut(path)
    assert "update OpenTimelineIO" in caught.value.problems[0].way_out


@pytest.mark.parametrize("data", [b"\xff\xfe\x00", b'{"name": "\xe9"}'])
def test_bytes_that_are_no_text(tmp_path, data):
    (path := tmp_path / "cut.otio").write_bytes(data)
    (message,) = problems_of(path)
    assert "cannot be read as UTF-8 text" in message


def test_a_byte_order_mark_is_no_mistake(tmp_path):
    path = written(tmp_path, [clip("wide", 1010, 2)])
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert frames_of(path) == {"wide": (1010, 1011)}


def test_bundles_as_folders_and_damaged_ones(tmp_path):
    text = written(tmp_path, [clip("wide", 1010, 2)]).read_text()
    (folder := tmp_path / "cut.otiod").mkdir()
    assert problems_of(folder) == ['the bundle holds no "content.otio"']
    (folder / "content.otio").write_text(text)
    assert frames_of(folder) == {"wide": (1010, 1011)}
    archive = tmp_path / "cut.OTIOZ"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("content.otio", text)
    assert frames_of(archive) == {"wide": (1010, 1011)}
    whole = archive.read_bytes()
    for damaged in (b"", b"none", whole[:60], whole[:80] + b"\0" * 40 + whole[120:]):
        archive.write_bytes(damaged)
        (message,) = problems_of(archive)
        assert "cannot be read as a bundle" in message
    with zipfile.ZipFile(archive, "w") as bundle:
        bundle.writestr("other.otio", text)
    assert problems_of(archive) == ['the bundle holds no "content.otio"']


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the super-user may read everything")
def test_a_file_without_permission(tmp_path):
    path = written(tmp_path, [clip("wide", 1010, 2)])
    path.chmod(0)
    assert problems_of(path) == ["it cannot be read: permission denied"]


def test_folders_and_missing_folders(tmp_path):
    (tmp_path / "edit.otio").mkdir()
    assert problems_of(tmp_path / "edit.otio") == ["it cannot be read: is a directory"]
    assert problems_of(tmp_path / "none" / "edit.otiod") == ["there is no such file"]


def test_tracks_that_cannot_be_meant(tmp_path):
    tracks = [track_of("main", clip("wide", 1010, 2)), track_of("main", clip("lamp", 1010, 2)),
              track_of("sound", clip("hum", 1010, 2), kind="Audio")]  # fmt: skip
    path = timeline_of(tmp_path / "cut.otio", *tracks)
    assert problems_of(path, track="main") == ['2 video tracks are named "main"']
    assert problems_of(path, track="sound") == ['there is no video track "sound"']
    with pytest.raises(DocumentError) as caught:
        read_cut(path, track="mian")
    assert caught.value.problems[0].way_out == 'did you mean "main"?'


def test_without_the_library_the_error_says_what_to_install(tmp_path, monkeypatch):
    path = written(tmp_path, [clip("wide", 1010, 2)])
    monkeypatch.setitem(sys.modules, "opentimelineio", None)
    with pytest.raises(DocumentError, match="OpenTimelineIO is not installed") as caught:
        read_cut(path)
    assert caught.value.problems[0].way_out == "pip install 'stackcomp[timeline]'"


def test_compositions_that_are_nested_without_end(tmp_path):
    item = clip("wide", 1010, 2)
    for _ in range(70):
        item = track_of("", item)
    (message, *_) = problems_of(written(tmp_path, [item]))
    assert "is nested more than 64 deep" in message
