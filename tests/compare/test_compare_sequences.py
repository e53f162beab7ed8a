"""Two sequences: frames that differ, are missing, or cannot be read."""

from __future__ import annotations

import json

import pytest
from compare_pictures import write

from stackcomp import RequestError
from stackcomp.compare import EXACT, compare_sequences
from stackcomp.compare.sequences import frames_on_disk


@pytest.fixture
def pair(tmp_path):
    """Frames 1 to 4, of which the second has no 2, another 3, and a damaged 4."""
    for frame in (1, 2, 3, 4):
        write(tmp_path / f"a.{frame:04d}.exr", seed=frame)
        if frame != 2:
            write(tmp_path / f"b.{frame:04d}.exr", {"R": 9.0} if frame == 3 else None, seed=frame)
    (tmp_path / "b.0004.exr").write_bytes((tmp_path / "b.0004.exr").read_bytes()[:200])
    return tuple(str(tmp_path / f"{name}.{{frame:04d}}.exr") for name in "ab")


def test_all_that_differs_is_found(pair):
    compared = compare_sequences(*pair)
    assert compared.missing == ((), (2,))
    assert compared.different == (3,)
    assert list(compared.unreadable) == [4]
    assert "b.0004.exr" in compared.unreadable[4]
    assert compared.first_different == 2
    assert compared.worst == 3
    text = str(compared).splitlines()
    assert text[0] == "different: the first frame that differs is 2"
    assert text[1] == "the second has no frame 2"
    assert "largest difference: 0." in text[-1]
    assert json.loads(json.dumps(compared.as_dict(), allow_nan=False))["missing"] == {"first": [], "second": [2]}


def test_missing_frames_of_the_other_side(pair):
    a, b = pair
    assert compare_sequences(b, a).missing == ((2,), ())


def test_frames_that_are_asked_for(pair):
    compared = compare_sequences(*pair, [1])
    assert compared.equal
    assert str(compared) == "equal, 1 frame"
    assert compare_sequences(*pair, [1, 9]).missing == ((9,), (9,))
    assert compare_sequences(*pair, [4, 1]).first_different == 4


def test_progress(pair):
    seen = []
    compare_sequences(
        *pair, begun=seen.append, finished=lambda frame, compared: seen.append((frame, compared is None))
    )
    assert seen == [4, (1, False), (2, True), (3, False), (4, True)]


def test_sequences_without_frames(pair, tmp_path):
    a, b = pair
    with pytest.raises(RequestError) as caught:
        compare_sequences(a, str(tmp_path / "c.%04d.exr"))
    assert caught.value.problems[0].message.startswith("there is no frame of ")
    with pytest.raises(RequestError) as caught:
        compare_sequences(a, b, [7, 8])
    assert caught.value.problems[0].message == f"there is no frame 7-8 of {a}"
    assert caught.value.problems[0].way_out == "frames 1-4 exist"
    with pytest.raises(RequestError, match="no layer or channel"):
        compare_sequences(a, b, None, {"shade": EXACT})


def test_a_damaged_first_frame_does_not_hide_a_wrong_name(pair, tmp_path):
    path = tmp_path / "a.0001.exr"
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(RequestError, match="no layer or channel"):
        compare_sequences(*pair, None, {"shade": EXACT})
    assert list(compare_sequences(*pair, None, {"shadow": EXACT}).unreadable) == [1, 4]


@pytest.mark.parametrize(
    ("pattern", "names", "frames"),
    [
        ("a.{frame:04d}.exr", ["a.0001.exr", "a.2.exr", "a.0003.exr", "a.12345.exr", "b.0009.exr"], (1, 3, 12345)),
        ("a.%d.exr", ["a.1.exr", "a.0002.exr", "a.10.exr"], (1, 10)),
        # One frame each of many shots: the frames of one shot are its own.
        ("shot_010.{frame:04d}.exr", ["shot_010.1001.exr", "shot_020.1001.exr", "shot_030.1001.exr"], (1001,)),
        ("{frame:04d}/a.{frame:04d}.exr", ["0001/a.0001.exr", "0002/a.0001.exr", "0002/a.0002.exr"], (1, 2)),
        ("a[1].{frame:03d}.exr", ["a[1].001.exr", "a1.002.exr"], (1,)),
        ("a.{frame:05d}.exr", ["a.-0001.exr", "a.00000.exr"], (-1, 0)),
    ],
)
def test_frames_on_disk(tmp_path, pattern, names, frames):
    for name in names:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    assert frames_on_disk(str(tmp_path / pattern)) == frames
