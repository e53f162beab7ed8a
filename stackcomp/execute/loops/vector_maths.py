"""Powers and logarithms in float32 on vectors.

Relative accuracy: `log2` 2e-6 (absolute 2e-7 near 1), `exp2` 2e-6, `power` 2e-6 for exponents up to 8. Powers of
two are exact. Special values: NaN stays NaN; zero and negative numbers give minus infinity, and 0 in `power`;
infinity, overflow to infinity and denormals are as in IEEE 754.

Method: a number is split into exponent and mantissa by its bits. The logarithm of the mantissa is an odd
polynomial in ``s = (m − 1) / (m + 1)``, the shape of the series of the inverse hyperbolic tangent. 2 to the
power y is 4 to the power of y / 2: of the nearest whole number to it by bits, times that of the rest, from -0.5
to 0.5, by a polynomial. The factors are those of smallest relative error, found by Remez's algorithm and by
linear programming; the second polynomial is bound to be exact at -0.5, 0 and 0.5. They are evaluated with fused
multiply-add where the processor has it, so the last bits differ between processors with it and without.

`power` multiplies the exponent by the two parts of the logarithm apart: the product with the whole part is
exact, in a fused multiply-add or with the exponent cut into two short numbers, so that large results keep the
accuracy of the fraction.
"""

from __future__ import annotations

import math

from stackcomp.execute.loops.code import Code, Value

__all__ = ["exp2", "log2", "power", "root"]

#: Added to a small float32 and taken off again, it leaves the nearest whole number, and that in the low bits.
_MAGIC = 12582912.0
_SQRT_HALF_BITS = 0x3F3504F3
_EXPONENT_BITS = -(1 << 23)
_TINY = 1.17549435e-38
#: log2(m) / s by powers of s²; relative error 1.2e-7.
_LOG = [2.885390424340442, 0.9615882835205035, 0.5957826451814461]
#: 4^r by powers of r; relative error 2.7e-7 from -0.5 to 0.5.
_EXP = [
    1.0,
    1.3862974643707275,
    0.960898756980896,
    0.44392356276512146,
    0.15396130084991455,
    0.043545857071876526,
    0.00977456197142601,
]


def _series(code: Code, x: Value, factors: list[float]) -> Value:
    """A polynomial, the lowest factor first: Horner's rule in x² on pairs of factors waits less than in x."""
    terms = [code.constant(factor) for factor in factors]
    if len(terms) > 3:
        pairs = [code.fma(high, x, low) for low, high in zip(terms[::2], terms[1::2], strict=False)]
        terms, x = pairs + terms[2 * len(pairs) :], code.arithmetic("fmul", x, x)
    *others, result = terms
    for term in reversed(others):
        result = code.fma(result, x, term)
    return result


def _mask(code: Code, test: Value) -> Value:
    """All bits where the condition holds."""
    return code.convert("sext", test, "i32")


def _bits(code: Code, x: Value) -> Value:
    return code.convert("bitcast", x, "i32")


def _float(code: Code, bits: Value) -> Value:
    return code.convert("bitcast", bits, "float")


def _log2_parts(code: Code, x: Value) -> tuple[Value, Value]:
    """The whole and the fractional part of log2 of positive finite numbers."""
    one = code.constant(1)
    # Denormals have no leading bit: they are lifted by 2^23 first. What is negative does not matter here.
    small = _mask(code, code.compare("slt", _bits(code, x), code.integer(1 << 23)))
    factor = code.arithmetic("add", _bits(code, one), code.arithmetic("and", small, code.integer(23 << 23)))
    bits = _bits(code, code.arithmetic("fmul", x, _float(code, factor)))
    above = code.arithmetic("sub", bits, code.integer(_SQRT_HALF_BITS))
    exponent = code.arithmetic("and", above, code.integer(_EXPONENT_BITS))
    mantissa = _float(code, code.arithmetic("sub", bits, exponent))
    s = code.arithmetic("fdiv", code.arithmetic("fsub", mantissa, one), code.arithmetic("fadd", mantissa, one))
    series = _series(code, code.arithmetic("fmul", s, s), _LOG)
    whole = code.arithmetic("ashr", above, code.integer(23))
    lift = code.arithmetic("and", small, code.integer(23))
    whole = code.convert("sitofp", code.arithmetic("sub", whole, lift), "float")
    return whole, code.arithmetic("fmul", s, series)


