"""Planes as few bytes, and back bit by bit.

The bits of a row are taken as whole numbers; each is replaced by its difference to the one before it, with the
sign in the lowest bit, so that small steps both ways are small numbers. The bytes are then regrouped, all lowest
ones first, and deflated (RFC 1951). A plane whose values are all exactly those of half floats is packed as half;
a plane of one value alone is that value.

Tried on a plane of 1920×1080 with camera grain, in bytes a value (float / half): byte groups alone 3.01 / 1.23;
differences of bytes 2.81 / 1.21; differences without the sign moved 2.93 / 1.21; **as above 2.77 / 1.17**; with
the mean of the left and the upper neighbour 2.73 / 1.13, at twice the work in the page; with left + upper −
upper left 2.79 / 1.20. Levels 1 and 9 of deflate change grain by less than 1 % and clean pictures by 15 %.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = ["Packed", "deflated", "holds_half", "packed", "rounded_to_half", "sampled_size", "unpacked"]

Code = Literal["f32", "f16", "u32", "one"]
Numbers = npt.NDArray[Any]

_LEVEL = 6
#: Rows of a strip, and number of strips, that the size of a plane is estimated from.
_STRIP, _STRIPS = 24, 6


@dataclass(frozen=True)
class Packed:
    """A plane.

    Attributes:
        code: ``f32``, ``f16`` or ``u32`` bits; ``one`` where all pixels are the same.
        width: of the plane in pixels.
        height: likewise.
        data: deflated; of ``one``, the 32 bits of the value.
        ids: whether the bits of ``one`` are an id.
    """

    code: Code
    width: int
    height: int
    data: bytes
    ids: bool = False


def packed(plane: Numbers, *, half: bool | None = None) -> Packed:
    """Pack a plane of float32, float16 or uint32.

    Args:
        plane: ``(height, width)``.
        half: whether all its values are those of half floats; looked up when None.
    """
    height, width = plane.shape
    bits = _bits(plane)
    if not plane.size or (bits == bits.flat[0]).all():
        first = plane.flat[0] if plane.size else np.float32(0)
        value = first if plane.dtype == np.uint32 else np.float32(first)
        return Packed("one", width, height, np.asarray(value).tobytes(), plane.dtype == np.uint32)
    if plane.dtype == np.float32 and (holds_half(plane) if half is None else half):
        plane = rounded_to_half(plane)
    code: Code = "u32" if plane.dtype == np.uint32 else "f16" if plane.dtype == np.float16 else "f32"
    return Packed(code, width, height, deflated(_regrouped(plane).tobytes()))


def unpacked(plane: Packed) -> Numbers:
    """The plane of `packed`, float32 or uint32; the page does the same."""
    shape = plane.height, plane.width
    if plane.code == "one":
        return np.full(shape, np.frombuffer(plane.data, np.uint32 if plane.ids else np.float32)[0])
    kind = {"f32": np.float32, "f16": np.float16, "u32": np.uint32}[plane.code]
    size = np.dtype(kind).itemsize
    groups = np.frombuffer(zlib.decompress(plane.data, -15), np.uint8)
    bits = np.ascontiguousarray(groups.reshape(size, -1).T).view(f"<u{size}").reshape(shape)
    with np.errstate(over="ignore"):
        steps = (bits >> 1) ^ (~(bits & 1) + 1)
        values = np.cumsum(steps, axis=1, dtype=bits.dtype).view(kind)
    return values.astype(np.float32) if plane.code == "f16" else values


def holds_half(plane: Numbers) -> bool:
    """Whether every value is exactly that of a half float, sign of zero included."""
    # Most planes that do not hold halves fail within the first rows.
    return all(
        bool(np.array_equal(_bits(part), _bits(rounded_to_half(part).astype(np.float32))))
        for part in (plane[:: max(1, len(plane) // 8)], plane)
    )


def rounded_to_half(plane: Numbers) -> npt.NDArray[np.float16]:
    """The nearest half floats; values too large for them become infinite."""
    with np.errstate(over="ignore", under="ignore", invalid="ignore"):
        return plane.astype(np.float16)


def sampled_size(plane: Numbers) -> int:
    """About how many bytes `packed` gives, from some strips of the plane."""
    height = len(plane)
    if height <= 2 * _STRIP * _STRIPS:
        return len(packed(plane, half=False).data)
    starts = np.linspace(0, height - _STRIP, _STRIPS).astype(int)
    strips = np.concatenate([plane[start : start + _STRIP] for start in starts])
    return round(len(packed(strips, half=False).data) * height / len(strips))


def deflated(data: bytes) -> bytes:
    """Raw deflate."""
    import imagecodecs

    return bytes(imagecodecs.deflate_encode(data, level=_LEVEL, raw=True))


def _bits(plane: Numbers) -> Numbers:
    return np.ascontiguousarray(plane).view(np.uint16 if plane.dtype == np.float16 else np.uint32)


def _regrouped(plane: Numbers) -> Numbers:
    size = plane.dtype.itemsize
    bits = np.ascontiguousarray(plane).view(f"<i{size}")
    steps = bits.copy()
    steps[:, 1:] -= bits[:, :-1]
    moved = (steps << 1) ^ (steps >> (8 * size - 1))
    return np.ascontiguousarray(moved.view(np.uint8).reshape(-1, size).T)
