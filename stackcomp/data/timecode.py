"""Timecode after SMPTE ST 12-1: hours, minutes, seconds and frames, with and without drop-frame counting.

Timecode counts whole frames: 24 of them make a second of timecode at 24000/1001 frames a second too, so that its
hours are longer than those of a clock. Drop-frame counting, for 30000/1001 and 60000/1001, leaves out numbers
(never frames): the first two, of 60 the first four, of every minute that is not a multiple of ten. It is written
with a semicolon before the frames.

Beyond 30 frames a second, the 32 bits of a timecode hold the number of a pair of frames, and its field flag tells
which of the two (ST 12-1:2014, section 12.1).

Sources: SMPTE ST 12-1:2014; the header ``ImfTimeCode.h`` of OpenEXR for the order of the bits.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from stackcomp.data.frame_rate import nominal_rate
from stackcomp.errors import BadValueError, cut, shown

__all__ = ["FASTEST", "Timecode", "allows_drop_frame"]

#: Largest number of frames in a second of timecode.
FASTEST = 999
# Numbers left out in a minute, by the frames that timecode counts in a second.
_LEFT_OUT = {30: 2, 60: 4}
_TEXT = re.compile(r"(\d{1,2}):(\d{1,2}):(\d{1,2})([:;])(\d{1,3})", re.ASCII)
_EXAMPLE = 'write it like "01:00:00:00", or "01:00:00;00" for drop-frame'
_DROP_FLAG, _FIELD_FLAG = 1 << 6, 1 << 15


def allows_drop_frame(rate: Fraction) -> bool:
    """Whether drop-frame counting is defined for a frame rate: 30000/1001 and 60000/1001."""
    return rate in (Fraction(30000, 1001), Fraction(60000, 1001))


@dataclass(frozen=True)
class Timecode:
    """The timecode of one frame. ``str()`` gives its text.

    Attributes:
        hours: 0 to 23.
        minutes: 0 to 59.
        seconds: 0 to 59.
        frames: from 0 to less than ``nominal``.
        nominal: frames that timecode counts in a second: 24 for 24000/1001 (`nominal_rate`).
        drop_frame: whether numbers are left out, so that timecode keeps up with the clock; only for 30 and 60.

    Raises:
        BadValueError: a number out of range, or one that drop-frame counting leaves out.
    """

    hours: int
    minutes: int
    seconds: int
    frames: int
    nominal: int
    drop_frame: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.nominal <= FASTEST:
            raise BadValueError(f"timecode counts 1 to {FASTEST} frames a second, not {self.nominal}")
        if self.drop_frame and self.nominal not in _LEFT_OUT:
            raise BadValueError(
                f"drop-frame timecode is defined for 29.97 and 59.94 frames a second, not for {self.nominal}",
                "write a colon before the frames",
            )
        for name, most in (("hours", 23), ("minutes", 59), ("seconds", 59), ("frames", self.nominal - 1)):
            number = getattr(self, name)
            if not 0 <= number <= most:
                raise BadValueError(f'timecode "{self}" has {number} {name}', f"give 0 to {most} {name}")
        if self.drop_frame and not self.seconds and self.minutes % 10 and self.frames < _LEFT_OUT[self.nominal]:
            raise BadValueError(
                f'timecode "{self}" does not exist: drop-frame counting leaves it out',
                f"the first frame of that minute is {_LEFT_OUT[self.nominal]:02d}",
            )

    @classmethod
    def parse(cls, text: str, nominal: int) -> Timecode:
        """Return the timecode of a text: ``01:00:00:00``, with a semicolon before the frames for drop-frame.

        Args:
            text: the text; spaces around it are allowed.
            nominal: frames that timecode counts in a second.

        Raises:
            BadValueError: not a timecode, or one that does not exist.
        """
        match = _TEXT.fullmatch(text.strip())
        if match is None:
            raise BadValueError(f"{shown(cut(text, 40))} is not a timecode", _EXAMPLE)
        hours, minutes, seconds, frames = (int(match[k]) for k in (1, 2, 3, 5))
        return cls(hours, minutes, seconds, frames, nominal, match[4] == ";")

    @classmethod
    def from_count(cls, count: int, nominal: int, drop_frame: bool = False) -> Timecode:
        """Return the timecode of a frame counted from ``00:00:00:00``; it starts again after 24 hours.

        Args:
            count: number of the frame; negative ones lie before midnight.
            nominal: frames that timecode counts in a second.
            drop_frame: whether numbers are left out.

        Raises:
            BadValueError: drop-frame counting is not defined for this rate.
        """
        zero = cls(0, 0, 0, 0, nominal, drop_frame)
        count %= zero.frames_of_a_day
        if drop_frame:
            tens, rest = divmod(count, _frames_in_ten_minutes(nominal))
            left_out = _LEFT_OUT[nominal]
            # The first minute of ten has all its numbers.
            whole_minutes = max(0, rest - left_out) // (60 * nominal - left_out)
            count += left_out * (9 * tens + whole_minutes)
        seconds, frames = divmod(count, nominal)
        minutes, seconds = divmod(seconds, 60)
        hours, minutes = divmod(minutes, 60)
        return cls(hours, minutes, seconds, frames, nominal, drop_frame)

    @classmethod
    def unpack(cls, bits: int, nominal: int) -> Timecode:
        """Return the timecode of the 32 bits for time and flags, in the packing of 60-field television.

        Args:
            bits: the number that the attribute ``timeCode`` of OpenEXR begins with. Flags other than drop-frame
                and field are not looked at.
            nominal: frames that timecode counts in a second.

        Raises:
            BadValueError: they are not decimal digits in range, or the timecode does not exist.
        """
        digits = [bits >> shift & mask for shift, mask in _DIGIT_PLACES]
        if max(digits) > 9:
            raise BadValueError(f"the bits {bits & 0xFFFFFFFF:08x} are not a timecode: a digit is above 9")
        frame, seconds, minutes, hours = (digits[k] + 10 * digits[k + 1] for k in (0, 2, 4, 6))
        flags = bool(bits & _FIELD_FLAG), bool(bits & _DROP_FLAG)
        return cls.from_fields(hours, minutes, seconds, frame, *flags, nominal)

    @classmethod
    def from_fields(
        cls, hours: int, minutes: int, seconds: int, frame: int, field: bool, drop_frame: bool, nominal: int
    ) -> Timecode:
        """Return the timecode of its fields as ST 12-1 stores them: beyond 30 frames a second, in pairs of frames.

        Args:
            hours: as stored, like the numbers that follow.
            minutes: as stored.
            seconds: as stored.
            frame: number of the frame, or of the pair of frames beyond 30 frames a second.
            field: whether it is the second frame of the pair; not looked at up to 30 frames a second.
            drop_frame: the drop-frame flag.
            nominal: frames that timecode counts in a second.

        Raises:
            BadValueError: a number out of range, or one that drop-frame counting leaves out.
        """
        return cls(hours, minutes, seconds, 2 * frame + field if nominal > 30 else frame, nominal, drop_frame)

    @property
    def stored_frame(self) -> tuple[int, bool]:
        """Frame and field as ST 12-1 stores them: the inverse of `from_fields`."""
        return (self.frames // 2, bool(self.frames % 2)) if self.nominal > 30 else (self.frames, False)

    def pack(self) -> int:
        """Return the 32 bits for time and flags, in the packing of 60-field television.

        Raises:
            BadValueError: more than 80 frames a second, for which the bits do not suffice.
        """
        if self.nominal > 80:
            raise BadValueError(
                f"timecode of {self.nominal} frames a second cannot be packed: its bits hold up to 80"
            )
        frame, field = self.stored_frame
        bits = 0
        numbers = (frame, self.seconds, self.minutes, self.hours)
        digits = (digit for number in numbers for digit in (number % 10, number // 10))
        for digit, (shift, _) in zip(digits, _DIGIT_PLACES, strict=True):
            bits |= digit << shift
        return bits | (_DROP_FLAG if self.drop_frame else 0) | (_FIELD_FLAG if field else 0)

    @property
    def count(self) -> int:
        """Number of the frame, counted from 0 at ``00:00:00:00``."""
        minutes = 60 * self.hours + self.minutes
        numbers = (60 * minutes + self.seconds) * self.nominal + self.frames
        return numbers - (_LEFT_OUT[self.nominal] * (minutes - minutes // 10) if self.drop_frame else 0)

    @property
    def frames_of_a_day(self) -> int:
        """Number of frames until timecode starts again."""
        return 144 * _frames_in_ten_minutes(self.nominal) if self.drop_frame else 86400 * self.nominal

    def __add__(self, frames: int) -> Timecode:
        """Return the timecode so many frames later; it starts again after 24 hours."""
        return Timecode.from_count(self.count + frames, self.nominal, self.drop_frame)

    def __sub__(self, frames: int) -> Timecode:
        """Return the timecode so many frames earlier."""
        return self + -frames

    def fits(self, rate: Fraction) -> bool:
        """Whether it is a timecode of a frame rate: as many frames a second, and drop-frame where defined."""
        return nominal_rate(rate) == self.nominal and (allows_drop_frame(rate) or not self.drop_frame)

    def __str__(self) -> str:
        digits = 2 if self.nominal <= 100 else 3
        mark = ";" if self.drop_frame else ":"
        return f"{self.hours:02d}:{self.minutes:02d}:{self.seconds:02d}{mark}{self.frames:0{digits}d}"


#: Shift and mask of each decimal digit: ones and tens of frames, seconds, minutes and hours.
_DIGIT_PLACES = ((0, 15), (4, 3), (8, 15), (12, 7), (16, 15), (20, 7), (24, 15), (28, 3))


def _frames_in_ten_minutes(nominal: int) -> int:
    return 600 * nominal - 9 * _LEFT_OUT[nominal]
