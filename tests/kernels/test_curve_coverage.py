"""Exact coverage of curves, held against analytic areas and skia."""

import math

import numpy as np
import pytest
from drawn_curves import drawn_by_skia, ellipse, matte, polygon, scribble, shape, smooth_blob
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.data.window import Window
from stackcomp.kernels.curve_picture import prepare
from stackcomp.kernels.polygon import polygon_coverage

LEVEL = 1 / 255
SQUARE = ((8, 8), (40, 8), (40, 40), (8, 40))


def test_edges_within_pixels_by_hand():
    got = matte(shape(polygon((1.25, 1.5), (3.5, 1.5), (3.5, 2.25), (1.25, 2.25))), size=5)
    expected = np.zeros((5, 5))
    expected[1, 1:4] = 0.5 * np.array([0.75, 1, 0.5])
    expected[2, 1:4] = 0.25 * np.array([0.75, 1, 0.5])
    np.testing.assert_array_equal(got, expected.astype(np.float32))


@pytest.mark.parametrize("turn", [1, -1], ids=["one way", "the other"])
def test_a_triangle_over_pixels_by_hand(turn):
    got = matte(shape(polygon((0, 0), (2, 0), (0, 1))[::turn]), size=2)
    np.testing.assert_allclose(got, [[0.75, 0.25], [0, 0]], atol=1e-7)


@pytest.mark.parametrize(("across", "down"), [(20.3, 20.3), (25.7, 6.2), (0.31, 12.4)])
def test_an_ellipse_has_its_area(across, down):
    got = matte(shape(ellipse(31.37, 32.81, across, down)))
    # Chords lie inside of their curve, by less than 0.004 pixels.
    area = math.pi * across * down
    length = math.pi * (3 * (across + down) - math.sqrt((3 * across + down) * (across + 3 * down)))
    assert area - 0.004 * length <= got.sum(dtype=np.float64) <= area + 1e-3


def test_pixels_of_a_circle_against_its_integral():
    x, y, radius = 31.37, 32.81, 20.3
    got = matte(shape(ellipse(x, y, radius, radius)))
    # The integral of the chord at each height, clipped to each pixel, on 1500 heights a pixel.
    heights = (np.arange(64 * 1500) + 0.5) / 1500
    half = np.sqrt(np.maximum(radius**2 - (heights - y) ** 2, 0))[:, None]
    columns = np.arange(64)
    part = np.minimum(x + half, columns + 1) - np.maximum(x - half, columns)
    expected = np.where(half > 0, np.maximum(part, 0), 0).reshape(64, 1500, 64).mean(axis=1)
    np.testing.assert_allclose(got, expected, atol=LEVEL)


