"""Attributes of an OpenEXR header whose value is not what the standard promises.

The library trips over text that is not UTF-8 and over some numbers, and passes over values of a wrong type without
a word. This module says what is wrong with each attribute, and gives bytes of the same length that the library can
read in their place; the file stays as it is.

Sources: "OpenEXR File Layout" and "Standard Attributes" of the OpenEXR documentation,
https://openexr.com/en/latest/; ``ImfStandardAttributes.h`` of the library.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping
from typing import NamedTuple

__all__ = ["Attribute", "Oddity", "decoded", "oddities", "without_foreign_bytes"]


class Attribute(NamedTuple):
    """An attribute as stored: its type by name, the value's bytes, and the places of both in the file."""

    kind: str
    kind_at: int
    at: int
    data: bytes


class Oddity(NamedTuple):
    """One thing that is wrong with an attribute.

    Attributes:
        name: of the attribute.
        said: what is wrong, as a sentence without its end.
        keeps: the value as bytes where it is text in an unknown encoding; None where the attribute is to be
            ignored.
        repair: place in the file and bytes to read instead, for the library; None where it gets by.
    """

    name: str
    said: str
    keeps: bytes | None = None
    repair: tuple[int, bytes] | None = None


_SIZES = {
    "box2f": 16, "box2i": 16, "chromaticities": 32, "compression": 1, "double": 8, "envmap": 1, "float": 4,
    "int": 4, "keycode": 28, "lineOrder": 1, "m33d": 72, "m33f": 36, "m44d": 128, "m44f": 64, "rational": 8,
    "tiledesc": 9, "timecode": 8, "v2d": 16, "v2f": 8, "v2i": 8, "v3d": 24, "v3f": 12, "v3i": 12,
}  # fmt: skip
_TYPES = {
    **dict.fromkeys(("adoptedNeutral", "screenWindowCenter"), "v2f"),
    **dict.fromkeys(
        ("altitude", "aperture", "dwaCompressionLevel", "expTime", "focus", "isoSpeed", "latitude", "longitude",
         "pixelAspectRatio", "screenWindowWidth", "utcOffset", "whiteLuminance", "xDensity"), "float",
    ),
    **dict.fromkeys(
        ("capDate", "colorInteropID", "comments", "lookModTransform", "name", "owner", "renderingTransform",
         "type", "view", "wrapmodes"), "string",
    ),
    **dict.fromkeys(("worldToCamera", "worldToNDC"), "m44f"),
    "channels": "chlist",
    "chromaticities": "chromaticities",
    "chunkCount": "int",
    "compression": "compression",
    "dataWindow": "box2i",
    "displayWindow": "box2i",
    "envmap": "envmap",
    "framesPerSecond": "rational",
    "keyCode": "keycode",
    "lineOrder": "lineOrder",
    "multiView": "stringvector",
    "originalDataWindow": "box2i",
    "preview": "preview",
    "tiles": "tiledesc",
    "timeCode": "timecode",
}  # fmt: skip


def decoded(text: bytes) -> str:
    """Text of a header; where it is not UTF-8, with a question mark for each byte that ASCII does not have."""
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return without_foreign_bytes(text).decode("ascii")


def without_foreign_bytes(text: bytes) -> bytes:
    """The same number of bytes, ASCII alone."""
    return bytes(byte if byte < 128 else ord("?") for byte in text)


def oddities(attributes: Mapping[str, Attribute]) -> Iterator[Oddity]:
    """What is wrong with the attributes of a part, as far as it does not concern where its pixels are."""
    for name, found in attributes.items():
        wanted = _TYPES.get(name, found.kind)
        sound = _sound(found)
        if found.kind != wanted:
            said = f'attribute "{name}" is of type {found.kind}, not {wanted}'
            yield Oddity(name, said, repair=_as_text(found) if sound else _opaque(found))
        elif not sound:
            said = f'attribute "{name}" has {len(found.data)} bytes, which is not the size of a {wanted}'
            yield Oddity(name, said, repair=_opaque(found))
        elif _as_text(found) is not None:
            said = f'the text of attribute "{name}" is not UTF-8'
            yield Oddity(name, said, keeps=found.data, repair=_as_text(found))
        elif name in ("pixelAspectRatio", "screenWindowWidth"):
            (value,) = struct.unpack("<f", found.data)
            # What the library accepts.
            if not (math.isfinite(value) and 1e-6 < value < 1e6):
                said = f'attribute "{name}" is {value:.6g}'
                yield Oddity(name, said, repair=(found.at, struct.pack("<f", 1)))


def _opaque(attribute: Attribute) -> tuple[int, bytes]:
    """A type that the library does not know, so that it takes the bytes as they are and stays in step."""
    return attribute.kind_at, b"?" * len(attribute.kind.encode())


def _sound(attribute: Attribute) -> bool:
    """Whether the value has the size that its type has."""
    size = len(attribute.data)
    if attribute.kind == "stringvector":
        return _words(attribute.data) is not None
    if attribute.kind == "preview":
        return size >= 8 and size == 8 + 4 * math.prod(struct.unpack_from("<II", attribute.data))
    return size == _SIZES.get(attribute.kind, size)


def _words(data: bytes) -> list[tuple[int, int]] | None:
    """Where the texts of a list begin and end; None where the list is broken."""
    found = []
    at = 0
    while at < len(data):
        if at + 4 > len(data):
            return None
        (length,) = struct.unpack_from("<i", data, at)
        if not 0 <= length <= len(data) - at - 4:
            return None
        found.append((at + 4, at + 4 + length))
        at += 4 + length
    return found


def _as_text(attribute: Attribute) -> tuple[int, bytes] | None:
    """What to read instead of text that is not UTF-8; None where it is."""
    if attribute.kind == "string":
        words: list[tuple[int, int]] | None = [(0, len(attribute.data))]
    elif attribute.kind == "stringvector":
        words = _words(attribute.data)
    else:
        return None
    found = bytearray(attribute.data)
    for first, last in words or ():
        if not _is_utf8(attribute.data[first:last]):
            found[first:last] = without_foreign_bytes(attribute.data[first:last])
    return None if found == attribute.data else (attribute.at, bytes(found))


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
