"""The black of a plate: planted under grain, in parts of a picture, and in the demo with its known lift."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import Image, Window
from stackcomp.measure.area import AreaError, parse_polygon, parse_rectangle
from stackcomp.measure.black import BlackError, black_of_areas, darkest_covered, darkest_region
from stackcomp.measure.picture import open_measured, open_picture

DEMO = Path(__file__).parents[2] / "demo_shot"
BLACK = np.array([0.0042, 0.0031, 0.0065])
#: Where no light is, in x0, y0, x1, y1.
HOLE = (60, 50, 110, 90)


def bench(seed: int, grain: float = 1.0, black=BLACK, hole=HOLE, size=(120, 160)) -> np.ndarray:
    """A picture brighter to the left with an unlit hole, under a veil and grain that grows with the light."""
    light = np.tile(np.linspace(0.3, 0.02, size[1])[None, :, None], (size[0], 1, 3)) * [1.1, 1.0, 0.8]
    light[hole[1] : hole[3], hole[0] : hole[2]] = 0
    pixels = light + black
    # The shape of the demo's grain: a floor, and a variance that grows with the level.
    deviation = grain * np.sqrt(3e-7 + 2.43e-5 * pixels) * [1, 0.9, 1.2]
    return pixels + np.random.default_rng(seed).normal(0, 1, pixels.shape) * deviation


def off(level, black=BLACK):
    return np.abs(np.array(level.black) - black)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.floats(0, 0.02), st.floats(0.3, 2))
def test_planted_black_under_grain_is_found(seed, black, grain):
    planted = np.array([black, black * 0.7, black * 1.3])
    found, where = darkest_region(Image.from_array(bench(seed, grain, planted)))
    # Five standard errors: of thousands of draws of normal grain none lies beyond. The error grows with the grain.
    assert (off(found, planted) < 5 * np.array(found.standard_error)).all()
    assert (off(found, planted) < 2e-4 * max(1, grain)).all()
    x, y, width, height = found.parts[0].bounds
    assert Window(x, y, x + width, y + height) in Window(58, 48, 112, 92)
    # Of the hole's 2000 pixels, 939 to 1700 in 1250 draws, half of them 1487 or more.
    assert found.pixels + found.specks == where.sum() > 600
    assert found.found == "darkest region"


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6))
def test_planted_black_in_named_areas_is_found(seed):
    picture = Image.from_array(bench(seed), origin=(-7, 3), display=Window.of_size(150, 120))
    areas = [parse_rectangle("58,58,20,25"), parse_polygon("80,58;100,60;90,90")]
    found = black_of_areas(picture, areas)
    assert (off(found) < 4 * np.array(found.standard_error)).all()
    assert (off(found) < 2e-4).all()
    assert found.found == "areas"
    assert [part.area for part in found.parts] == ["58,58,20,25", "80,58;100,60;90,90"]
    assert found.parts[0].bounds == (58, 58, 20, 25)
    assert not found.doubts


def test_the_standard_error_is_what_repetition_shows():
    # 80 pictures with the same veil: the spread of what is found is the error that each of them says.
    every = [black_of_areas(Image.from_array(bench(k)), [parse_rectangle("62,52,40,30")]) for k in range(80)]
    spread = np.std([found.black for found in every], axis=0)
    stated = np.mean([found.standard_error for found in every], axis=0)
    np.testing.assert_allclose(spread, stated, rtol=0.35)
    np.testing.assert_allclose(
        every[0].standard_deviation, np.sqrt(3e-7 + 2.43e-5 * BLACK) * [1, 0.9, 1.2], rtol=0.1
    )


@pytest.mark.slow
def test_grain_that_neighbours_share_makes_the_error_larger():
    from scipy import ndimage

    shape = (120, 160, 3)
    errors, stated = [], []
    for k in range(60):
        grain = ndimage.gaussian_filter(np.random.default_rng(k).normal(0, 0.01, shape), (1.5, 1.5, 0))
        found = black_of_areas(Image.from_array(BLACK + grain), [parse_rectangle("20,20,100,80")])
        errors.append(off(found))
        stated.append(found.standard_error)
    root_mean_square = np.sqrt(np.mean(np.square(errors), axis=0))
    # Pixels taken as independent would say less than half of it.
    naive = np.array(found.standard_deviation) / np.sqrt(found.pixels)
    assert (naive < 0.5 * root_mean_square).all()
    np.testing.assert_allclose(np.mean(stated, axis=0), root_mean_square, rtol=0.4)


def test_specks_and_broken_pixels_do_not_count():
    pixels = bench(3)
    clean = darkest_region(Image.from_array(pixels))[0]
    pixels[60, 70] = 40
    pixels[70, 80:82] = np.nan
    pixels[75, 75, 1] = np.inf
    found = darkest_region(Image.from_array(pixels))[0]
    assert found.specks >= 1
    np.testing.assert_allclose(found.black, clean.black, atol=2e-5)
    named = black_of_areas(Image.from_array(pixels), [parse_rectangle("62,52,40,30")])
    assert named.specks == 4
    assert (off(named) < 2e-4).all()


def test_single_dark_pixels_are_no_region():
    pixels = bench(4)
    pixels[20:110:9, 5:150:9] = 0  # darker than the hole, but only grain by its size
    found, _ = darkest_region(Image.from_array(pixels))
    assert (off(found) < 2e-4).all()


def test_of_two_dark_regions_the_larger_counts():
    pixels = bench(5)
    pixels[5:15, 140:150] = pixels[52:62, 62:72]
    _, where = darkest_region(Image.from_array(pixels))
    assert not where[:20, 130:].any()


def test_doubtful_levels_have_doubts():
    flat = bench(6)
    flat[:10] = 0.001
    assert "border" in darkest_region(Image.from_array(flat))[0].doubts[0]
    cut = np.maximum(bench(7), BLACK)
    assert "cut off" in darkest_region(Image.from_array(cut))[0].doubts[0]
    bright = black_of_areas(Image.from_array(bench(8)), [parse_rectangle("5,5,20,20")])
    assert "bright for a black" in bright.doubts[0]
    below = black_of_areas(Image.from_array(bench(9) - 0.01), [parse_rectangle("62,52,40,30")])
    assert "below 0" in below.doubts[0]
    two = [parse_rectangle("62,52,40,30"), parse_rectangle("140,5,15,15")]
    apart = black_of_areas(Image.from_array(bench(10)), two)
    assert any("62,52,40,30 is the darkest" in warning for warning in apart.doubts)


def test_what_cannot_be_measured():
    with pytest.raises(AreaError, match="leaves the picture"):
        black_of_areas(Image.from_array(bench(1)), [parse_rectangle("150,100,40,40")])
    with pytest.raises(BlackError, match="one level"):
        darkest_region(Image.from_array(np.full((40, 40, 3), 0.1)))
    with pytest.raises(BlackError, match="too small"):
        darkest_region(Image.from_array(np.zeros((8, 8, 3))))
    with pytest.raises(BlackError, match="no pixel of the plate is finite"):
        darkest_region(Image.from_array(np.full((40, 40, 3), np.nan)))
    with pytest.raises(BlackError, match=r"no pixel of the area 1,1,3,3 is finite"):
        black_of_areas(Image.from_array(np.full((9, 9, 3), np.nan)), [parse_rectangle("1,1,3,3")])


@pytest.mark.parametrize("premultiplied", [True, False])
def test_the_darkest_of_the_covered_pixels(premultiplied):
    rng = np.random.default_rng(1)
    straight = rng.uniform(0.1, 1, (40, 50, 3))
    alpha = np.where(rng.random((40, 50)) < 0.5, 0.995, 0.5).astype(np.float32)
    straight[alpha < 0.9] = 0.001  # edges are dark, but not of the CG alone
    pixels = straight * alpha[..., None] if premultiplied else straight
    image = Image.from_array(pixels)
    found = darkest_covered(image, alpha, premultiplied=premultiplied, percentile=2)
    expected = np.percentile(straight[alpha > 0.99], 2, axis=0)
    np.testing.assert_allclose(found.darkest, expected, rtol=1e-5)
    assert found.pixels == (alpha > 0.99).sum()
    inside = darkest_covered(image, alpha, premultiplied=premultiplied, area=parse_rectangle("10,5,20,20"))
    assert inside.pixels == (alpha[5:25, 10:30] > 0.99).sum()
    assert darkest_covered(image, None).pixels == 2000
    with pytest.raises(BlackError, match="no covered pixel"):
        darkest_covered(image, alpha * 0)


def test_coverage_of_a_file():
    cg = DEMO / "wide" / "cg.{frame:04d}.exr"
    opened = open_measured(cg, frame=1003, coverage=True)
    assert opened.premultiplied
    assert opened.coverage.max() == 1
    assert opened.coverage.shape == opened.light.window.shape
    emission = open_measured(cg, frame=1003, layer="emission", coverage=True)
    np.testing.assert_array_equal(emission.coverage, opened.coverage)
    assert open_measured(cg, frame=1003).coverage is None
    clean = open_measured(DEMO / "wide" / "clean.exr", encoding="ACEScct", coverage=True)
    assert (clean.coverage, clean.premultiplied) == (None, False)


def test_the_demo_at_dusk():
    """The demo's camera adds ``black_lift``; its darkest shadow at dusk sends hardly more light than that."""
    lift = json.loads((DEMO / "lamp" / "shot.json").read_text())["black_lift"]
    plate = open_picture(DEMO / "lamp" / "plate.{frame:04d}.exr", frame=1003, encoding="ACEScct")
    found, _ = darkest_region(plate)
    # A path-traced shadow is not without light: what is measured is the lift or more, and never less.
    assert (np.array(found.black) > lift - 4 * np.array(found.standard_error)).all()
    assert (np.array(found.black) < lift + 0.002).all()
    assert not found.doubts
