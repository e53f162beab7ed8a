"""Outlines that leave nothing of a patch: against inradii from geometry, and against what is rendered."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from one_node import render_node

from stackcomp import Image, Window
from stackcomp.nodes.outline import _widest, outline_findings

FRAME = Window.of_size(60, 40)
CORNER = st.tuples(st.floats(-1000, 1000), st.floats(-1000, 1000))


@settings(max_examples=25, deadline=None)
@given(CORNER, CORNER, CORNER)
def test_the_widest_circle_in_a_triangle(a, b, c):
    """Its radius is twice the area over the perimeter (Euclid, Elements IV.4)."""
    corners = np.array([a, b, c])
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    (ax, ay), (bx, by) = corners[1] - corners[0], corners[2] - corners[0]
    area = abs(ax * by - ay * bx) / 2
    assume(area > 0.05 * sides.max() ** 2)
    assert _widest(corners) == pytest.approx(2 * area / sides.sum(), rel=2e-3)


@pytest.mark.parametrize(
    ("corners", "radius"),
    [
        ([[0, 0], [30, 0], [30, 10], [0, 10]], 5),
        # An L of two arms 8 wide: the circle that touches both outer sides and the inner corner.
        ([[0, 0], [40, 0], [40, 8], [8, 8], [8, 40], [0, 40]], 8 * np.sqrt(2) / (1 + np.sqrt(2))),
        ([[10 * np.cos(t), 10 * np.sin(t)] for t in np.linspace(0, 2 * np.pi, 60, endpoint=False)], 9.986),
        ([[0, 0], [5, 5], [10, 10]], 0),
        ([[3, 3]] * 4, 0),
    ],
)
def test_the_widest_circle_in_other_polygons(corners, radius):
    assert _widest(np.array(corners, float)) == pytest.approx(radius, rel=2e-3, abs=1e-9)


@pytest.mark.parametrize(("share", "shows"), [(0.8, True), (1.05, False)])
def test_it_says_nothing_is_left_where_nothing_is_rendered(share, shows):
    outline = [[10, 8], [40, 8], [40, 28], [10, 28]]
    feather = 2 * 10 * share
    found = list(outline_findings(outline, [(1, feather)], FRAME))
    black, white = (Image.from_array(np.full((*FRAME.shape, 3), value, np.float32)) for value in (0, 1))
    result = render_node(
        "clean_patch", {"p": black, "q": white}, backdrop="p", patch="q", outline=outline, feather=feather
    )
    assert bool(result.to_array().max() > 0) == shows
    assert bool(found) != shows


def test_the_frame_with_the_widest_feather_is_named():
    (problem,) = outline_findings(None, [(1, 2.0), (2, 90.0), (3, 50.0)], FRAME)
    assert problem.message.startswith("frame 2: ")
    assert not list(outline_findings(None, [(1, 2.0), (2, 30.0)], FRAME))
    assert not list(outline_findings([[-20, -20], [90, -20], [90, 90]], [(1, 0.0)], FRAME))
