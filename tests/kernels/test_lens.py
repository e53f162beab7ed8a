"""The thin lens against published depth-of-field figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.kernels.lens import axial_depth, circle_of_confusion, edge_depth, spread_radius


@pytest.mark.parametrize(
    ("focal", "limits"),
    [
        (28, [1.80512]),
        (35, [2.25122, 17.9225]),
        (50, [2.90023, 6.4433]),
        (85, [3.53967, 4.59796]),
    ],
)
def test_published_limits_of_sharpness(focal, limits):
    # Depth-of-field table at eumat.sourceforge.net/reference/dof.html: focus 4 m, f/8, circle .03 mm.
    assert circle_of_confusion(limits, 4, focal, 8) == pytest.approx(0.03, rel=1e-4)


def test_a_wide_lens_is_sharp_to_infinity_in_that_table():
    assert circle_of_confusion(math.inf, 4, 28, 8) < 0.03


def test_hyperfocal_distance():
    # calculators9.com: 50 mm, f/8, circle .03 mm has its hyperfocal distance at 10 467 mm.
    assert circle_of_confusion(math.inf, 10.467, 50, 8) == pytest.approx(0.03, rel=1e-4)


def test_a_portrait_lens_worked_in_pixels():
    # Question on Computer Graphics Stack Exchange: 85 mm f/1.4, focus 3 m, subject 5 m, gate 36 mm, 1920 px.
    assert circle_of_confusion(5, 3, 85, 1.4) == pytest.approx(0.70816, abs=5e-6)
    assert 2 * spread_radius(5, 3, 85, 1.4, 36, 1920) == pytest.approx(37.77, abs=5e-3)


def test_nearer_than_the_focus_is_negative_and_order_follows_distance():
    spread = spread_radius([0.5, 1, 2, 3, 5, 50, math.inf], 3, 85, 1.4, 36, 1920)
    assert np.all(np.diff(spread) > 0)
    assert spread[3] == 0


@pytest.mark.parametrize("nothing", [0.0, -1.0, math.nan, math.inf, -math.inf])
def test_nothing_counts_as_infinitely_far(nothing):
    far = spread_radius(1e12, 3, 85, 1.4, 36, 1920)
    assert spread_radius(nothing, 3, 85, 1.4, 36, 1920) == pytest.approx(far)


def test_focus_at_infinity():
    assert circle_of_confusion(math.inf, math.inf, 50, 2) == 0
    assert circle_of_confusion(10, math.inf, 50, 2) == pytest.approx(50 * 50 / 2 / 10_000)


@pytest.mark.parametrize("numbers", [(0.05, 50, 2), (3, 0, 2), (3, 50, 0), (3, 50, -1), (math.nan, 50, 2)])
def test_impossible_lenses_raise_value_errors(numbers):
    with pytest.raises(ValueError, match=r"focus|above 0"):
        circle_of_confusion(1, *numbers)


def test_distance_along_a_ray_by_hand():
    # 36 mm over 4 px, 18 mm lens: the outer pixels' centres lie 13.5 mm off the axis, 36.87° = 3-4-5.
    depth = np.full((1, 4), 5, np.float32)
    axial = axial_depth(depth, Window(0, 0, 4, 1), Window(0, 0, 4, 1), 18, 36)
    assert axial[0] == pytest.approx([4, 5 * 18 / np.hypot(18, 4.5), 5 * 18 / np.hypot(18, 4.5), 4])
    # A part of the frame has its own place in it.
    assert axial_depth(depth[:, :1], Window(3, 0, 4, 1), Window(0, 0, 4, 1), 18, 36) == pytest.approx(4)


def test_a_partly_covered_pixel_gets_the_nearest_depth_beside_it():
    depth = np.array([[0, 0, 2, 2], [0, 0, 3, 2], [0, 0, 0, 0], [0, 0, 0, np.inf]], np.float32)
    alpha = np.array([[0, 0.3, 1, 1], [0, 0.2, 1, 1], [0, 0, 0.1, 0], [0.5, 0, 0, 0]], np.float32)
    wanted = [[0, 2, 2, 2], [0, 2, 3, 2], [0, 0, 2, 0], [0, 0, 0, 0]]
    assert np.array_equal(edge_depth(depth, alpha), np.array(wanted, np.float32))
