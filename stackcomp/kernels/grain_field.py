"""Grain: a field of normal numbers that depends on frame, seed and place alone, laid on a picture.

Every pixel has its own normal number in each channel, from counters (its place and the frame) and a key (the
seed), so a tile, a window and the whole hold the same bits, and no state is kept. The numbers of three channels
are mixed, so that channels are correlated; filtered, so that neighbours are; and multiplied by the standard
deviation that grain has at the pixel's level.

Sixteen bytes of two counters make sixteen numbers. Each byte b becomes ``±m · (m − 16) / 8``, rounded down, where
m is b without its sign: numbers that are symmetric, and whose fourth cumulant is nearly 0. The rows of a Hadamard
matrix are multiplied by them. So each number is a sum of sixteen independent ones with signs; the sixteen are not
correlated, their squares are not either, and they lie 16 pixels apart. The sum has a fourth cumulant of −0.0003,
and its distribution is within 0.00005 of the normal one everywhere. Far out there are somewhat too few: 0.96 times
as many as of normal numbers lie beyond 4 standard deviations, 0.8 times beyond 5; none lie beyond 9.

All is whole numbers, or products and sums of float32 in a fixed order. Where a product is added, it is not rounded
before (``fma`` of IEEE 754), on processors without such an instruction too: the same bits on every processor. They
are all taken to be little-endian.

Source: Salmon, Moraes, Dror and Shaw, Parallel Random Numbers: As Easy as 1, 2, 3, 2011 (Philox 4×32 with 7
rounds, the fewest that pass all tests there); Wallace, Fast Pseudorandom Generators for Normal and Exponential
Variates, 1996 (orthogonal matrices make normal numbers of others). What a byte becomes is ours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.strips import over_strips
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["BENT", "BLOCK", "MOST_REACH", "GrainLaw", "GrainShape", "add_grain", "philox"]

#: Pixels in a row that the sixteen bytes of each of 16 counters give.
BLOCK = 256
_LANES = 16
_BEND = np.int16(16)
_HALF = np.arange(128) * (np.arange(128) - 16) >> 3
#: What each byte becomes: 0 to 127, then −128 to −1.
BENT = np.concatenate([_HALF, -_HALF[::-1]])
#: What makes the variance of sixteen of them 1.
_UNIT = np.float32(1 / (4 * np.sqrt(np.mean(BENT.astype(np.float64) ** 2))))
#: Vectors of float32 that a filter makes at once, and how many numbers that is.
_VECTORS, _VECTOR = 4, ir.VectorType(FLOAT, 16)
_AT_ONCE = 64
#: Pixels that a filter reaches to each side, at the most.
MOST_REACH = 8
#: No variance is above this, so that no product of it is infinite.
_LARGEST = np.float32(1e37)


@dataclass(frozen=True, eq=False)
class GrainShape:
    """How the numbers of neighbours and channels depend on each other.

    Attributes:
        across: filters across, float32 ``(3, parts, 2n + 1)``: of each channel, for each part.
        down: filters down, likewise. A channel's filter is the sum over parts of ``down ⊗ across``.
        mix: float32 ``(3, 3)``; channel c holds ``Σ mix[c, k] · white[k]`` before it is filtered.
    """

    across: Array
    down: Array
    mix: Array

    @property
    def reach(self) -> int:
        """Pixels that the filters reach to each side."""
        return int(self.across.shape[2] // 2)


@dataclass(frozen=True, eq=False)
class GrainLaw:
    """Variance of grain by level: ``base + Σ rise · max(level − knot, 0)`` in each channel, at least 0.

    Attributes:
        base: float32 ``(3,)``.
        knots: levels, float32 ``(3, n)``.
        rises: by how much the slope of the variance changes there, float32 ``(3, n)``.
    """

    base: Array
    knots: Array
    rises: Array


@inlined
def _round(a: Any, b: Any, c: Any, d: Any, k: Any, m: Any) -> Any:
    """One round of Philox 4×32."""
    first, second = np.uint64(a) * np.uint64(0xD2511F53), np.uint64(c) * np.uint64(0xCD9E8D57)
    return (
        np.uint32(np.uint32(second >> np.uint64(32)) ^ b ^ k),
        np.uint32(second),
        np.uint32(np.uint32(first >> np.uint64(32)) ^ d ^ m),
        np.uint32(first),
    )


@inlined
def _seven_rounds(a: Any, b: Any, c: Any, d: Any, keys: Any) -> Any:
    a, b, c, d = _round(a, b, c, d, keys[0], keys[1])
    a, b, c, d = _round(a, b, c, d, keys[2], keys[3])
    a, b, c, d = _round(a, b, c, d, keys[4], keys[5])
    a, b, c, d = _round(a, b, c, d, keys[6], keys[7])
    a, b, c, d = _round(a, b, c, d, keys[8], keys[9])
    a, b, c, d = _round(a, b, c, d, keys[10], keys[11])
    return _round(a, b, c, d, keys[12], keys[13])


def _keys(first: int, second: int) -> Array:
    """The keys of seven rounds."""
    steps = range(7)
    words = [((first + k * 0x9E3779B9) % 2**32, (second + k * 0xBB67AE85) % 2**32) for k in steps]
    return np.array(words, np.uint32).ravel()


def philox(counter: tuple[int, int, int, int], key: tuple[int, int]) -> tuple[int, ...]:
    """Four words of 32 bits, for tests against those that are published."""
    a, b, c, d = np.array(counter, np.uint32)
    return tuple(int(word) for word in _one(a, b, c, d, _keys(*key)))


@inlined
def _one(a: Any, b: Any, c: Any, d: Any, keys: Any) -> Any:
    return _seven_rounds(a, b, c, d, keys)


@intrinsic
def _fma(typing: Any, a: Any, b: Any, c: Any) -> tuple[Any, Callable[..., Any]]:
    """``a · b + c``, rounded once."""

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return VectorCode(context, builder).fused(*arguments)

    return types.float32(types.float32, types.float32, types.float32), write


@intrinsic
def _weigh(
    typing: Any, source: Any, step: Any, weights: Any, first: Any, second: Any, target: Any, to: Any, add: Any
) -> tuple[Any, Callable[..., Any]]:
    """Write `_AT_ONCE` weighted sums of numbers a step apart, kept in registers.

    Arguments: flat source and the step in it; weights; of the first numbers and of the second ones, where they are
    in the source, where their weights are and how many there are; flat target, where to write, whether to add to
    what is there.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = VectorCode(context, builder)
        source, step, weights, first, second, target, to, add = arguments

        def places(kind: Any, array: Any, start: Any) -> list[Any]:
            starts = [builder.add(start, code.whole(_VECTOR.count * k)) for k in range(_VECTORS)]
            return [code.place(kind, array, place, _VECTOR) for place in starts]

        into, none = places(signature.args[5], target, to), ir.Constant(_VECTOR, [0.0] * _VECTOR.count)
        sums = [code.register(_VECTOR, 0.0) for _ in into]
        for total, place in zip(sums, into, strict=True):
            builder.store(builder.select(add, code.load(place, _VECTOR), none), total)
        for at, begin, count in (code.parts(first), code.parts(second)):
            with code.counting(code.whole(0), builder.sub(count, code.whole(1)), 1) as k:
                place = code.place(signature.args[2], weights, builder.add(begin, k), FLOAT)
                weight = code.all_lanes(code.load(place, FLOAT), _VECTOR.count)
                here = places(signature.args[0], source, builder.add(at, builder.mul(k, step)))
                for total, there in zip(sums, here, strict=True):
                    builder.store(code.fused(weight, code.load(there, _VECTOR), builder.load(total)), total)
        for total, place in zip(sums, into, strict=True):
            code.store(builder.load(total), place)
        return context.get_dummy_value()

    some = types.UniTuple(types.intp, 3)
    return types.none(source, types.intp, weights, some, some, target, types.intp, types.boolean), write


