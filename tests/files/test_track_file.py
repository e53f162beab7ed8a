"""Track files: what is read, what is written, and what is said of mistakes."""

import json

import pytest

from stackcomp.errors import FileError
from stackcomp.files.track_file import TrackFile, read_track, track_text


def written(path, points, **more):
    head = {"stackcomp_track": 1, "width": 512, "height": 288, "reference": 1003, "points": points}
    path.write_text(json.dumps({**head, **more}))
    return path


def test_what_is_written_is_read_back(tmp_path):
    points = {"cap": {1003: (10.12344, 20.0, 0.0), 1004: None, 1002: (9.5, -2.25, 0.0312)}, "foot": {1003: None}}
    path = tmp_path / "bench.json"
    path.write_text(track_text((512, 288), 1003, points, 'of the "bench"'))
    track = read_track(path)
    assert (track.width, track.height, track.reference, track.about) == (512, 288, 1003, 'of the "bench"')
    assert track.points == {
        "cap": {"1002": (9.5, -2.25, 0.0312), "1003": (10.1234, 20.0, 0.0), "1004": None},
        "foot": {"1003": None},
    }
    assert track.frames == {1002, 1003, 1004}
    assert track.positions(1003) == {"cap": (10.1234, 20.0)}
    assert track.positions(1004) == track.positions(7) == {}
    assert list(json.loads(path.read_text())["points"]["cap"]) == ["1002", "1003", "1004"]


def test_names_can_be_read_in_the_file_in_any_script():
    text = track_text((512, 288), 1, {"Düse": {1: (1.0, 2.0, 0.0)}, "提灯": {1: None}}, "für die Bank")
    assert all(word in text for word in ('"Düse"', '"提灯"', '"für die Bank"'))
    assert list(json.loads(text)["points"]) == ["Düse", "提灯"]


def test_a_position_may_go_without_disagreement(tmp_path):
    assert read_track(written(tmp_path / "t.json", {"cap": {"-2": [1, 2]}})).positions(-2) == {"cap": (1, 2)}


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ({}, '/points: "points" has no point in it'),
        ({" ": {}}, '"points" has a point whose name is empty'),
        ({"cap": {"01003": [1, 2]}}, 'the point "cap" at "01003", which is not a frame number — write a whole'),
        ({"cap": {"1003.5": [1, 2]}}, 'the point "cap" at "1003.5"'),
        ({"cap": {"1003": [1]}}, 'has the point "cap" at frame 1003 with 1 numbers'),
        ({"cap": {"1003": [1, 2, 3, 4]}}, "with 4 numbers — write .x, y., or .x, y, disagreement., or null"),
        ({"cap": {"1003": [1e9, 2]}}, "at .1000000000.0, 2.0. — give coordinates within ±100000"),
        ({"cap": {"1003": [1, 2, -1]}}, "with a disagreement of -1 pixels — give 0 or more"),
        ({"cap": {"1003": "here"}}, '/points/cap/1003: "points.cap.1003" is "here"'),
        ({"cap": {"1003": [1, True]}}, '/points/cap/1003/1: item 2 of "points.cap.1003" is true'),
        ({"cap": [1, 2]}, '/points/cap: "points.cap" is .1, 2.'),
    ],
)
def test_mistakes_name_the_file_the_point_the_frame_and_the_way_out(tmp_path, points, said):
    with pytest.raises(FileError, match=f"t.json: .*{said}"):
        read_track(written(tmp_path / "t.json", points))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"width": 0}, '"width" is 0, below the smallest value 1'),
        ({"stackcomp_track": 2}, '"stackcomp_track" is 2'),
        ({"reference": "1003"}, '"reference" is "1003"'),
        ({"refrence": 3}, 'a track has no field "refrence" — did you mean "reference"'),
    ],
)
def test_mistakes_in_the_head(tmp_path, change, said):
    with pytest.raises(FileError, match=said):
        read_track(written(tmp_path / "t.json", {"cap": {}}, **change))


def test_positions_cannot_be_changed(tmp_path):
    track = read_track(written(tmp_path / "t.json", {"cap": {"1": [1, 2]}}))
    assert isinstance(track, TrackFile)
    with pytest.raises(ValueError, match="frozen"):
        track.width = 3
