"""Attributes of an OpenEXR header that do not conform to the standard.

The library fails on text that is not UTF-8 and on some numbers, and silently skips values of a wrong type. This
module reports what is wrong with each attribute, and gives bytes of the same length that the library can read
instead; the file is not changed.

Sources: "OpenEXR File Layout" and "Standard Attributes" of the OpenEXR documentation,
https://openexr.com/en/latest/; ``ImfStandardAttributes.h`` of the library.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from stackcomp.data.timecode import Timecode
from stackcomp.errors import BadValueError

__all__ = [
    "Attribute",
    "Oddity",
    "decoded",
    "oddities",
    "timecode_attribute",
    "timecode_of",
    "without_foreign_bytes",
]


class Attribute(NamedTuple):
    """An attribute as stored: the name of its type, the bytes of its value, and the file offsets of both."""

    kind: str
    kind_at: int
    at: int
    data: bytes


class Oddity(NamedTuple):
    """One thing that is wrong with an attribute.

    Attributes:
        name: of the attribute.
        message: what is wrong, a clause without a full stop.
        kept_bytes: the value as bytes if it is text in an unknown encoding; None if the attribute is ignored.
        repair: file offset and the bytes that the library reads there instead; None if it needs no repair.
    """

    name: str
    message: str
    kept_bytes: bytes | None = None
    repair: tuple[int, bytes] | None = None


_TIME = ("hours", "minutes", "seconds", "frame")
# The library refuses larger numbers in the field for frames.
_LAST_FRAME = 29
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
    """Return text of a header; if it is not UTF-8, with a question mark for each byte that is not ASCII."""
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return without_foreign_bytes(text).decode("ascii")


def without_foreign_bytes(text: bytes) -> bytes:
    """Return the text with each byte that is not ASCII replaced by a question mark."""
    return bytes(byte if byte < 128 else ord("?") for byte in text)


def timecode_of(value: Any, nominal: int) -> Timecode:
    """Return the timecode of an attribute ``timeCode`` as the library reads it.

    Args:
        value: the value in the metadata of a header.
        nominal: frames that timecode counts in a second (`stackcomp.data.frame_rate.nominal_rate`). Beyond 30, the
            attribute counts pairs of frames.

    Raises:
        BadValueError: the attribute is of another type, or does not hold a timecode of that rate.
    """
    try:
        hours, minutes, seconds, frame = (int(getattr(value, name)) for name in _TIME)
        field, drop_frame = bool(value.fieldPhase), bool(value.dropFrame)
    except (AttributeError, TypeError, ValueError):
        raise BadValueError(f"the timecode in its header is a {type(value).__name__}") from None
    return Timecode.from_fields(hours, minutes, seconds, frame, field, drop_frame, nominal)


def timecode_attribute(timecode: Timecode) -> Any:
    """Return a timecode as the library writes it.

    Raises:
        BadValueError: more than 60 frames a second, which the attribute cannot hold.
    """
    import OpenEXR

    frame, field = timecode.stored_frame
    if frame > _LAST_FRAME:
        raise BadValueError(
            f"timecode {timecode} does not fit into an OpenEXR header: frame {frame} is above {_LAST_FRAME}"
        )
    time = (timecode.hours, timecode.minutes, timecode.seconds, frame)
    # Time, then drop-frame, colour frame, field, three flags and eight groups of bits for the user.
    return OpenEXR.TimeCode(*time, timecode.drop_frame, False, field, *[0] * 11)


def oddities(attributes: Mapping[str, Attribute]) -> Iterator[Oddity]:
    """Yield what is wrong with the attributes of a part: types, sizes, texts and some numbers."""
    for name, attribute in attributes.items():
        expected = _TYPES.get(name, attribute.kind)
        has_right_size = _has_right_size(attribute)
        if attribute.kind != expected:
            message = f'attribute "{name}" is of type {attribute.kind}, not {expected}'
            yield Oddity(name, message, repair=_text_repair(attribute) if has_right_size else _opaque(attribute))
        elif not has_right_size:
            message = f'attribute "{name}" has {len(attribute.data)} bytes, which is not the size of a {expected}'
            yield Oddity(name, message, repair=_opaque(attribute))
        elif (repair := _text_repair(attribute)) is not None:
            message = f'the text of attribute "{name}" is not UTF-8'
            yield Oddity(name, message, kept_bytes=attribute.data, repair=repair)
        elif attribute.kind == "rational":
            numerator, denominator = struct.unpack("<iI", attribute.data)
            if denominator == 0 or (name == "framesPerSecond" and numerator <= 0):
                message = f'attribute "{name}" is {numerator}/{denominator}'
                # The library fails on a denominator of 0.
                yield Oddity(name, message, repair=(attribute.at, struct.pack("<iI", 0, 1)))
        elif name in ("pixelAspectRatio", "screenWindowWidth"):
            (value,) = struct.unpack("<f", attribute.data)
            # The range that the library accepts.
            if not (math.isfinite(value) and 1e-6 < value < 1e6):
                message = f'attribute "{name}" is {value:.6g}'
                yield Oddity(name, message, repair=(attribute.at, struct.pack("<f", 1)))


def _opaque(attribute: Attribute) -> tuple[int, bytes]:
    """Return the repair that gives an attribute an unknown type, whose bytes the library copies unparsed."""
    return attribute.kind_at, b"?" * len(attribute.kind.encode())


def _has_right_size(attribute: Attribute) -> bool:
    """Whether the value has the size of its type."""
    size = len(attribute.data)
    if attribute.kind == "stringvector":
        return _words(attribute.data) is not None
    if attribute.kind == "preview":
        return size >= 8 and size == 8 + 4 * math.prod(struct.unpack_from("<II", attribute.data))
    return size == _SIZES.get(attribute.kind, size)


def _words(data: bytes) -> list[tuple[int, int]] | None:
    """Return where the texts of a list begin and end; None if the list is damaged."""
    spans = []
    at = 0
    while at < len(data):
        if at + 4 > len(data):
            return None
        (length,) = struct.unpack_from("<i", data, at)
        if not 0 <= length <= len(data) - at - 4:
            return None
        spans.append((at + 4, at + 4 + length))
        at += 4 + length
    return spans


def _text_repair(attribute: Attribute) -> tuple[int, bytes] | None:
    """Return the repair of text that is not UTF-8; None if it is UTF-8 or not text."""
    if attribute.kind == "string":
        words: list[tuple[int, int]] | None = [(0, len(attribute.data))]
    elif attribute.kind == "stringvector":
        words = _words(attribute.data)
    else:
        return None
    repaired = bytearray(attribute.data)
    for first, last in words or ():
        if not _is_utf8(attribute.data[first:last]):
            repaired[first:last] = without_foreign_bytes(attribute.data[first:last])
    return None if repaired == attribute.data else (attribute.at, bytes(repaired))


def _is_utf8(text: bytes) -> bool:
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
