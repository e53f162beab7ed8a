"""The id of a name in ID mattes: a hash whose 32 bits are stored as a float.

Source: the open ID-matte specification (Cryptomatte 1.2.0): MurmurHash3_x86_32 (Austin Appleby, public domain) of
the UTF-8 name with seed 0. Where the bits as a float have the exponent 0 or 255, bit 23 is toggled: subnormal
numbers, infinities and NaN do not survive in every program. No name has the id 0.
"""

from __future__ import annotations

import re

__all__ = ["HASH", "NUMBERED", "id_of", "id_text", "murmur3", "number_of"]

#: What the header calls the hash.
HASH = "MurmurHash3_32"
#: An id that is written as a number: the hexadecimal digits of its bits.
NUMBERED = re.compile(r"#[0-9a-fA-F]{8}")

_MASK = 0xFFFFFFFF


def murmur3(data: bytes, seed: int = 0) -> int:
    """MurmurHash3_x86_32 of some bytes, 0 to 2³² − 1."""
    value = seed
    whole = len(data) & ~3
    for at in range(0, whole, 4):
        value ^= _scrambled(int.from_bytes(data[at : at + 4], "little"))
        value = (_turned(value, 13) * 5 + 0xE6546B64) & _MASK
    if whole < len(data):
        value ^= _scrambled(int.from_bytes(data[whole:], "little"))
    value ^= len(data)
    value = ((value ^ (value >> 16)) * 0x85EBCA6B) & _MASK
    value = ((value ^ (value >> 13)) * 0xC2B2AE35) & _MASK
    return value ^ (value >> 16)


def _scrambled(block: int) -> int:
    return (_turned((block * 0xCC9E2D51) & _MASK, 15) * 0x1B873593) & _MASK


def _turned(value: int, bits: int) -> int:
    return ((value << bits) | (value >> (32 - bits))) & _MASK


def id_of(name: str) -> int:
    """The bits of a name's id."""
    value = murmur3(name.encode("utf-8", "surrogatepass"))
    return value ^ (1 << 23) if (value >> 23) & 255 in (0, 255) else value


def id_text(bits: int) -> str:
    """An id as a number, such as ``#f19c73fd``."""
    return f"#{bits:08x}"


def number_of(text: str) -> int | None:
    """The bits of an id that is written as a number; None for any other text."""
    return int(text[1:], 16) if NUMBERED.fullmatch(text) else None