@compiled
def _bent(byte: Any) -> Any:
    """What a byte becomes; the byte is the lower half of a number of 16 bits."""
    signed = np.int16(np.int16(byte << 8) >> 8)
    sign = np.int16(signed >> 15)
    size = np.int16(signed ^ sign)
    bent = np.int16(np.int16(size * np.int16(size - _BEND)) >> 3)
    return np.int16(np.int16(bent ^ sign) - sign)


@compiled
def _four(a: Any, b: Any, c: Any, d: Any) -> Any:
    """Sums and differences of four whole numbers."""
    a, b, c, d = np.int16(a + b), np.int16(a - b), np.int16(c + d), np.int16(c - d)
    return np.int16(a + c), np.int16(b + d), np.int16(a - c), np.int16(b - d)


@compiled
def _raw_row(y: Any, x0: Any, frame: Any, channel: Any, keys: Any, words: Any, out: Any) -> Any:
    """Normal numbers of a row, in units of `_UNIT`; ``x0`` and the length are multiples of `BLOCK`."""
    base = x0 // BLOCK * _LANES
    for second in range(2):
        w0, w1, w2, w3 = words[4 * second], words[4 * second + 1], words[4 * second + 2], words[4 * second + 3]
        for lane in range(words.shape[1]):
            w0[lane], w1[lane], w2[lane], w3[lane] = _seven_rounds(
                np.uint32(base + 2 * lane + second), np.uint32(y), np.uint32(frame), np.uint32(channel), keys
            )
    halves = words.view(np.int16)
    for block in range(out.size // BLOCK):
        h, made = halves[:, 16 * block : 16 * block + 16], out[BLOCK * block : BLOCK * (block + 1)]
        for k in range(16):
            a0, a1, a2, a3 = _four(_bent(h[0, k]), _bent(h[1, k]), _bent(h[2, k]), _bent(h[3, k]))
            b0, b1, b2, b3 = _four(
                _bent(h[0, k] >> 8), _bent(h[1, k] >> 8), _bent(h[2, k] >> 8), _bent(h[3, k] >> 8)
            )
            c0, c1, c2, c3 = _four(_bent(h[4, k]), _bent(h[5, k]), _bent(h[6, k]), _bent(h[7, k]))
            d0, d1, d2, d3 = _four(
                _bent(h[4, k] >> 8), _bent(h[5, k] >> 8), _bent(h[6, k] >> 8), _bent(h[7, k] >> 8)
            )
            made[k], made[k + 16], made[k + 32], made[k + 48] = _four(a0, b0, c0, d0)
            made[k + 64], made[k + 80], made[k + 96], made[k + 112] = _four(a1, b1, c1, d1)
            made[k + 128], made[k + 144], made[k + 160], made[k + 176] = _four(a2, b2, c2, d2)
            made[k + 192], made[k + 208], made[k + 224], made[k + 240] = _four(a3, b3, c3, d3)


@inlined
def _mixed(raw: Any, mix: Any, channel: Any, out: Any) -> Any:
    """Numbers of a channel, with those of the other channels that it has a share of."""
    alone = True
    for other in range(3):
        if other != channel and mix[channel, other] != 0:
            alone = False
    if alone:
        own, unit = raw[channel], _UNIT * mix[channel, channel]
        for x in range(out.size):
            out[x] = unit * np.float32(own[x])
    else:
        p, q, r = _UNIT * mix[channel, 0], _UNIT * mix[channel, 1], _UNIT * mix[channel, 2]
        a, b, c = raw[0], raw[1], raw[2]
        for x in range(out.size):
            out[x] = _fma(r, np.float32(c[x]), _fma(q, np.float32(b[x]), p * np.float32(a[x])))


@inlined
def _variances(light: Any, alpha: Any, base: Any, knots: Any, rises: Any, out: Any) -> Any:
    """Variance of premultiplied light by its knots, of which there are ``4n``."""
    none = np.float32(0)
    for x in range(out.size):
        out[x] = base * alpha[x]
    for k in range(0, knots.size, 4):
        p, q, r, s = -knots[k], -knots[k + 1], -knots[k + 2], -knots[k + 3]
        a, b, c, d = rises[k], rises[k + 1], rises[k + 2], rises[k + 3]
        for x in range(out.size):
            level, cover, much = light[x], alpha[x], out[x]
            above = _fma(p, cover, level)
            much = _fma(a, above if above > none else none, much)
            above = _fma(q, cover, level)
            much = _fma(b, above if above > none else none, much)
            above = _fma(r, cover, level)
            much = _fma(c, above if above > none else none, much)
            above = _fma(s, cover, level)
            out[x] = _fma(d, above if above > none else none, much)


@inlined
def _laid(
    light: Any, field: Any, alpha: Any, share: Any, base: Any, knots: Any, rises: Any, variance: Any, out: Any
) -> Any:
    """Light with grain: the variance of premultiplied light, by its knots, times the share of the pixel."""
    none = np.float32(0)
    if knots.size == 1:
        knot, rise = -knots[0], rises[0]
        for x in range(out.size):
            above = _fma(knot, alpha[x], light[x])
            much = _fma(rise, above if above > none else none, base * alpha[x]) * share[x]
            much = much if much > none else none
            much = much if much < _LARGEST else _LARGEST
            out[x] = _fma(np.sqrt(much), field[x], light[x])
    else:
        _variances(light, alpha, base, knots, rises, variance)
        for x in range(out.size):
            much = variance[x] * share[x]
            much = much if much > none else none
            much = much if much < _LARGEST else _LARGEST
            out[x] = _fma(np.sqrt(much), field[x], light[x])


@inlined
def _limited(value: Any) -> Any:
    """0 to 1."""
    value = value if value > np.float32(0) else np.float32(0)
    return value if value < np.float32(1) else np.float32(1)


@inlined
def _shares(alpha: Any, has_alpha: Any, matte: Any, has_matte: Any, covered: Any, share: Any) -> Any:
    """Of each pixel its alpha, 0 to 1, and what the variance of its premultiplied light is multiplied by."""
    if has_matte:
        for x in range(covered.size):
            a, m = _limited(alpha[x]), _limited(matte[x])
            covered[x] = a
            share[x] = m * _fma(-m, a, np.float32(2)) if a > np.float32(0) else np.float32(0)
    elif has_alpha:
        for x in range(covered.size):
            a = _limited(alpha[x])
            covered[x] = a
            share[x] = np.float32(2) - a if a > np.float32(0) else np.float32(0)


@compiled
def _grainy_rows(
    light: Any,
    alpha: Any,
    matte: Any,
    x0: Any,
    y0: Any,
    frame: Any,
    keys: Any,
    across: Any,
    down: Any,
    parts: Any,
    taps: Any,
    reaches: Any,
    mix: Any,
    base: Any,
    knots: Any,
    rises: Any,
    out: Any,
    first: Any,
    last: Any,
) -> Any:
    """Rows of a picture with grain; ``light`` and ``out`` are ``(3, height, width)`` as tuples of planes."""
    width = light[0].shape[1]
    reach = taps // 2
    begin = (x0 - reach) // BLOCK * BLOCK
    skipped = x0 - reach - begin
    span = width + 2 * reach
    length = (skipped + span + BLOCK - 1) // BLOCK * BLOCK
    # Rows are filtered `_AT_ONCE` numbers at a time, which go beyond their ends.
    pitch = span + _AT_ONCE
    words, raw = np.empty((8, length // BLOCK * _LANES // 2), np.uint32), np.empty((3, length), np.int16)
    ring, sums = np.zeros(3 * taps * pitch, np.float32), np.zeros(parts * pitch, np.float32)
    field, variance = np.empty(pitch, np.float32), np.empty(width, np.float32)
    covered, share = np.ones(width, np.float32), np.ones(width, np.float32)
    has_alpha, has_matte = alpha.size > 0, matte.size > 0
    for row in range(first - reach, last + reach):
        place = (row - first + reach) % taps
        for channel in range(3):
            _raw_row(y0 + row, begin, frame, channel, keys, words, raw[channel])
        for channel in range(3):
            start = (channel * taps + place) * pitch
            _mixed(raw[:, skipped : skipped + span], mix, channel, ring[start : start + span])
        y = row - reach
        if y < first:
            continue
        _shares(
            alpha[y] if has_alpha else covered,
            has_alpha,
            matte[y] if has_matte else covered,
            has_matte,
            covered,
            share,
        )
        for channel in range(3):
            own = reaches[channel]
            count, skip = 2 * own + 1, reach - own
            start = channel * taps * pitch
            noise = ring[start : start + width]
            if taps > 1:
                noise = field[:width]
                # The topmost row lies anywhere in the ring: those from there to its end, then those at its begin.
                top = (place + 1 + skip) % taps
                upper = min(count, taps - top)
                first_weight = channel * parts * taps + skip
                for x in range(0, width + 2 * own, _AT_ONCE):
                    at = start + skip + x
                    for part in range(parts):
                        weight = first_weight + part * taps
                        topmost, others = (at + top * pitch, weight, upper), (at, weight + upper, count - upper)
                        _weigh(ring, pitch, down, topmost, others, sums, part * pitch + x, False)
                for x in range(0, width, _AT_ONCE):
                    for part in range(0, parts, 2):
                        one = (part * pitch + x, first_weight + part * taps, count)
                        other = (one[0] + pitch, one[1] + taps, count if part + 1 < parts else 0)
                        _weigh(sums, 1, across, one, other, field, x, part > 0)
            _laid(
                light[channel][y],
                noise,
                covered,
                share,
                base[channel],
                knots[channel],
                rises[channel],
                variance,
                out[channel][y],
            )


def add_grain(
    light: tuple[Array, Array, Array],
    window: Window,
    law: GrainLaw,
    shape: GrainShape,
    *,
    frame: int,
    seed: int,
    alpha: Array | None = None,
    matte: Array | None = None,
) -> tuple[Array, Array, Array]:
    """Lay grain on a picture.

    Args:
        light: planes R, G and B, float32 ``(height, width)``, premultiplied where there is an alpha.
        window: where they lie; grain belongs to places in the frame.
        law: variance by level.
        shape: dependence of neighbours and channels.
        frame: frame number.
        seed: 0 to 2⁶⁴ − 1.
        alpha: of the light; 1 everywhere when None.
        matte: how much of the pixel is to have grain of its own; all when None.

    Returns:
        New planes R, G and B.
    """
    out = tuple(np.empty(plane.shape, np.float32) for plane in light)
    nothing = np.empty((1, 0), np.float32)
    has_alpha = nothing if alpha is None else alpha
    has_matte = nothing if matte is None else matte
    keys = _keys(seed % 2**32, seed >> 32)

    # Filters of some channels may be shorter than those of others.
    used = np.abs(shape.across).max(axis=1) + np.abs(shape.down).max(axis=1) > 0
    away = np.abs(np.arange(used.shape[1]) - shape.reach)
    reaches = np.where(used, away, 0).max(axis=1)
    count = law.knots.shape[1]
    more = 0 if count == 1 else -count % 4  # four knots are read at a time
    knots, rises = (np.pad(some, ((0, 0), (0, more))) for some in (law.knots, law.rises))

    parts, taps = shape.across.shape[1:]
    across, down = shape.across.ravel(), shape.down.ravel()

    def rows(first: int, last: int) -> None:
        _grainy_rows(
            light, has_alpha, has_matte, window.x0, window.y0, frame, keys, across, down, parts, taps, reaches,
            shape.mix, law.base, knots, rises, out, first, last,
        )  # fmt: skip

    # Each strip computes the rows of numbers that its filters reach beyond it.
    over_strips(rows, window.height, least=16 + 8 * shape.reach)
    return out[0], out[1], out[2]
