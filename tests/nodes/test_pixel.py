"""Pixel functions: what is allowed in them, and that copying their statements changes nothing."""

import itertools

import pytest

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


def test_its_copied_statements_give_the_same():
    names: dict[float, str] = {}
    lines = again_and_again.inline(
        "z_", ["x", "y", "n"], ["o0", "o1", "o2"], lambda value: names.setdefault(value, f"C{len(names)}")
    )
    for x, y, n in itertools.product([-2.0, 0.0, 3.0], repeat=3):
        scope = {"x": x, "y": y, "n": n, **{name: value for value, name in names.items()}}
        exec("\n".join(lines), {}, scope)
        assert (scope["o0"], scope["o1"], scope["o2"]) == again_and_again(x, y, n)
        # A caller's values are never assigned to.
        assert (scope["x"], scope["y"], scope["n"]) == (x, y, n)


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

    with pytest.raises(TypeError, match="neither argument nor function"):

        @pixel
        def reaching_out(a):
            return a + __name__

    with pytest.raises(TypeError, match="neither argument nor function"):

        @pixel
        def calling(a):
            return open(a)