def _clamped(code: Code, x: Value, low: float, high: float) -> Value:
    lowest, highest = code.constant(low), code.constant(high)
    x = code.select(code.compare("olt", x, lowest), lowest, x)
    return code.select(code.compare("ogt", x, highest), highest, x)


def _nearest(code: Code, y: Value) -> tuple[Value, Value]:
    """The nearest whole number, as float and in the low bits of a float."""
    lifted = code.arithmetic("fadd", y, code.constant(_MAGIC))
    return code.arithmetic("fsub", lifted, code.constant(_MAGIC)), lifted


def _scaled(code: Code, left: Value, lifted: Value, *, clamped: bool = True) -> Value:
    """4 to the power of a whole number, in the low bits of a float, and of a rest within ±0.5.

    If it is not ``clamped``, the whole number is known to be within ±120.
    """
    series = _bits(code, _series(code, left, _EXP))
    # Beyond these, the result is infinite or 0 as it should be, whatever the series gives.
    # Bits of floats of one sign are ordered as the floats are, and whole numbers are compared faster.
    held = _bits(code, lifted)
    for op, limit in (("sgt", _MAGIC + 120), ("slt", _MAGIC - 120)) if clamped else ():
        bound = _bits(code, code.constant(limit))
        held = code.select(code.compare(op, held, bound), bound, held)
    exponent = code.arithmetic("shl", held, code.integer(23))
    factor = code.arithmetic("add", exponent, _bits(code, code.constant(1)))
    # The first of two steps by that factor gives a normal number: a denormal result is rounded once.
    once = code.arithmetic("add", exponent, series)
    return code.arithmetic("fmul", _float(code, once), _float(code, factor))


def _positive(code: Code, x: Value, result: Value, nothing: float) -> Value:
    """The result for finite numbers above 0; for others what they are, and ``nothing`` for 0 and below."""
    largest = code.compare("olt", x, code.constant(math.inf))
    result = code.select(largest, result, x)
    return code.select(code.compare("ole", x, code.constant(0)), code.constant(nothing), result)


def log2(code: Code, x: Value) -> Value:
    """Base-2 logarithm; minus infinity for 0 and below."""
    whole, fraction = _log2_parts(code, x)
    return _positive(code, x, code.arithmetic("fadd", whole, fraction), -math.inf)


def exp2(code: Code, x: Value) -> Value:
    """2 to the power x."""
    # Far beyond the range of float32, and within that of the method.
    half = code.arithmetic("fmul", _clamped(code, x, -1000, 1000), code.constant(0.5))
    nearest, lifted = _nearest(code, half)
    result = _scaled(code, code.arithmetic("fsub", half, nearest), lifted)
    return code.select(code.compare("uno", x, x), x, result)


def power(code: Code, x: Value, exponent: Value, *, clamped: bool = True) -> Value:
    """``x ** exponent`` for ``exponent`` from above 0 to 1000; 0 if x is 0 or below.

    If it is not ``clamped``, the exponent is known to be at most 1.6: half of it times the logarithm of any
    positive float32 stays within ±120.
    """
    whole, fraction = _log2_parts(code, x)
    half = code.arithmetic("fmul", exponent, code.constant(0.5))
    if code.fused:
        # The sum is good enough to round; powers of one number share it.
        nearest, lifted = _nearest(code, code.arithmetic("fmul", half, code.arithmetic("fadd", whole, fraction)))
        left = code.fma(half, fraction, code.fma(half, whole, code.negative(nearest)))
    else:
        # 12 bits of the exponent times 8 bits of the whole part need no rounding.
        high = _float(code, code.arithmetic("and", _bits(code, half), code.integer(-4096)))
        low = code.arithmetic("fsub", half, high)
        rest = code.arithmetic("fmul", half, fraction)
        rest = code.arithmetic("fadd", rest, code.arithmetic("fmul", low, whole))
        large = code.arithmetic("fmul", high, whole)
        nearest, lifted = _nearest(code, code.arithmetic("fadd", large, rest))
        left = code.arithmetic("fadd", code.arithmetic("fsub", large, nearest), rest)
    return _positive(code, x, _scaled(code, left, lifted, clamped=clamped), 0)


def root(code: Code, x: Value) -> Value:
    """Square root; 0 if x is below 0."""
    zero = code.constant(0)
    result = code.intrinsic("sqrt", code.select(code.compare("ogt", x, zero), x, zero))
    return code.select(code.compare("uno", x, x), x, result)
