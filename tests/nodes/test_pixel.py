"""Pixel functions: what is allowed in them, and that copying their statements changes nothing."""

import itertools

import pytest
from plain_algebra import evaluated

from stackcomp.nodes.pixel import pixel, power


@pixel
def again_and_again(a, b, k):
    a = a + b
    a += k
    t = a if a > 1 else -a
    a, b = b, a
    return t, a * 2, max(b, 0.5)


def test_it_can_be_called_as_python():
    assert again_and_again(1, 2, 3) == (6, 4, 6)


def test_its_parsed_text_gives_the_same():
    for x, y, n in itertools.product([-2.0, 0.0, 3.0], repeat=3):
        assert evaluated(again_and_again, x, y, n) == again_and_again(x, y, n)


def test_power_of_nothing_and_less_is_nothing():
    assert power(0, 0.5) == 0
    assert power(-1, 2) == 0


def test_what_is_not_straight_line_is_refused():
    with pytest.raises(TypeError, match="not straight-line"):

        @pixel
        def looping(a):
            for _ in range(3):
                a = a + 1
            return a

    with pytest.raises(TypeError, match="not allowed"):

        @pixel
        def indexing(a):
            return a[0]

    with pytest.raises(TypeError, match=r"\'a\[0\]\' in 'return a\[0\]' is not allowed"):

        @pixel
        def indexing_again(a):
            return a[0]

    with pytest.raises(
        TypeError, match=r"\*\* in 'return a \*\* 0.5' is not allowed\n  call power\(x, exponent\)"
    ):

        @pixel
        def raising(a):
            return a**0.5

    with pytest.raises(TypeError, match=r"% in 'return a % 2' is not allowed"):

        @pixel
        def wrapping(a):
            return a % 2

    with pytest.raises(TypeError, match="neither argument nor function"):

        @pixel
        def reaching_out(a):
            return a + __name__

    with pytest.raises(TypeError, match="neither argument nor function"):

        @pixel
        def calling(a):
            return open(a)
