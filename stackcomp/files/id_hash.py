"""The id of a name in ID mattes: a hash whose 32 bits are stored as a float.

Source: the open ID-matte specification (Cryptomatte 1.2.0): MurmurHash3_x86_32 (Austin Appleby, public domain) of
the UTF-8 name with seed 0. Where the bits as a float have the exponent 0 or 255, bit 23 is toggled: subnormal
numbers, infinities and NaN do not survive in every program. No name has the id 0.
"""

from __future__ import annotations

import re

import mmh3

__all__ = ["HASH", "NUMBERED", "id_of", "id_text", "number_of"]

#: What the header calls the hash.
HASH = "MurmurHash3_32"
#: An id that is written as a number: the hexadecimal digits of its bits.
NUMBERED = re.compile(r"#[0-9a-fA-F]{8}")


def id_of(name: str) -> int:
    """The bits of a name's id."""
    value = mmh3.hash(name.encode("utf-8", "surrogatepass"), 0, signed=False)
    return value ^ (1 << 23) if (value >> 23) & 255 in (0, 255) else value


def id_text(bits: int) -> str:
    """An id as a number, such as ``#f19c73fd``."""
    return f"#{bits:08x}"


def number_of(text: str) -> int | None:
    """The bits of an id that is written as a number; None for any other text."""
    return int(text[1:], 16) if NUMBERED.fullmatch(text) else None
