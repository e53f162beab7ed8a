"""Pixel functions that call pixel functions: the copied statements give what Python gives."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackcomp.nodes.pixel import PixelFunction, pixel

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


def inlined(function: PixelFunction, *values: float) -> tuple[float, ...]:
    names = [f"v{k}" for k in range(len(values))]
    targets = [f"out{k}" for k in range(function.lanes_out)]
    constants: dict[float, str] = {}
    lines = function.inline("f0_", names, targets, lambda c: constants.setdefault(c, f"C{len(constants)}"))
    space = {**dict(zip(names, values, strict=True)), **{name: value for value, name in constants.items()}}
    exec("\n".join(lines), {}, space)
    return tuple(space[name] for name in targets)


@given(numbers, numbers, numbers)
def test_copied_statements_give_what_python_gives(x, y, k):
    assert inlined(_twice, x, y, k) == _twice(x, y, k)


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
    assert inlined(made(half), 3) == (1.5,)


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
