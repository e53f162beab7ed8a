"""Frame rates, exact: ``24``, ``"25"``, ``"24000/1001"``, and 23.976 or 29.97, which stand for n · 1000/1001.

A rate is a fraction, because 24000/1001 has no exact decimal. A movie of 23.976 frames a second loses a frame
against one of 24000/1001 in eleven and a half hours.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from numbers import Rational, Real
from typing import Any

from stackcomp.errors import BadValueError, shown

__all__ = ["HIGHEST", "LOWEST", "decimal_frame_rate", "format_frame_rate", "nominal_rate", "parse_frame_rate"]

#: Frames a second; what lies outside is taken for a mistake.
LOWEST, HIGHEST = 1, 1000
# Whole rates that are also used at 1000/1001 of their speed.
_SLOWED = (12, 15, 24, 30, 48, 60, 72, 90, 96, 120, 144, 240)
# Largest numerator and denominator of a rational number in an OpenEXR header, and of a time base in a movie.
_LARGEST = 2**31 - 1
_DECIMAL = re.compile(r"\d{1,9}(?:\.(\d{0,30}))?|\.(\d{1,30})")
_FRACTION = re.compile(r"(\d{1,12})\s*/\s*(\d{1,12})")
# A decimal is taken as a fraction with a denominator up to the first number where it is that near, as a float is;
# else up to the second.
_DENOMINATOR = 1001
_NEAR = 1e-7
_DIGITS = 10**6
_EXAMPLES = 'give frames a second, such as 24, 25 or "24000/1001"'


def parse_frame_rate(value: Any) -> Fraction:
    """Return a frame rate as an exact fraction of frames a second.

    Args:
        value: a number, or text: whole, decimal, or numerator and denominator with a slash; a text may end in
            ``fps``. A decimal with two or more digits after the point that is n · 1000/1001, rounded or cut, is
            taken as that (23.976, 23.98, 29.97, 59.94, …).

    Raises:
        BadValueError: not a frame rate, not finite, below `LOWEST` or above `HIGHEST`.
    """
    rate = _text_rate(value) if isinstance(value, str) else _number_rate(value)
    if not LOWEST <= rate <= HIGHEST:
        raise BadValueError(
            f"{shown(_plain(value))} frames a second is outside {LOWEST} to {HIGHEST}, the range of frame rates",
            _EXAMPLES,
        )
    if max(rate.numerator, rate.denominator) > _LARGEST:
        raise BadValueError(f"{shown(_plain(value))} has too many digits for a frame rate", _EXAMPLES)
    return rate


def format_frame_rate(rate: Fraction) -> str:
    """Return the text that `parse_frame_rate` reads back exactly, such as ``24`` or ``24000/1001``."""
    return str(rate)


def decimal_frame_rate(rate: Fraction) -> str:
    """Return the rate as people write it, with up to three decimals: ``24``, ``23.976``, ``29.97``."""
    return f"{float(rate):.3f}".rstrip("0").rstrip(".")


def nominal_rate(rate: Fraction) -> int:
    """Return the whole number of frames that timecode counts in a second: 24 for 24000/1001, 30 for 29.97."""
    return max(1, math.floor(rate + Fraction(1, 2)))


def _plain(value: Any) -> Any:
    """The value as a message shows it."""
    if isinstance(value, float) and value.is_integer():
        return int(value) if abs(value) < 1e15 else value
    return str(value) if isinstance(value, Fraction) else value


def _text_rate(text: str) -> Fraction:
    words = re.sub(r"\s*fps$", "", text.strip(), flags=re.IGNORECASE)
    if fraction := _FRACTION.fullmatch(words):
        if int(fraction[2]) == 0:
            raise BadValueError(f"{shown(text)} is not a frame rate: its denominator is 0", _EXAMPLES)
        return Fraction(int(fraction[1]), int(fraction[2]))
    if words.isascii() and (decimal := _DECIMAL.fullmatch(words)):
        return _decimal_rate(Fraction(words), len(decimal[1] or decimal[2] or ""))
    raise BadValueError(f"{shown(text)} is not a frame rate", _EXAMPLES)


def _number_rate(value: Any) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, Real):
        raise BadValueError(f"{shown(value)} is not a frame rate", _EXAMPLES)
    if isinstance(value, Rational):
        return Fraction(value)
    number = float(value)
    if not math.isfinite(number):
        raise BadValueError(f"{number} is not a finite frame rate", _EXAMPLES)
    if not LOWEST <= number <= HIGHEST:
        return Fraction(number)
    text = repr(number)
    return _decimal_rate(Fraction(text), len(text.partition(".")[2]))


def _decimal_rate(decimal: Fraction, digits: int) -> Fraction:
    """Return the rate that a decimal with so many digits after the point stands for."""
    whole = nominal_rate(decimal)
    slowed = Fraction(whole * 1000, 1001)
    if whole in _SLOWED and digits >= 2:
        unit = Fraction(1, 10**digits)
        cut = math.floor(slowed / unit) * unit
        if decimal in (cut, round(slowed / unit) * unit) or abs(decimal / slowed - 1) < _NEAR:
            return slowed
    simple = decimal.limit_denominator(_DENOMINATOR)
    if decimal and abs(simple / decimal - 1) < _NEAR:
        return simple
    return decimal.limit_denominator(_DIGITS)
