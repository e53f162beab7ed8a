"""16-bit floats in and out of vectors.

A half is exact in float32. The other way rounds to the nearest, ties to even, as IEEE 754 says; the largest half
is 65504, and finite values beyond it are stored as that. Where the processor does not convert them by itself,
whole numbers do it: they agree bit for bit, but for the payload of NaN.
"""

from __future__ import annotations

import math

from stackcomp.execute.loops.code import Code, Value

__all__ = ["LARGEST", "clamp", "narrow", "size_bits", "widen"]

LARGEST = 65504.0
"""The largest finite half."""

_SMALLEST_NORMAL_BITS = 0x38800000


def widen(code: Code, half: Value, *, native: bool) -> Value:
    """Halves as floats."""
    if native:
        return code.convert("fpext", half, "float")
    bits = code.convert("zext", code.convert("bitcast", half, "i16"), "i32")
    size = code.arithmetic("and", bits, code.integer(0x7FFF))
    shifted = code.arithmetic("shl", size, code.integer(13))
    # The exponents of both formats differ by 112; the factor also makes denormals normal.
    finite = code.arithmetic("fmul", code.convert("bitcast", shifted, "float"), code.constant(2.0**112))
    special = code.compare("sge", size, code.integer(0x7C00))
    beyond = code.arithmetic("or", shifted, code.integer(0x7F800000))
    size_bits = code.select(special, beyond, code.convert("bitcast", finite, "i32"))
    sign = code.arithmetic("shl", code.arithmetic("and", bits, code.integer(0x8000)), code.integer(16))
    return code.convert("bitcast", code.arithmetic("or", size_bits, sign), "float")


def clamp(code: Code, value: Value) -> tuple[Value, Value]:
    """Finite values within the range of half, and in which lanes they were beyond it."""
    size = code.intrinsic("fabs", value)
    beyond = code.both(
        code.compare("ogt", size, code.constant(LARGEST)), code.compare("olt", size, code.constant(math.inf))
    )
    negative = code.compare("olt", value, code.constant(0))
    limit = code.select(negative, code.constant(-LARGEST), code.constant(LARGEST))
    return code.select(beyond, limit, value), beyond


def size_bits(code: Code, value: Value) -> Value:
    """The size as whole numbers that are ordered as sizes are; infinity and NaN are the largest."""
    return code.arithmetic("and", code.convert("bitcast", value, "i32"), code.integer(0x7FFFFFFF))


def narrow(code: Code, value: Value, *, native: bool) -> Value:
    """Floats within the range of half, infinite or NaN as the nearest halves."""
    if native:
        return code.convert("fptrunc", value, "half")
    bits = code.convert("bitcast", value, "i32")
    size = code.arithmetic("and", bits, code.integer(0x7FFFFFFF))
    odd = code.arithmetic("and", code.arithmetic("lshr", size, code.integer(13)), code.integer(1))
    rounded = code.arithmetic("add", code.arithmetic("add", size, code.integer(0xFFF)), odd)
    normal = code.arithmetic("lshr", code.arithmetic("sub", rounded, code.integer(0x38000000)), code.integer(13))
    # One half has its last bit where denormal halves have theirs, so adding it rounds.
    lifted = code.arithmetic("fadd", code.convert("bitcast", size, "float"), code.constant(0.5))
    denormal = code.arithmetic("sub", code.convert("bitcast", lifted, "i32"), code.integer(0x3F000000))
    small = code.compare("slt", size, code.integer(_SMALLEST_NORMAL_BITS))
    result = code.select(small, denormal, normal)
    result = code.select(code.compare("sge", size, code.integer(0x7F800000)), code.integer(0x7C00), result)
    result = code.select(code.compare("uno", value, value), code.integer(0x7E00), result)
    sign = code.arithmetic("lshr", code.arithmetic("and", bits, code.integer(-2147483648)), code.integer(16))
    return code.convert("bitcast", code.convert("trunc", code.arithmetic("or", result, sign), "i16"), "half")
