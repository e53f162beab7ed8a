"""Grain: a field of normal numbers that depends on frame, seed and place alone, laid on a picture.

Every pixel has its own normal number in each channel, from a counter (its place and the frame) and a key (the
seed), so a tile, a window and the whole hold the same bits, and no state is kept. The numbers of three channels
are mixed, so that channels are correlated; filtered, so that neighbours are; and multiplied by the standard
deviation that grain has at the pixel's level.

Source: Salmon, Moraes, Dror and Shaw, Parallel Random Numbers: As Easy as 1, 2, 3, 2011 (Philox 4×32 with 7
rounds, the fewest that pass all tests there); Box and Muller, A Note on the Generation of Random Normal Deviates,
1958. All is sums and products in a fixed order, without fused multiply-add: the same bits on every processor.

Each word of 32 bits makes two numbers: 20 bits the radius, 12 the angle. So none lies beyond 5.4; of normal
numbers, 7 in 10⁸ do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.strips import over_strips

__all__ = ["BLOCK", "MOST_REACH", "GrainLaw", "GrainShape", "add_grain", "philox"]

#: Pixels in a row that four words of each of 32 counters give.
BLOCK = 256
_LANES = 32
#: Pixels that a filter reaches to each side, at the most.
MOST_REACH = 8
#: No variance is above this, so that no product of it is infinite.
_LARGEST = np.float32(1e37)


@dataclass(frozen=True, eq=False)
class GrainShape:
    """How the numbers of neighbours and channels depend on each other.

    Attributes:
        across: filters across, float32 ``(3, parts, 4n + 1)``: of each channel, for each part.
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


@compiled
def _one(a: Any, b: Any, c: Any, d: Any, keys: Any) -> Any:
    return _seven_rounds(a, b, c, d, keys)


@inlined
def _radius(word: Any) -> Any:
    """√(−2 ln u) of a u in (0, 1); the logarithm to 1e-6."""
    share = np.float32(np.int32(word >> np.uint32(12))) * np.float32(2.0**-20) + np.float32(2.0**-21)
    bits = np.float32(share).view(np.int32)
    # The mantissa lies around 1, from √½ to √2.
    exponent = (bits - np.int32(0x3F3504F3)) >> np.int32(23)
    near = np.int32(bits - (exponent << np.int32(23))).view(np.float32)
    s = (near - np.float32(1)) / (near + np.float32(1))
    z = s * s
    log = s * (np.float32(2) + z * (np.float32(0.66666667) + z * (np.float32(0.4) + z * np.float32(0.285714))))
    log = np.float32(exponent) * np.float32(0.6931472) + log
    # Rounding may bring a number just below 0.
    twice = np.float32(-2) * log
    return np.sqrt(twice if twice > np.float32(0) else np.float32(0))


@inlined
def _sine(t: Any) -> Any:
    """Sine of ``t`` turns, up to a quarter to both sides; to 1e-6."""
    z = t * t
    return t * (
        np.float32(6.28316337)
        + z * (np.float32(-41.3370745) + z * (np.float32(81.3388662) + z * np.float32(-70.9774613)))
    )


@inlined
def _pair(word: Any) -> Any:
    """Two normal numbers of a word."""
    radius = _radius(word)
    turn = np.float32(np.int32(word & np.uint32(0x7FF))) * np.float32(2.0**-12) + np.float32(2.0**-13)
    sign = np.float32(np.int32(1) - np.int32((word & np.uint32(0x800)) >> np.uint32(10)))
    first = radius * _sine(np.float32(0.25) - turn)
    return first, radius * sign * _sine(np.float32(0.25) - abs(turn - np.float32(0.25)))


