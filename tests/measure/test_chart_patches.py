"""Patches found through perspective, what spoils them, and charts given in another order of corners."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from painted_chart import CORNERS, grainy, measured, paint
from slow_cases import few_fast

from stackcomp import Image
from stackcomp.measure.area import AreaError
from stackcomp.measure.chart_data import NAMES, published
from stackcomp.measure.chart_match import Chart, match_chart
from stackcomp.measure.chart_order import check_order, likeness
from stackcomp.measure.chart_patches import measure_chart, parse_corners, refuse_spoiled

PATCHES = published()


def test_a_chart_seen_in_perspective():
    found = measure_chart(Image.from_array(paint(PATCHES)), CORNERS)
    np.testing.assert_allclose(found.values, PATCHES, rtol=1e-6)
    assert found.pixels.min() > 60
    assert found.usable.all()
    assert not found.errors.any()


wobble = st.floats(-14, 14)


@settings(max_examples=25)
@given(st.tuples(*[st.tuples(wobble, wobble)] * 4))
def test_any_four_corners_that_opencv_paints(moved):
    corners = tuple(
        (x + dx, y + dy)
        for (x, y), (dx, dy) in zip(((30, 30), (162, 30), (162, 98), (30, 98)), moved, strict=True)
    )
    found = measure_chart(Image.from_array(paint(PATCHES, corners)), corners)
    np.testing.assert_allclose(found.values, PATCHES, rtol=1e-6)


def test_only_the_middle_half_of_a_patch_counts():
    # Painted only in the middle half of each side, all else is far brighter.
    y, x = np.mgrid[0:160, 0:240] + 0.5
    inside = (np.abs((x / 40) % 1 - 0.5) < 0.25) & (np.abs((y / 40) % 1 - 0.5) < 0.25)
    picture = np.where(inside[..., None], 0.5, 9.0) * np.ones(3)
    found = measure_chart(Image.from_array(picture), ((0, 0), (240, 0), (240, 160), (0, 160)))
    assert (found.pixels == 400).all()
    np.testing.assert_array_equal(found.values, 0.5)


@pytest.mark.slow
def test_standard_errors_tell_the_scatter_of_medians():
    medians, stated = [], []
    for seed in range(60):
        found = measure_chart(Image.from_array(grainy(paint(PATCHES), 0.02, seed)), CORNERS)
        medians.append(found.values)
        stated.append(found.errors)
    ratio = np.mean(stated, axis=0) / np.std(medians, axis=0)
    assert np.median(ratio) == pytest.approx(1, abs=0.06)


def test_black_is_taken_off():
    black = np.array([0.002, 0.003, 0.004])
    found = measure_chart(Image.from_array(paint(PATCHES) + black), CORNERS, black=black)
    np.testing.assert_allclose(found.values, PATCHES, rtol=2e-6)


def test_a_picture_with_an_origin():
    picture = paint(PATCHES)
    image = Image.from_array(picture[8:, 16:], origin=(16, 8))
    np.testing.assert_allclose(measure_chart(image, CORNERS).values, PATCHES, rtol=1e-6)


def test_clipped_not_finite_and_dark_patches_are_told():
    patches = PATCHES.copy()
    patches[18], patches[23] = 65504, 0
    picture = paint(patches)
    clipped = picture[..., 0] == 65504
    whole = Image.from_array(picture).window
    picture[picture[..., 0] == PATCHES[2, 0]] = np.nan
    found = measure_chart(
        Image.from_array(picture),
        CORNERS,
        clipped=lambda area: clipped[area.bounds.slices_in(whole)][area.mask(area.bounds)],
    )
    assert [NAMES[k] for k in np.flatnonzero(~found.usable)] == ["blue sky", "white 9.5", "black 2"]
    assert found.clipped[18] == found.pixels[18]
    assert found.not_finite[2] == found.pixels[2]
    assert found.dark.nonzero()[0].tolist() == [23]
    assert found.as_dict()["patches"][2]["median"] == [None] * 3


def test_a_few_bad_pixels_do_not_matter():
    picture = paint(PATCHES)
    picture[::7, ::7] = np.nan
    found = measure_chart(Image.from_array(picture), CORNERS)
    np.testing.assert_allclose(found.values, PATCHES, rtol=1e-6)
    assert found.usable.all()


def test_half_of_the_chart_must_be_usable():
    patches = PATCHES.copy()
    patches[:13] = 0
    found = measure_chart(Image.from_array(paint(patches)), CORNERS)
    with pytest.raises(AreaError, match=r"of the 24 patches of the plate 13 are without light; 12 at least"):
        refuse_spoiled(found, "the plate")


ORDERS = {
    "turned by a quarter": (1, 2, 3, 0),
    "upside down": (2, 3, 0, 1),
    "turned by three quarters": (3, 0, 1, 2),
    "mirrored": (1, 0, 3, 2),
    "upside down and mirrored": (3, 2, 1, 0),
    "along the diagonal": (0, 3, 2, 1),
}


@pytest.mark.parametrize("order", few_fast(ORDERS.values(), 2), ids=ORDERS)
def test_corners_in_another_order(order):
    given_corners = [CORNERS[k] for k in order]
    with pytest.raises(AreaError) as caught:
        match_chart(Chart(measured(grainy(paint(PATCHES))), given_corners))
    message = str(caught.value)
    names = ("top left", "top right", "bottom right", "bottom left")
    assert f"was given as the {names[order.index(0)]} one" in message
    # The way out is the right order of the corners, ready to be copied.
    assert "give the corners as 24,18;170,12;176,112;20,104" in message
    assert ("mirrored" in message) == (order[(order.index(0) + 1) % 4] != 1)


def test_a_picture_that_is_upside_down():
    picture = paint(PATCHES)[::-1, ::-1].copy()
    height, width, _ = picture.shape
    corners = [(width - x, height - y) for x, y in CORNERS]
    upright = [corners[k] for k in (2, 3, 0, 1)]
    with pytest.raises(AreaError, match="the chart of the other picture is turned"):
        match_chart(Chart(measured(picture), upright))
    match_chart(Chart(measured(picture), corners))


def test_a_strong_cast_does_not_make_a_chart_look_turned():
    for cast in ((8, 1, 0.1), (0.05, 1, 6), (20, 20, 20), (0.01, 0.02, 0.005)):
        image = Image.from_array(paint(PATCHES * cast))
        found = measure_chart(image, CORNERS)
        assert likeness(found) > 0.95
        check_order(image, found, "the plate")


def test_what_is_no_chart():
    noise = np.random.default_rng(3).uniform(0.1, 0.9, (24, 3))
    for picture in (paint(noise), np.full((128, 192, 3), 0.4)):
        with pytest.raises(AreaError, match="does not look like the 24-patch chart"):
            match_chart(Chart(measured(picture), CORNERS))


def test_what_is_a_little_like_a_chart():
    scatter = np.exp(np.random.default_rng(8).normal(0, 1.0, (24, 3)))
    picture = paint(PATCHES * scatter)
    found = likeness(measure_chart(Image.from_array(picture), CORNERS))
    others = [
        likeness(measure_chart(Image.from_array(picture), [CORNERS[k] for k in order]))
        for order in ORDERS.values()
    ]
    assert max(others) < 0.5 < found < 0.75
    with pytest.raises(AreaError, match="does not look like the 24-patch chart"):
        match_chart(Chart(measured(picture), CORNERS))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1,1;9,1;9,9", "3 points are not the corners"),
        ("1,1;9,1;9,9;1,9;0,5", "5 points are not the corners"),
        ("1,1;9,9;9,1;1,9", "sides cross"),
        ("1,1;5,1;9,1;1,9", "three corners are on one line"),
        ("1,1;1,1;1,1;1,1", "three corners are on one line"),
        ("a,b;c,d", "is not a polygon"),
        ("1,1;9,1;9,nan;1,9", "is not a polygon"),
    ],
)
def test_corners_that_are_not_those_of_a_chart(text, message):
    with pytest.raises(AreaError, match=message):
        parse_corners(text)


def test_charts_that_do_not_fit_the_picture():
    image = Image.from_array(paint(PATCHES))
    with pytest.raises(AreaError, match=r'patch "bluish green": .* leaves the picture'):
        measure_chart(image, ((24, 18), (230, 12), (230, 112), (20, 104)))
    with pytest.raises(AreaError, match=r'patch "dark skin": .* holds no pixel'):
        measure_chart(image, ((20.1, 20.1), (21.2, 20.1), (21.2, 21), (20.1, 21)))


def test_the_grid_is_opencvs():
    target = np.array([[0, 0], [6, 0], [6, 4], [0, 4]], np.float32)
    theirs = cv2.getPerspectiveTransform(target, np.array(CORNERS, np.float32))
    from stackcomp.measure.chart_patches import _grid

    np.testing.assert_allclose(_grid(CORNERS), theirs, rtol=1e-6, atol=1e-9)
