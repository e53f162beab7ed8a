"""Functions that a pixel function may call; compiled code has them from ``kernels.fastmath``."""

from __future__ import annotations

import math
from collections.abc import Callable

__all__ = ["FUNCTIONS", "exp2", "log2", "power", "root"]


def log2(x: float) -> float:
    """Base-2 logarithm; minus infinity at and below 0."""
    return math.log2(x) if x > 0 else (x if x != x else -math.inf)


def exp2(x: float) -> float:
    """2 to the power x."""
    try:
        return float(2.0**x)
    except OverflowError:
        return math.inf


def power(x: float, exponent: float) -> float:
    """``x ** exponent`` for x above 0; 0 at and below it (``exponent`` is positive)."""
    try:
        return float(x**exponent) if x > 0 else (x if x != x else 0.0)
    except OverflowError:
        return math.inf


def root(x: float) -> float:
    """Square root; 0 below 0."""
    return math.sqrt(x) if x > 0 else (x if x != x else 0.0)


#: By name.
FUNCTIONS: dict[str, Callable[..., float]] = {
    "abs": abs,
    "exp2": exp2,
    "log2": log2,
    "max": max,
    "min": min,
    "power": power,
    "root": root,
}