@compiled
def _white_row(y: Any, x0: Any, frame: Any, channel: Any, keys: Any, out: Any) -> Any:
    """Normal numbers of a row; ``x0`` and the length are multiples of `BLOCK`."""
    # In two loops: with eight arrays in one, LLVM gives up to prove that they do not overlap.
    words = np.empty(BLOCK // 2, np.uint32)
    w0, w1, w2, w3 = words[:32], words[32:64], words[64:96], words[96:]
    for block in range(out.size // BLOCK):
        base = (x0 // BLOCK + block) * _LANES
        for lane in range(_LANES):
            w0[lane], w1[lane], w2[lane], w3[lane] = _seven_rounds(
                np.uint32(base + lane), np.uint32(y), np.uint32(frame), np.uint32(channel), keys
            )
        first = out[block * BLOCK : block * BLOCK + BLOCK // 2]
        second = out[block * BLOCK + BLOCK // 2 : (block + 1) * BLOCK]
        for k in range(BLOCK // 2):
            first[k], second[k] = _pair(words[k])


@inlined
def _filtered(source: Any, at: Any, width: Any, weights: Any, out: Any) -> Any:
    """Weighted sums of a row's neighbours; four at a time, since each pass reads and writes the sums."""
    weight = weights[0]
    first = source[at : at + width]
    for x in range(width):
        out[x] = weight * first[x]
    for k in range(1, weights.size, 4):
        p, q, r, s = weights[k], weights[k + 1], weights[k + 2], weights[k + 3]
        a, b = source[at + k : at + k + width], source[at + k + 1 : at + k + 1 + width]
        c, d = source[at + k + 2 : at + k + 2 + width], source[at + k + 3 : at + k + 3 + width]
        for x in range(width):
            out[x] += (p * a[x] + q * b[x]) + (r * c[x] + s * d[x])


@inlined
def _stacked(rows: Any, first: Any, weights: Any, out: Any, width: Any, add: Any) -> Any:
    """Weighted sums of rows in a ring; ``first`` is the place of the topmost one."""
    count = weights.size
    weight, row = weights[0], rows[first]
    if add:
        for x in range(width):
            out[x] += weight * row[x]
    else:
        for x in range(width):
            out[x] = weight * row[x]
    for k in range(1, count, 4):
        p, q, r, s = weights[k], weights[k + 1], weights[k + 2], weights[k + 3]
        a, b = rows[(first + k) % count], rows[(first + k + 1) % count]
        c, d = rows[(first + k + 2) % count], rows[(first + k + 3) % count]
        for x in range(width):
            out[x] += (p * a[x] + q * b[x]) + (r * c[x] + s * d[x])


@inlined
def _mixed(white: Any, mix: Any, channel: Any, out: Any) -> Any:
    p, q, r = mix[channel, 0], mix[channel, 1], mix[channel, 2]
    a, b, c = white[0], white[1], white[2]
    for x in range(out.size):
        out[x] = (p * a[x] + q * b[x]) + r * c[x]


@inlined
def _laid(
    light: Any, field: Any, alpha: Any, share: Any, base: Any, knots: Any, rises: Any, variance: Any, out: Any
) -> Any:
    """Light with grain: the variance of premultiplied light, by its knots, times the share of the pixel."""
    knot, rise = knots[0], rises[0]
    for x in range(out.size):
        above = light[x] - alpha[x] * knot
        variance[x] = base * alpha[x] + rise * (above if above > np.float32(0) else np.float32(0))
    for k in range(1, knots.size):
        knot, rise = knots[k], rises[k]
        for x in range(out.size):
            above = light[x] - alpha[x] * knot
            variance[x] += rise * (above if above > np.float32(0) else np.float32(0))
    for x in range(out.size):
        much = variance[x] * share[x]
        much = much if much > np.float32(0) else np.float32(0)
        much = much if much < _LARGEST else _LARGEST
        out[x] = light[x] + np.sqrt(much) * field[x]


@inlined
def _shares(alpha: Any, has_alpha: Any, matte: Any, has_matte: Any, covered: Any, share: Any) -> Any:
    """Of each pixel its alpha, 0 to 1, and what the variance of its premultiplied light is multiplied by."""
    one, none = np.float32(1), np.float32(0)
    for x in range(covered.size):
        covered[x] = one
    if has_alpha:
        for x in range(covered.size):
            a = alpha[x]
            a = a if a > none else none
            covered[x] = a if a < one else one
    for x in range(covered.size):
        share[x] = one
    if has_matte:
        for x in range(covered.size):
            m = matte[x]
            m = m if m > none else none
            share[x] = m if m < one else one
    if has_alpha or has_matte:
        for x in range(covered.size):
            m = share[x]
            share[x] = m * (np.float32(2) - m * covered[x]) if covered[x] > none else none


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
    mix: Any,
    base: Any,
    knots: Any,
    rises: Any,
    out: Any,
    first: Any,
    last: Any,
) -> Any:
    """Rows of a picture with grain; ``light`` and ``out`` are ``(3, height, width)`` as tuples of planes."""
    width, taps, parts = light[0].shape[1], across.shape[2], across.shape[1]
    reach = taps // 2
    begin = (x0 - reach) // BLOCK * BLOCK
    skipped = x0 - reach - begin
    length = (skipped + width + 2 * reach + BLOCK - 1) // BLOCK * BLOCK
    white = np.empty((3, length), np.float32)
    coloured = np.empty(length, np.float32)
    ring = np.empty((3, parts, taps, width), np.float32)
    field, variance = np.empty(width, np.float32), np.empty(width, np.float32)
    covered, share = np.empty(width, np.float32), np.empty(width, np.float32)
    has_alpha, has_matte = alpha.size > 0, matte.size > 0
    for row in range(first - reach, last + reach):
        for channel in range(3):
            _white_row(y0 + row, begin, frame, channel, keys, white[channel])
        place = (row - first + reach) % taps
        for channel in range(3):
            own = mix[channel, 0] == 0 or channel == 0
            own = own and (mix[channel, 1] == 0 or channel == 1)
            source = white[channel]
            if not own:
                _mixed(white, mix, channel, coloured)
                source = coloured
            for part in range(parts):
                _filtered(source, skipped, width, across[channel, part], ring[channel, part, place])
        y = row - reach
        if y < first:
            continue
        no_row = covered[:0]
        _shares(
            alpha[y] if has_alpha else no_row,
            has_alpha,
            matte[y] if has_matte else no_row,
            has_matte,
            covered,
            share,
        )
        for channel in range(3):
            for part in range(parts):
                _stacked(ring[channel, part], (place + 1) % taps, down[channel, part], field, width, part > 0)
            _laid(
                light[channel][y],
                field,
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

    def rows(first: int, last: int) -> None:
        _grainy_rows(
            light, has_alpha, has_matte, window.x0, window.y0, frame, keys, shape.across, shape.down, shape.mix,
            law.base, law.knots, law.rises, out, first, last,
        )  # fmt: skip

    # Each strip computes the rows of numbers that its filters reach beyond it.
    over_strips(rows, window.height, least=16 + 8 * shape.reach)
    return out[0], out[1], out[2]
