import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.data.frames import MOST_FRAMES, format_frames, parse_frames
from stackcomp.errors import BadValueError


@pytest.mark.parametrize(
    ("text", "frames"),
    [
        ("1001", [1001]),
        ("1001-1004", [1001, 1002, 1003, 1004]),
        ("1001-1006x2", [1001, 1003, 1005]),
        ("1001-1002,1008", [1001, 1002, 1008]),
        ("8,1-3,2", [8, 1, 2, 3]),
        (" 1 , 2 ", [1, 2]),
        ("-5--3", [-5, -4, -3]),
        ("-2-1", [-2, -1, 0, 1]),
        ("0007", [7]),
    ],
)
def test_ranges(text, frames):
    assert parse_frames(text) == frames


@given(st.lists(st.integers(-99999, 99999), min_size=1, max_size=30))
def test_there_and_back(frames):
    assert parse_frames(format_frames(frames)) == sorted(set(frames))


@given(st.integers(-999, 999), st.integers(0, 300), st.integers(1, 20))
def test_steps_are_those_of_range(first, length, step):
    assert parse_frames(f"{first}-{first + length}x{step}") == list(range(first, first + length + 1, step))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not a frame"),
        ("a-b", '"a-b" is not a frame'),
        ("1-", "is not a frame"),
        ("1..5", "is not a frame"),
        ("1.5", "is not a frame"),
        ("1-5x", "is not a frame"),
        ("5-1", "backwards; write 1-5"),
        ("1-5x0", "step of 0"),
        ("1,,2", '"" is not a frame'),
        ("1" * 30, "is not a frame"),
        (f"1-{MOST_FRAMES + 1}", f"more than {MOST_FRAMES} frames"),
        (f"1-{MOST_FRAMES},5000000-{5000000 + MOST_FRAMES}", "more than"),
        ("0-999999999", "more than"),
    ],
)
def test_what_is_no_range(text, words):
    with pytest.raises(BadValueError, match=words):
        parse_frames(text)


@given(st.text(max_size=20))
def test_any_text_is_a_range_or_an_error(text):
    with contextlib.suppress(BadValueError):
        assert parse_frames(text)


def test_runs():
    assert format_frames([3, 1, 2, 9, 9, 11]) == "1-3,9,11"
    assert format_frames([]) == ""
