"""Pixel functions that call pixel functions: the parsed text gives what Python gives."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plain_algebra import evaluated

from stackcomp.nodes.pixel import pixel

numbers = st.floats(-4, 4)


@pixel
def _turn(x, y):
    t = x + 2 * y
    x = t - y
    return t, x


@pixel
def _twice(x, y, k):
    # Results overwrite what was given, and a name of the caller is one inside too.
    (x, y) = _turn(x * k, y)
    t = x + y
    (y, x) = _turn(y, t)
    return x, y, t


@given(numbers, numbers, numbers)
def test_the_parsed_text_gives_what_python_gives(x, y, k):
    assert evaluated(_twice, x, y, k) == _twice(x, y, k)


def test_equal_text_that_calls_other_functions_differs():
    def made(inner):
        @pixel
        def outer(x):
            (y,) = inner(x)
            return y

        return outer

    @pixel
    def double(x):
        return 2 * x

    @pixel
    def half(x):
        return x / 2

    assert made(double).source == made(double).source != made(half).source
    assert made(double)(3) == (6,)
    assert evaluated(made(half), 3) == (1.5,)


def test_results_need_names():
    with pytest.raises(TypeError, match=r"_turn\(x, y\) is used without a name"):

        @pixel
        def wrong(x, y):
            return _turn(x, y)

    with pytest.raises(TypeError, match="is used without a name"):

        @pixel
        def too_few(x, y):
            (z,) = _turn(x, y)
            return z
