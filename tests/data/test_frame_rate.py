"""Frame rates: what people write, exact."""

import contextlib
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.data.frame_rate import (
    HIGHEST,
    decimal_frame_rate,
    format_frame_rate,
    nominal_rate,
    parse_frame_rate,
)
from stackcomp.errors import BadValueError

F = Fraction


@pytest.mark.parametrize(
    ("written", "rate"),
    [
        (24, F(24)),
        ("25", F(25)),
        (" 25 ", F(25)),
        ("25.0", F(25)),
        ("25.", F(25)),
        (25.0, F(25)),
        ("24 fps", F(24)),
        ("23.976FPS", F(24000, 1001)),
        ("24000/1001", F(24000, 1001)),
        ("30000 / 1001", F(30000, 1001)),
        ("48/2", F(24)),
        (F(60000, 1001), F(60000, 1001)),
        # Rounded and cut decimals of n · 1000/1001.
        (23.976, F(24000, 1001)),
        ("23.98", F(24000, 1001)),
        ("23.97", F(24000, 1001)),
        ("23.976024", F(24000, 1001)),
        (24000 / 1001, F(24000, 1001)),
        (np.float32(24000 / 1001), F(24000, 1001)),
        (29.97, F(30000, 1001)),
        (29.970029, F(30000, 1001)),
        (47.952, F(48000, 1001)),
        ("47.95", F(48000, 1001)),
        (59.94, F(60000, 1001)),
        (119.88, F(120000, 1001)),
        # Decimals that are just decimals.
        (12.5, F(25, 2)),
        (23.9, F(239, 10)),
        (23.99, F(2399, 100)),
        (23.5, F(47, 2)),
        (29.9, F(299, 10)),
        (24.975, F(999, 40)),
        (100 / 3, F(100, 3)),
        (np.int64(48), F(48)),
        (HIGHEST, F(HIGHEST)),
    ],
)
def test_rates_as_people_write_them(written, rate):
    assert parse_frame_rate(written) == rate


@pytest.mark.parametrize(
    ("written", "message"),
    [
        (0, "0 frames a second is outside 1 to 1000"),
        ("0", '"0" frames a second is outside'),
        (-24, "-24 frames a second is outside"),
        (-23.976, "-23.976 frames a second is outside"),
        (0.5, "0.5 frames a second is outside"),
        (F(1, 2), '"1/2" frames a second is outside'),
        (24000, "24000 frames a second is outside"),
        (1e300, "1e[+]300 frames a second is outside"),
        ("1001/24000", "outside"),
        ("24/0", "its denominator is 0"),
        (float("nan"), "nan is not a finite frame rate"),
        (float("inf"), "inf is not a finite frame rate"),
        ("-24", '"-24" is not a frame rate'),
        ("23,976", "is not a frame rate"),
        ("24/1.001", "is not a frame rate"),
        ("24/1/1", "is not a frame rate"),
        ("nan", "is not a frame rate"),
        ("1e2", "is not a frame rate"),
        ("٢٤", "is not a frame rate"),
        ("", "is not a frame rate"),
        ("fps", "is not a frame rate"),
        (".", "is not a frame rate"),
        (True, "true is not a frame rate"),
        (None, "null is not a frame rate"),
        ([24], "is not a frame rate"),
        (24j, "is not a frame rate"),
        ("123456789012/123456789011", "has too many digits"),
        ("123456789012/5123456789", "has too many digits"),
    ],
)
def test_anything_else_names_the_value_and_the_way_out(written, message):
    with pytest.raises(BadValueError, match=message) as caught:
        parse_frame_rate(written)
    assert caught.value.way_out == 'give frames a second, such as 24, 25 or "24000/1001"'


rates = st.one_of(
    st.integers(1, 1000).map(Fraction),
    st.sampled_from((24, 30, 48, 60, 120)).map(lambda whole: F(whole * 1000, 1001)),
    st.fractions(1, 1000, max_denominator=10**6),
)


@given(rates)
def test_a_written_rate_reads_back_exactly(rate):
    assert parse_frame_rate(format_frame_rate(rate)) == rate


SLOWED = [F(whole * 1000, 1001) for whole in (12, 15, 24, 30, 48, 60, 72, 90, 96, 120, 144, 240)]


@given(rates)
def test_a_float_is_read_as_the_fraction_it_came_from(rate):
    read = parse_frame_rate(float(rate))
    if read not in SLOWED:  # 23.98 is taken as 24000/1001
        assert abs(read / rate - 1) < 1e-7
        assert read == rate or rate.denominator > 1001
    else:
        assert abs(read - rate) < F(1, 100)


@given(st.text(max_size=12))
def test_no_text_raises_anything_else(text):
    with contextlib.suppress(BadValueError):
        assert 1 <= parse_frame_rate(text) <= 1000


def test_decimals_and_nominal_rates():
    assert [decimal_frame_rate(F(*r)) for r in ((24, 1), (24000, 1001), (30000, 1001), (25, 2), (1, 1))] == [
        "24", "23.976", "29.97", "12.5", "1",
    ]  # fmt: skip
    assert [nominal_rate(F(*r)) for r in ((24, 1), (24000, 1001), (60000, 1001), (25, 2), (1, 1))] == [
        24, 24, 60, 13, 1,
    ]  # fmt: skip
