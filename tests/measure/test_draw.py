"""Pictures of what was measured: where the lines of areas and regions lie."""

from __future__ import annotations

import numpy as np

from stackcomp import Image
from stackcomp.data.window import Window
from stackcomp.measure.area import parse_rectangle
from stackcomp.measure.draw import Region, draw_areas

LINE = (255, 214, 120)


def lines(picture):
    return (picture == LINE).all(axis=-1)


def image(width=960, height=540, **more):
    return Image.from_array(np.full((height, width, 3), 0.18, np.float32), **more)


def test_a_region_is_outlined_along_its_pixels_holes_included():
    mask = np.zeros((540, 960), bool)
    mask[100:300, 100:160] = True
    mask[240:300, 100:400] = True  # an L
    mask[260:280, 200:260] = False  # with a hole
    drawn = lines(draw_areas(image(), [(Region(mask, Window.of_size(960, 540)), "")]))
    assert not (drawn & mask).any()
    assert drawn[150, 98:100].all()
    assert drawn[150, 160:162].all()
    assert not drawn[150, 200:].any()  # the box of the L would go on to 400
    assert drawn[260:262, 210].all()
    assert not drawn[264:276, 210].any()


def test_a_region_lies_where_its_window_says():
    """A picture with overscan: the frame shows a part of the data window."""
    mask = np.zeros((40, 60), bool)
    mask[10:20, 30:50] = True
    shown = image(60, 40, origin=(-20, -10), display=Window.of_size(40, 30))
    drawn = lines(draw_areas(shown, [(Region(mask, Window.of_size(60, 40).shift(-20, -10)), "")]))
    factor = 960 // 40
    rows, columns = np.flatnonzero(drawn.any(axis=1)), np.flatnonzero(drawn.any(axis=0))
    assert (columns[0], columns[-1]) == (10 * factor - 2, 30 * factor + 1)
    assert rows[-1] == 10 * factor + 1
    outside = Region(np.ones((4, 4), bool), Window.of_size(4, 4).shift(500, 500))
    assert not lines(draw_areas(shown, [(outside, "")])).any()


def test_areas_are_outlined_as_polygons():
    drawn = lines(draw_areas(image(), [(parse_rectangle("100,100,200,50"), "")]))
    assert drawn[125, 99:101].any()
    assert drawn[125, 299:301].any()
    assert not drawn[125, 110:290].any()
