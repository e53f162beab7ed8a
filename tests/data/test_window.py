from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stackcomp import Window

corners = st.integers(-200, 200)
windows = st.builds(Window, corners, corners, corners, corners)
full_windows = st.builds(
    lambda x, y, w, h: Window(x, y, x + w, y + h), corners, corners, st.integers(1, 60), st.integers(1, 60)
)
small = st.builds(
    lambda x, y, w, h: Window(x, y, x + w, y + h),
    st.integers(-4, 4),
    st.integers(-4, 4),
    st.integers(-1, 5),
    st.integers(-1, 5),
)


def pixels(window: Window) -> set[tuple[int, int]]:
    """The definition: half-open, one by one."""
    return {(x, y) for x in range(window.x0, window.x1) for y in range(window.y0, window.y1)}


@given(small, small)
def test_intersection_holds_the_pixels_of_both(a, b):
    assert pixels(a & b) == pixels(a) & pixels(b)
    assert (a & b).empty == (not pixels(a) & pixels(b))


@given(small, small)
def test_union_is_the_smallest_window_around_both(a, b):
    both = pixels(a) | pixels(b)
    union = a | b
    assert both <= pixels(union)
    if both:
        assert union.x0 == min(x for x, _ in both)
        assert union.y0 == min(y for _, y in both)
        assert union.x1 == max(x for x, _ in both) + 1
        assert union.y1 == max(y for _, y in both) + 1
    else:
        assert union.empty


@given(small, small)
def test_containing_is_having_all_pixels(a, b):
    assert (b in a) == (pixels(b) <= pixels(a))


@given(small)
def test_size_counts_pixels(a):
    assert a.width * a.height == len(pixels(a))
    assert a.shape == (a.height, a.width)
    assert a.empty == (not pixels(a))


@given(windows, windows, windows)
def test_algebra(a, b, c):
    assert (a & b).empty == (b & a).empty
    assert a.empty or b.empty or a | b == b | a
    assert a.empty or b.empty or c.empty or (a | b) | c == a | (b | c)
    assert a.empty or b.empty or (a & b).empty or (a & b) | a == a


@given(full_windows)
def test_openexr_corners_there_and_back(a):
    low, high = a.to_exr()
    assert high == (a.x1 - 1, a.y1 - 1)  # inclusive, as OpenEXR's box2i
    assert Window.from_exr(low, high) == a


@given(full_windows, corners, corners)
def test_shift_moves_every_pixel(a, x, y):
    assert a.shift(x, y).shift(-x, -y) == a
    assert (a.shift(x, y).x0, a.shift(x, y).y0) == (a.x0 + x, a.y0 + y)
    assert a.shift(x, y).shape == a.shape


@given(full_windows, st.integers(0, 20), st.integers(0, 20))
def test_grow_adds_on_all_sides(a, x, y):
    grown = a.grow(x, y)
    assert grown.shape == (a.height + 2 * y, a.width + 2 * x)
    assert a in grown
    assert grown.grow(-x, -y) == a
    assert a.grow(x) == a.grow(x, x)


def test_what_is_empty_does_not_grow():
    assert Window(3, 3, 3, 9).grow(5).empty


@given(full_windows, st.integers(1, 64), st.integers(1, 64))
def test_scaled_covers_and_is_smallest(a, up, down):
    """Against exact fractions, for scales that floats only come near to, such as 1/10."""
    exact = Fraction(up, down)
    scaled = a.scaled(up / down)
    for low, high, first, last in (
        (a.x0 * exact, a.x1 * exact, scaled.x0, scaled.x1),
        (a.y0 * exact, a.y1 * exact, scaled.y0, scaled.y1),
    ):
        assert first <= low < first + 1
        assert last - 1 < high <= last


@given(full_windows, st.floats(1e-9, 1))
def test_scaled_never_vanishes(a, scale):
    far = a.shift(1_000_000, -1_000_000)
    assert not a.scaled(scale).empty
    assert not far.scaled(scale).empty


@given(full_windows, full_windows, st.floats(0.01, 1))
def test_scaled_keeps_what_is_inside_inside(a, b, scale):
    assert a.scaled(scale) in (a | b).scaled(scale)


def test_products_that_floats_only_come_near_to():
    assert (1 / 49) * 49 < 1
    assert Window(49, 0, 98, 49).scaled(1 / 49) == Window(1, 0, 2, 1)
    assert 0.1 * 3 > 0.3
    assert Window(0, 0, 30, 30).scaled(0.1 * 3) == Window(0, 0, 9, 9)


def test_scale_of_one_and_nothing():
    assert Window(1, 2, 3, 4).scaled(1) == Window(1, 2, 3, 4)
    assert Window(3, 3, 3, 3).scaled(0.5).empty


@given(full_windows, full_windows)
def test_slices_pick_the_pixels(a, b):
    inner, outer = b, a | b
    ys, xs = np.mgrid[outer.y0 : outer.y1, outer.x0 : outer.x1]
    rows, columns = inner.slices_in(outer)
    assert xs[rows, columns].shape == inner.shape
    assert (xs[rows, columns][0, 0], ys[rows, columns][0, 0]) == (inner.x0, inner.y0)


def test_words():
    assert str(Window(-2, 3, 10, 9)) == "12×6 at (-2, 3)"
