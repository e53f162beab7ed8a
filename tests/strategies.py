"""What hypothesis draws in several tests."""

from __future__ import annotations

from hypothesis import strategies as st

#: Smaller amounts than this say nothing about a picture, and products of them leave float32's normal range,
#: where no relative tolerance holds.
SMALLEST = 2.0**-20


def numbers(low: float, high: float, **more: bool) -> st.SearchStrategy[float]:
    """Float32 values from low to high: 0, or no smaller than `SMALLEST` either way."""
    parts = []
    if low <= 0 <= high:
        parts.append(st.just(0.0))
    if high > 0:
        parts.append(st.floats(max(low, SMALLEST), high, width=32, **more))
    if low < 0:
        parts.append(st.floats(low, min(high, -SMALLEST), width=32, **more))
    return st.one_of(parts)
