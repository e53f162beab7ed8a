"""Hypothesis strategies that several tests share."""

from __future__ import annotations

from hypothesis import strategies as st

#: Smaller values are irrelevant in pictures, and their products leave the normal range of float32, where no
#: relative tolerance holds.
SMALLEST = 2.0**-20


def numbers(low: float, high: float, **more: bool) -> st.SearchStrategy[float]:
    """Return float32 values from low to high: 0, or of at least `SMALLEST` in magnitude."""
    parts = []
    if low <= 0 <= high:
        parts.append(st.just(0.0))
    if high > 0:
        parts.append(st.floats(max(low, SMALLEST), high, width=32, **more))
    if low < 0:
        parts.append(st.floats(low, min(high, -SMALLEST), width=32, **more))
    return st.one_of(parts)