@pytest.mark.parametrize("even_odd", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_curves_that_cross_themselves_equal_skia_on_64_by_64_samples(seed, even_odd):
    points = scribble(seed, 7, 64)
    got = matte(shape(points, even_odd=even_odd))
    difference = np.abs(got - drawn_by_skia(points, even_odd))
    # Samples in rows are themselves off by up to 1/64 where an edge runs along them; the mean tells both apart.
    assert difference.max() <= 1.5 / 64
    assert difference.mean() < 0.1 * LEVEL
    assert np.quantile(difference, 0.99) <= LEVEL


def test_shapes_of_an_artist_equal_skia_on_64_by_64_samples():
    points = smooth_blob(5, 24, 32, 32, 22)
    difference = np.abs(matte(shape(points)) - drawn_by_skia(points))
    assert np.quantile(difference, 0.995) <= LEVEL
    assert difference.max() <= 1 / 64


@pytest.mark.parametrize(("even_odd", "covered"), [(False, 0.5), (True, 0.5)])
def test_a_figure_of_eight_within_one_pixel(even_odd, covered):
    # Two triangles that meet in the middle and are turned against each other: their signed areas cancel.
    eight = polygon((0, 0), (1, 1), (1, 0), (0, 1))
    assert matte(shape(eight, even_odd=even_odd), size=1)[0, 0] == pytest.approx(covered, abs=1e-6)
    assert polygon_coverage(eight[:, :2], Window.of_size(1, 1))[0, 0] == 0


@pytest.mark.parametrize(
    ("even_odd", "inner"), [(False, 1.0), (True, 0.0)], ids=["all that it winds around", "odd numbers of times"]
)
def test_a_star_of_five_within_one_pixel(even_odd, inner):
    # A pentagram of circumradius R: the pentagon in its middle has the circumradius R cos 72° / cos 36°.
    angle = np.pi / 2 + np.arange(5) * 4 * np.pi / 5
    star = polygon(*np.column_stack([0.5 + 0.4 * np.cos(angle), 0.5 + 0.4 * np.sin(angle)]))
    small = 0.4 * math.cos(math.radians(72)) / math.cos(math.radians(36))
    pentagon = 2.5 * small**2 * math.sin(math.radians(72))
    side = 2 * small * math.sin(math.radians(36))
    tips = 5 * 0.25 * side**2 * math.tan(math.radians(72))
    got = matte(shape(star, even_odd=even_odd), size=1)[0, 0]
    assert got == pytest.approx(tips + inner * pentagon, abs=1e-6)


def test_two_turns_around_a_square_count_by_the_rule():
    twice = polygon(*SQUARE, *SQUARE)
    once = matte(shape(polygon(*SQUARE)))
    np.testing.assert_array_equal(matte(shape(twice)), once)
    assert matte(shape(twice, even_odd=True)).max() == 0


def test_several_curves_of_one_shape_make_a_hole():
    hole = np.vstack([polygon(*SQUARE), polygon((16.5, 16), (30, 16), (30, 30), (16.5, 30))[::-1]])
    got = matte(shape(hole, starts=(0, 4, 8)))
    assert got.sum() == 32 * 32 - 13.5 * 14
    assert got[20, 16] == 0.5


@pytest.mark.parametrize(
    "points",
    [
        polygon((3, 3), (30, 30)),
        polygon((3, 3), (3, 3), (3, 3)),
        polygon((3, 8), (30, 8), (12, 8)),
        np.zeros((2, 8)),
    ],
    ids=["a line", "one place", "a level line", "zero"],
)
def test_curves_without_area_cover_nothing(points):
    assert matte(shape(points)).max() == 0


def test_edges_in_the_same_place_cancel():
    there_and_back = polygon(*SQUARE, (8, 8), (40, 40))
    np.testing.assert_allclose(matte(shape(there_and_back)), matte(shape(polygon(*SQUARE))), atol=1e-6)


def test_far_coordinates_cost_no_more_and_change_nothing():
    far = 1e7
    band = polygon((-far, 10.25), (far, 10.25), (far, 20), (-far, 20))
    got = matte(shape(band))
    assert got[10].tolist() == [0.75] * 64
    assert got[11:20].min() == 1
    huge = ellipse(far / 2, 32, far / 2 - 20, far / 2)
    edge = matte(shape(huge))
    np.testing.assert_allclose(edge[:, 30:].min(), 1)
    np.testing.assert_allclose(edge[:, :19].max(), 0, atol=1e-6)


def test_many_crossings_in_few_rows_end_in_bounded_time():
    points = scribble(1, 300, 1.0) * 40
    assert 0 < matte(shape(points, even_odd=True)).sum() < 64 * 64


# -- laws ----------------------------------------------------------------------------------------------------

_places = st.floats(-20, 60, allow_nan=False, width=32)
_curves = st.lists(st.tuples(*[_places] * 2, *[st.floats(-20, 20, width=32)] * 4), min_size=2, max_size=7)
_steps = st.tuples(st.integers(-30, 30), st.integers(-30, 30))


def _points(curve):
    return np.hstack([np.array(curve, float), np.zeros((len(curve), 2))])


@settings(max_examples=60, deadline=None)
@given(_curves, st.booleans(), _steps)
def test_moving_by_whole_pixels_moves_the_pixels(curve, even_odd, step):
    points = _points(curve)
    moved = points + np.array([*step, 0, 0, 0, 0, 0, 0])
    frame = Window.of_size(40, 40)
    first = prepare([([shape(points, even_odd=even_odd)], np.eye(3))], frame).painted(frame)
    there = frame.shift(*step)
    second = prepare([([shape(moved, even_odd=even_odd)], np.eye(3))], there).painted(there)
    np.testing.assert_allclose(first, second, atol=2e-6)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(_curves, _curves, st.booleans())
def test_modes_keep_within_their_parts(one, other, shared):
    a, b = _points(one), _points(other)
    alone = matte(shape(a), size=40)
    second = matte(shape(b), size=40)
    union = matte(shape(a), shape(b), size=40, shared=shared)
    rest = matte(shape(a), shape(b, "subtract"), size=40, shared=shared)
    both = matte(shape(a), shape(b, "intersect"), size=40, shared=shared)
    if not shared:
        np.testing.assert_allclose(union, alone + second - alone * second, atol=1e-6)
        np.testing.assert_allclose(rest, alone * (1 - second), atol=1e-6)
        np.testing.assert_allclose(both, alone * second, atol=1e-6)
    for got in (union, rest, both):
        assert got.min() >= 0
        assert got.max() <= 1
    assert (union >= np.maximum(alone, second) - 1e-6).all()
    assert (rest <= alone + 1e-6).all()
    assert (both <= np.minimum(alone, second) + 1e-6).all()


@settings(max_examples=settings().max_examples // 2)
@given(_curves, st.booleans())
def test_even_odd_is_never_more_than_nonzero(curve, backwards):
    points = _points(curve)
    wound = matte(shape(points), size=40)
    odd = matte(shape(points, even_odd=True), size=40)
    assert (odd <= wound + 1e-6).all()
    turned = points[::-1][:, [0, 1, 4, 5, 2, 3, 6, 7]] if backwards else points
    np.testing.assert_allclose(matte(shape(turned), size=40), wound, atol=2e-6)


@settings(max_examples=40, deadline=None)
@given(_curves, st.tuples(st.integers(0, 39), st.integers(0, 39), st.integers(1, 20), st.integers(1, 20)))
def test_tiles_are_bytes_of_the_whole(curve, corner):
    frame = Window.of_size(40, 40)
    tile = Window(corner[0], corner[1], corner[0] + corner[2], corner[1] + corner[3]) & frame
    points = _points(curve)
    points[:, 6] = 3
    picture = prepare([([shape(points)], np.eye(3))], frame)
    whole = picture.painted(frame)
    np.testing.assert_array_equal(picture.painted(tile), whole[tile.slices_in(frame)])


@pytest.mark.parametrize("level", [3.0, 3.5], ids=["between rows", "within a row"])
def test_a_border_that_runs_level_on_its_way_down(level):
    """Shoelace formula; the pixels beside it are triangles and rectangles."""
    corners = ((0.25, 0), (10.25, level), (14.5, level), (20, 6), (0.25, 6))
    got = matte(shape(polygon(*corners)), size=24)
    x, y = np.array(corners).T
    area = 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    assert got.sum(dtype=np.float64) == pytest.approx(area, abs=1e-4)
    frame = Window.of_size(24, 24)
    np.testing.assert_allclose(got, polygon_coverage(np.array(corners), frame), atol=1e-6)


#: Half a pixel from time to time, then far out of the picture and back.
_MOVES = ((0.5, 0.25), (1, 0.5), (1.5, 0.75), (-30, 17.3), (200, -3.5), (0, 0))


@pytest.mark.parametrize(("soft", "tolerance"), [(0, 1e-6), (3, 2e-5)], ids=["hard", "feathered"])
def test_times_that_repeat_shapes_elsewhere_equal_each_by_itself(soft, tolerance):
    """Shapes are flattened once for all of them."""
    frame = Window.of_size(64, 48)
    drawn = [shape(scribble(3, 6, 60, soft, soft)), shape(ellipse(70, 20, 25, 9, soft, soft), even_odd=True)]
    turned = np.array([[0.8, -0.6, 20], [0.6, 0.8, -10], [0, 0, 1]])
    times = [(drawn, np.eye(3)), (drawn, turned)]
    for x, y in _MOVES:
        move = np.array([[0, 0, x], [0, 0, y], [0, 0, 0]])
        times += [(drawn, np.eye(3) + move), ([drawn[0], drawn[0]], turned + move)]
    each = [prepare([time], frame).painted(frame) for time in times]
    np.testing.assert_allclose(prepare(times, frame).painted(frame), np.mean(each, axis=0), atol=tolerance)
    assert 0.01 < np.mean(each) < 0.9
