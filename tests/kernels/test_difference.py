"""The compiled comparison against the plain one in float64."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.kernels.difference import add_differences

values = st.one_of(st.floats(width=32, allow_nan=True), st.sampled_from([-0.0, np.inf, -np.inf, np.nan, 3e38]))
planes = st.lists(values, min_size=12, max_size=12).map(lambda row: np.reshape(np.float32(row), (3, 4)))


def difference(a, b):
    """The plain difference, the relative one, and where pixels are not finite in the same way; in float64."""
    finite = np.isfinite(a) & np.isfinite(b)
    alike = (a == b) | (np.isnan(a) & np.isnan(b))
    odd = ~finite & ~alike
    a, b = np.where(finite, a, 0.0), np.where(finite, b, 0.0)
    plain = np.abs(a - b)
    return plain, plain / np.maximum(1.0, np.maximum(np.abs(a), np.abs(b))), odd


@given(planes, planes)
def test_it_is_the_plain_comparison(a, b):
    with np.errstate(all="ignore"):
        worst = np.full((3, 4), 0.25)
        total, squares, odd, first, peak = add_differences(a, b, worst)
        plain, relative, not_alike = difference(np.float64(a), np.float64(b))
    assert total == pytest.approx(plain.sum())
    assert squares == pytest.approx(np.square(plain).sum())
    np.testing.assert_allclose(worst, np.maximum(0.25, relative))
    both = np.isfinite(a) & np.isfinite(b)
    assert peak == max(np.abs(a[both]).max(initial=0), np.abs(b[both]).max(initial=0))
    where = np.argwhere(not_alike)
    assert odd == len(where)
    assert first == (where[0][0] * 4 + where[0][1] if len(where) else -1)
