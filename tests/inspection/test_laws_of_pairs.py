"""What must not change what is found about CG against plate: where it lies, how it is turned and cropped."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from inspection.made_pairs import made
from inspection.made_pictures import coloured
from inspection.planted_pairs import WHOLE, edge_fault
from slow_cases import few_fast

from stackcomp import Image, Window
from stackcomp.inspection.pair import shared
from stackcomp.inspection.runner import look_at_pair
from stackcomp.inspection.setting import Setting, chosen_checks

SETTING = Setting(chosen_checks(["fringe", "black", "grain", "sharpness"]))
FAULTS = {
    "clean": lambda: made(41, plain=True),
    "straight": lambda: edge_fault(made(41, plain=True), "straight", 41),
    "held out": lambda: edge_fault(made(40, plain=True), "held out", 40),
    "black": lambda: WHOLE["black"]["lifted twice and more"](41),
    "grain": lambda: next(iter(WHOLE["grain"].values()))(41),
    "sharpness": lambda: next(iter(WHOLE["sharpness"].values()))(41),
}


def with_planes(image, change, window, display):
    planes = {name: np.ascontiguousarray(change(plane)) for name, plane in image.planes.items()}
    return Image(planes, window, display, image.type)


def mirrored(image):
    return with_planes(image, np.fliplr, image.window, image.display)


def turned(image):
    size = Window.of_size(*image.display.shape)
    return with_planes(image, np.transpose, size, size)


def moved(image):
    window, display = image.window.shift(-37, 1003), image.display.shift(-37, 1003)
    return Image(image.planes, window, display, image.type)


def doubled(image):
    planes = {name: plane if name == "A" else 2 * plane for name, plane in image.planes.items()}
    return Image(planes, image.window, image.display, image.type)


def padded(image):
    return with_planes(image, lambda plane: np.pad(plane, 13), image.window.grow(13), image.display)


def cropped(image):
    """The element without the empty pixels around it, as renderers write it."""
    something = np.any([plane != 0 for plane in image.planes.values()], axis=0)
    rows, columns = (np.flatnonzero(something.any(axis=axis)) for axis in (1, 0))
    window = Window(int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)
    return with_planes(image, lambda plane: plane[window.slices_in(image.window)], window, image.display)


@cache
def pictures(fault):
    return FAULTS[fault]().pictures


def found(source, backdrop, comp):
    return {(one.check, one.sort): one for one in look_at_pair(source, backdrop, comp, "made", None, SETTING)}


@pytest.mark.parametrize("fault", few_fast(FAULTS, 3))
def test_place_and_direction_change_nothing(fault):
    expected = found(*pictures(fault))
    assert bool(expected) == (fault != "clean")
    for law in (mirrored, turned, moved):
        assert found(*map(law, pictures(fault))).keys() == expected.keys(), law.__name__
    after = found(*map(moved, pictures(fault)))
    for key, one in expected.items():
        assert after[key].place == one.place.shift(-37, 1003)
        assert after[key].value == pytest.approx(one.value, rel=1e-5)


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault != "black"])
def test_twice_the_light_changes_no_ratio(fault):
    expected, after = found(*pictures(fault)), found(*map(doubled, pictures(fault)))
    assert after.keys() == expected.keys()
    for key, one in expected.items():
        assert after[key].value == pytest.approx(one.value, rel=1e-3)


@pytest.mark.parametrize("fault", few_fast(FAULTS, 3))
@pytest.mark.parametrize("law", [padded, cropped])
def test_the_window_of_the_element_changes_nothing(fault, law):
    source, backdrop, comp = pictures(fault)
    assert found(law(source), backdrop, comp).keys() == found(source, backdrop, comp).keys()


def test_a_window_that_cuts_through_the_element_gets_no_edge():
    source, backdrop, _ = pictures("clean")
    whole = cropped(source)
    alpha = np.ones(whole.window.shape, np.float32)
    full = Image({**whole.planes, "A": alpha}, whole.window, whole.display, whole.type)
    assert shared(full, backdrop).window == whole.window
    alpha = alpha.copy()
    alpha[0] = 0.2
    soft = Image({**whole.planes, "A": alpha}, whole.window, whole.display, whole.type)
    above = Window(whole.window.x0, whole.window.y0 - 16, whole.window.x1, whole.window.y1) & whole.display
    assert shared(soft, backdrop).window == above


@pytest.mark.parametrize("size", [1, 2, 7, 8, 9, 25, 26, 64])
@pytest.mark.parametrize("value", [0.0, 0.5, np.nan])
def test_flat_pictures_say_nothing(size, value):
    """Of all sizes around those that checks divide pictures by."""
    source, backdrop = (coloured(np.full((size, size, planes), value)) for planes in (4, 3))
    assert found(source, backdrop, None) == {}
