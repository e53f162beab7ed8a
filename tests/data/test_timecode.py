"""Timecode after SMPTE ST 12-1, compared with OpenTimelineIO and with the timecode of the OpenEXR package."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from slow_cases import few_fast

from stackcomp.data.frame_rate import nominal_rate
from stackcomp.data.timecode import Timecode, allows_drop_frame
from stackcomp.errors import BadValueError

#: Frames a second as timecode counts them, drop-frame, and the same as OpenTimelineIO names it.
COUNTINGS = [
    (24, False, 24),
    (24, False, 24000 / 1001),
    (25, False, 25),
    (30, False, 30000 / 1001),
    (30, True, 30000 / 1001),
    (30, False, 30),
    (48, False, 48),
    (50, False, 50),
    (60, False, 60),
    (60, True, 60000 / 1001),
]


def some_counts(day: int) -> list[int]:
    """Frames around every minute of the first hour and a half, at the end of the day, and every 997th."""
    rate = day // 86400 + 1
    around = [k * 60 * rate + d for k in range(91) for d in range(-35, 3)]
    return [n for n in (*range(5), *around, *range(0, day, 9973), *range(day - 3, day)) if 0 <= n < day]


@pytest.mark.parametrize(("nominal", "drop", "rate"), few_fast(COUNTINGS, 4, pairs=True))
def test_counts_are_those_of_opentimelineio(nominal, drop, rate):
    """OpenTimelineIO 0.18: `RationalTime.to_timecode` and `from_timecode`.

    At 29.97 without drop-frame its day ends with that of drop-frame, 2589408 frames, so nothing later is compared.
    """
    otio = pytest.importorskip("opentimelineio")
    day = Timecode(0, 0, 0, 0, nominal, drop).frames_of_a_day
    if allows_drop_frame(Fraction(rate).limit_denominator(1001)):
        day = Timecode(0, 0, 0, 0, nominal, True).frames_of_a_day
    for count in some_counts(day):
        ours = Timecode.from_count(count, nominal, drop)
        theirs = otio.opentime.RationalTime(count, rate).to_timecode(rate, drop)
        assert str(ours) == theirs, count
        assert ours.count == count == otio.opentime.RationalTime.from_timecode(theirs, rate).value
        assert Timecode.parse(theirs, nominal) == ours


@pytest.mark.parametrize(
    ("count", "nominal", "text"),
    [
        # The numbers that drop-frame counting leaves out: 00 and 01 of each minute but 0, 10, 20, 30, 40 and 50.
        (1799, 30, "00:00:59;29"),
        (1800, 30, "00:01:00;02"),
        (17981, 30, "00:09:59;29"),
        (17982, 30, "00:10:00;00"),
        (107892, 30, "01:00:00;00"),
        (3599, 60, "00:00:59;59"),
        (3600, 60, "00:01:00;04"),
        (35964, 60, "00:10:00;00"),
        (2589407, 30, "23:59:59;29"),
    ],
)
def test_worked_examples_of_drop_frame(count, nominal, text):
    """The rule of ST 12-1, worked out by hand: 10 minutes are 17982 frames, an hour is 107892, a day 2589408."""
    assert str(Timecode.from_count(count, nominal, True)) == text
    assert Timecode.parse(text, nominal).count == count


def test_a_day_of_drop_frame_timecode_is_a_day_of_the_clock():
    """To 86 milliseconds, which ST 12-1 leaves to be corrected by hand."""
    for nominal, rate in ((30, Fraction(30000, 1001)), (60, Fraction(60000, 1001))):
        frames = Timecode(0, 0, 0, 0, nominal, True).frames_of_a_day
        assert abs(frames / rate - 86400) == Fraction(864, 10000)


countings = st.sampled_from([(nominal, drop) for nominal, drop, _ in COUNTINGS])


@given(countings, st.integers(-(10**8), 10**8), st.integers(-(10**8), 10**8))
def test_adding_frames_is_adding_counts(counting, count, more):
    code = Timecode.from_count(count, *counting)
    assert code.count == count % code.frames_of_a_day
    assert (code + more).count == (count + more) % code.frames_of_a_day
    assert code + more - more == code
    assert Timecode.parse(str(code), code.nominal) == code
    assert Timecode.unpack(code.pack(), code.nominal) == code


@given(countings, st.integers(0, 10**7))
def test_texts_are_in_the_order_of_frames(counting, count):
    now, then = (Timecode.from_count(n, *counting) for n in (count, count + 1))
    assert str(now) < str(then) or then.count == 0


def test_it_starts_again_after_24_hours():
    assert str(Timecode.parse("23:59:59:23", 24) + 1) == "00:00:00:00"
    assert str(Timecode.parse("00:00:00:00", 24) - 1) == "23:59:59:23"
    assert str(Timecode.parse("23:59:59;29", 30) + 1) == "00:00:00;00"


@pytest.mark.parametrize(
    ("text", "nominal", "message"),
    [
        ("24:00:00:00", 24, 'timecode "24:00:00:00" has 24 hours; give 0 to 23 hours'),
        ("01:60:00:00", 24, "has 60 minutes"),
        ("01:00:60:00", 24, "has 60 seconds"),
        ("01:00:00:24", 24, "has 24 frames; give 0 to 23 frames"),
        ("01:01:00;00", 30, 'timecode "01:01:00;00" does not exist: drop-frame .* minute is 02'),
        ("01:01:00;03", 60, "does not exist.*is 04"),
        ("01:00:00;00", 24, "drop-frame timecode is defined for 29.97 and 59.94 frames a second, not for 24"),
        ("01:00:00", 24, '"01:00:00" is not a timecode; write it like "01:00:00:00"'),
        ("01:00:00.00", 30, "is not a timecode"),
        ("-1:00:00:00", 30, "is not a timecode"),
        ("٠١:00:00:00", 30, "is not a timecode"),
        ("", 30, '"" is not a timecode'),
        ("x" * 500, 30, "x…. is not a timecode"),
        ("01:00:00:00", 0, "timecode counts 1 to 999 frames a second, not 0"),
    ],
)
def test_what_is_no_timecode_says_why(text, nominal, message):
    with pytest.raises(BadValueError, match=message):
        Timecode.parse(text, nominal)


def test_numbers_that_drop_frame_leaves_out_exist_without_it():
    assert Timecode.parse("01:01:00:00", 30).count == 30 * 3660
    assert Timecode.parse("01:10:00;00", 30).count == 7 * 17982


class TestBits:
    @pytest.mark.parametrize(
        ("text", "bits"),
        [
            # Digits stand as they are written, two bits of tens of frames and hours, three of the others: ST 12-1.
            ("01:02:03:04", 0x01020304),
            ("23:59:59:29", 0x23595929),
            ("23:59:59;29", 0x23595969),
            ("00:00:00:00", 0),
        ],
    )
    def test_by_hand(self, text, bits):
        assert Timecode.parse(text, 30).pack() == bits
        assert str(Timecode.unpack(bits, 30)) == text

    @pytest.mark.parametrize("nominal", [48, 50, 60])
    def test_faster_rates_count_pairs_and_the_field_flag_tells_which_of_the_two(self, nominal):
        """As FFmpeg packs them (libavutil/timecode.c, after ST 12-1:2014, 12.1)."""
        assert Timecode.parse("01:02:03:46", nominal).pack() == 0x01020323
        assert Timecode.parse("01:02:03:47", nominal).pack() == 0x01020323 | 1 << 15
        assert str(Timecode.unpack(0x01020323 | 1 << 15, nominal)) == "01:02:03:47"

    @given(st.integers(0, 2**32 - 1))
    def test_any_bits_are_a_timecode_or_an_error(self, bits):
        try:
            code = Timecode.unpack(bits, 30)
        except BadValueError:
            return
        # Bits 7, 15, 23, 30 and 31 are flags that say nothing about the time.
        assert code.pack() == bits & 0x3F7F7F7F

    def test_bits_that_are_no_digits(self):
        with pytest.raises(BadValueError, match="the bits 0102030a are not a timecode: a digit is above 9"):
            Timecode.unpack(0x0102030A, 24)
        with pytest.raises(BadValueError, match="has 25 frames"):
            Timecode.unpack(0x01020325, 25)
        with pytest.raises(BadValueError, match="cannot be packed"):
            Timecode(1, 0, 0, 0, 120).pack()


def test_which_timecode_belongs_to_which_rate():
    ntsc = Fraction(30000, 1001)
    assert Timecode.parse("01:00:00;00", 30).fits(ntsc)
    assert Timecode.parse("01:00:00:00", 30).fits(ntsc)
    assert not Timecode.parse("01:00:00;00", 30).fits(Fraction(30))
    assert not Timecode.parse("01:00:00:00", 25).fits(Fraction(24))
    assert Timecode.parse("01:00:00:00", nominal_rate(Fraction(24000, 1001))).fits(Fraction(24000, 1001))
    assert allows_drop_frame(Fraction(60000, 1001))
    assert not allows_drop_frame(Fraction(24000, 1001))
