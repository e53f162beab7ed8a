"""Numbers over time. ``smooth`` against scipy's PchipInterpolator, ``linear`` against numpy.interp."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from stackcomp.data.numbers import Keyed, Number
from stackcomp.errors import ArgumentError, BadValueError
from stackcomp.nodes.kinds import KINDS

values = st.floats(-1000, 1000).map(lambda x: round(x, 3))


@st.composite
def keys(draw, size=1, smallest=2):
    frames = sorted(draw(st.sets(st.integers(900, 1100), min_size=smallest, max_size=8)))
    row = values if size == 1 else st.tuples(*[values] * size)
    return frames, [draw(row) for _ in frames]


def dense(frames):
    return np.linspace(frames[0], frames[-1], 61)


@given(keys())
def test_smooth_is_the_monotone_cubic_of_scipy(drawn):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows), "smooth")
    at = dense(frames)
    expected = PchipInterpolator(frames, rows)(at)
    np.testing.assert_allclose([keyed.at(frame) for frame in at], expected, rtol=1e-9, atol=1e-9)


@given(keys(size=3))
def test_smooth_colours_are_three_curves(drawn):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows))
    at = dense(frames)
    expected = PchipInterpolator(frames, rows, axis=0)(at)
    np.testing.assert_allclose([keyed.at(frame) for frame in at], expected, rtol=1e-9, atol=1e-9)


@given(keys())
def test_smooth_never_overshoots_its_keys(drawn):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows))
    for k in range(len(frames) - 1):
        low, high = sorted(rows[k : k + 2])
        inside = [keyed.at(frame) for frame in np.linspace(frames[k], frames[k + 1], 21)]
        assert low - 1e-9 <= min(inside)
        assert max(inside) <= high + 1e-9


@given(keys())
def test_linear_is_that_of_numpy(drawn):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows), "linear")
    at = np.linspace(frames[0] - 20, frames[-1] + 20, 81)
    expected = np.interp(at, frames, rows)
    np.testing.assert_allclose([keyed.at(frame) for frame in at], expected, rtol=1e-12, atol=1e-9)


@given(keys())
def test_hold_keeps_each_value_until_the_next_key(drawn):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows), "hold")
    for k, frame in enumerate(frames):
        until = frames[k + 1] if k + 1 < len(frames) else frame + 10
        assert {keyed.at(f) for f in range(frame, until)} == {rows[k]}
        assert keyed.at(until - 1e-6) == rows[k]


@given(keys(smallest=1), st.sampled_from(["smooth", "linear", "hold"]))
def test_constant_before_the_first_key_and_after_the_last(drawn, between):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows), between)
    assert keyed.at(frames[0] - 500) == rows[0]
    assert keyed.at(frames[-1] + 500) == rows[-1]
    for frame, value in zip(frames, rows, strict=True):
        assert keyed.at(frame) == pytest.approx(value, abs=1e-12)


@given(keys(size=3), st.sampled_from(["smooth", "linear", "hold"]))
def test_json_there_and_back(drawn, between):
    frames, rows = drawn
    keyed = Keyed(tuple(frames), tuple(rows), between)
    assert Number(size=3).parse(keyed.as_json()) == keyed
    assert Number(size=3).parse(keyed) == keyed


def test_keys_may_lie_between_frames():
    keyed = Number().parse({"keys": [[1.5, 0], [2.5, 1]], "between": "linear"})
    assert keyed.at(2) == 0.5
    assert keyed.as_json()["keys"][0] == [1.5, 0.0]


@pytest.mark.parametrize(
    ("number", "raw", "parsed"),
    [
        (Number(), 1, 1.0),
        (Number(low=0, high=1), 0, 0.0),
        (Number(low=0, high=1), 1, 1.0),
        (Number(above=0), 1e-30, 1e-30),
        (Number(size=3), 2, (2.0, 2.0, 2.0)),
        (Number(size=3), [1, 2, 3], (1.0, 2.0, 3.0)),
        (Number(size=2), (1, 2), (1.0, 2.0)),
        (Number(size=3), {"keys": [[1, 2], [5, [1, 2, 3]]]}, Keyed((1.0, 5.0), ((2.0,) * 3, (1.0, 2.0, 3.0)))),
    ],
)
def test_what_fits(number, raw, parsed):
    assert number.parse(raw) == parsed


@pytest.mark.parametrize(
    ("number", "raw", "words"),
    [
        (Number(low=0), -1e-9, "is -1e-09, below the smallest value 0; give a value of 0 or more"),
        (Number(high=5), 6, "is 6, above the largest value 5; give a value up to 5"),
        (Number(low=0, high=1, unit="px"), 2, "give a value from 0 to 1 px"),
        (Number(above=0, high=9), 0, "is 0, but must be larger than 0; give a value above 0 and up to 9"),
        (Number(), True, "is true, not a number; give a number"),
        (Number(), None, "is null, not a number"),
        (Number(), "1", 'is "1", which is a text; give a number'),
        (Number(), [1], "is a list of 1; give one number"),
        (Number(), 10**400, "not a finite number"),
        (Number(), float("nan"), "not a finite number"),
        (Number(size=3), [1, 2], "is a list of 2; give 3 numbers, or one for all"),
        (Number(size=9), 1, "is 1, a single number; give a list of 9 numbers"),
        (Number(size=3, low=0), [0, -1, 0], "holds -1, below"),
        (Number(size=3), ["x", 1, 1], 'holds "x", which is a text; give a number'),
        (Number(), {}, 'without "keys"'),
        (Number(), {"keys": []}, "at least one key"),
        (Number(), {"keys": 3}, "at least one key"),
        (Number(), {"keys": [[1]]}, r"has the key \[1\]"),
        (Number(), {"keys": [[1, 2, 3]]}, "a key is a pair"),
        (Number(), {"keys": [["a", 2]]}, 'has a key at frame "a"'),
        (Number(), {"keys": [[2, 0], [1, 0]]}, "at frame 1 behind the one at frame 2"),
        (Number(), {"keys": [[2, 0], [2, 1]]}, "each frame once"),
        (Number(high=1), {"keys": [[1, 0], [2, 3]]}, "is 3 at frame 2, above the largest value 1"),
        (Number(size=3), {"keys": [[1, [1, 2]]]}, "is a list of 2 at frame 1"),
        (Number(), {"keys": [[1, 0]], "between": "cubic"}, '"between": "cubic"'),
        (Number(), {"keys": [[1, 0]], "between": ["smooth"]}, '"between"'),
        (Number(), {"keys": [[1, 0]], "ease": 1}, 'with "ease"'),
        (Number(), {"keys": [[1, {"keys": [[1, 0]]}]]}, "which is an object"),
    ],
)
def test_what_does_not_fit(number, raw, words):
    with pytest.raises(BadValueError, match=words):
        number.parse(raw)


def test_lengths_in_pixels_shrink_with_the_preview():
    node = KINDS["glow"].model_validate({"kind": "glow", "image": "x", "radius": 20, "threshold": 0.5})
    assert node.at(1, 0.25).radius == 5
    assert node.at(1, 0.25).threshold == 0.5
    assert node.at(1) is node
    assert node.radius == 20


def test_keyed_lengths_shrink_at_their_frame():
    moving = {"keys": [[1, 10], [11, 20]], "between": "linear"}
    node = KINDS["glow"].model_validate({"kind": "glow", "image": "x", "radius": moving})
    assert not node.still
    assert node.at(6, 0.5).radius == 7.5
    assert node.at(6).still
    assert node.at(6).radius == 15


@pytest.mark.parametrize(
    ("frames", "values", "words"),
    [
        ((2.0, 1.0), (0.0, 1.0), "not in rising order"),
        ((1.0, 1.0), (0.0, 1.0), "not in rising order"),
        ((1.0, float("inf")), (0.0, 1.0), "Infinity is not a frame"),
        ((1.0, 2.0), (0.0, float("nan")), "are not alike"),
        ((1.0, 2.0), (0.0, (1.0, 2.0)), "are not alike"),
        ((1.0, 2.0), (0.0,), "1 values for 2 frames"),
        ((), (), "not a list with anything in it"),
    ],
)
def test_keys_from_python_that_make_no_sense(frames, values, words):
    with pytest.raises(ArgumentError, match=words):
        Keyed(frames, values)
