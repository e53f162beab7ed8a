"""The CG's black against the plate's: known veils, measure's own level, and pictures without black."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from inspection.made_pairs import laid_over, made, veil_of
from inspection.made_pictures import coloured

from stackcomp import Window
from stackcomp.inspection.black import CHECK, BlackLimits, code_value, find
from stackcomp.measure.black import darkest_region

LIMITS = BlackLimits()


def found(pair, limits=LIMITS):
    return list(find(*pair.pictures, limits))


def scene(veil=0.004, own=0.0, size=(240, 160), noise=3e-4, bright=0.2, dark=True, cg_dark=True):
    """A plate with two dark doors, and a box with a dark half in front of it."""
    rng = np.random.default_rng(7)
    plate = np.full((size[1], size[0], 3), bright)
    if dark:
        plate[20:60, 20:70] = 0
        plate[100:140, 180:230] = 0
    plate += veil
    box = np.zeros((size[1], size[0], 4))
    box[50:110, 90:150, :3] = 0.3
    box[50:110, 90:150, 3] = 1
    if cg_dark:
        box[50:110, 120:150, :3] = 0
    box[..., :3] += own * box[..., 3:]
    plate += rng.standard_normal(plate.shape) * noise
    box[..., :3] += rng.standard_normal(plate.shape) * noise * box[..., 3:]
    return laid_over(coloured(box.astype(np.float32)), coloured(plate.astype(np.float32)))


def test_code_values_are_those_of_srgb():
    """colour-science's sRGB (IEC 61966-2-1), and figures that were computed with it."""
    colour = pytest.importorskip("colour")
    for light in (0.0, 0.001, 0.0031308, 0.004, 0.02, 0.18, 1.0):
        assert code_value(light) == pytest.approx(255 * float(colour.models.eotf_inverse_sRGB(light)), abs=2e-3)
    assert code_value(0.18) == pytest.approx(255 * 0.461356, abs=1e-3)


def test_a_black_that_was_not_lifted():
    pair = scene()
    (one,) = found(pair)
    assert (one.sort, one.level, one.unit) == ("darker", "doubt", "code values")
    # The linear part of sRGB: 12.92 x.
    assert one.value == pytest.approx(-(code_value(0.004) - code_value(0)), abs=0.4)
    assert one.place is not None
    assert one.place in Window(116, 46, 154, 114)
    plate, _ = darkest_region(pair.backdrop)
    assert f"{sum(plate.black) / 3:.5f}" in one.message
    assert "match_black" in one.cure


def test_a_lift_says_stops_and_scene_linear_light():
    (one,) = found(scene(veil=0.008, own=0.002))
    assert "-2.0 stops" in one.message
    assert "+0.006" in one.cure


def test_a_black_that_was_lifted_too_far():
    (one,) = found(scene(own=0.012))
    assert one.sort == "brighter"
    assert one.value == pytest.approx(code_value(0.012) - code_value(0.004), abs=0.4)
    assert "+1.6 stops" in one.message


@pytest.mark.parametrize("own", [0.003, 0.004, 0.005])
def test_equal_blacks_are_clean(own):
    assert found(scene(own=own)) == []


def test_limits():
    assert found(scene(own=0.0), LIMITS.changed(codes=20)) == []
    assert found(scene(own=0.0), LIMITS.changed(parts=3)) == []
    assert found(scene(own=0.003), LIMITS.changed(codes=1, stops=0.2)) != []


def test_pictures_without_black_say_nothing():
    assert found(scene(dark=False)) == []
    assert found(scene(cg_dark=False)) == []
    assert found(scene(bright=0.02)) == []  # A plate that is dark all over: its black may be an object.
    assert found(scene(cg_dark=False, own=0.05)) == []


def test_a_dark_coloured_object_is_no_black():
    pair = scene(own=0.001)
    tinted = pair.backdrop.with_planes({"R": pair.backdrop["R"] * 3})
    assert found(replace(pair, backdrop=tinted)) == []


def test_a_glow_lifts_black_rightly():
    pair = scene(own=0.004)
    pixels = pair.source.to_array()
    pixels[..., :3] += 0.02
    assert found(laid_over(coloured(pixels), pair.backdrop)) == []


def test_grain_does_not_make_black():
    assert found(scene(own=0.004, noise=0.004)) == []


@pytest.mark.slow
def test_a_large_picture_gives_the_same():
    small = found(scene())[0]
    large = scene()
    images = [
        coloured(np.kron(image.to_array(), np.ones((8, 8, 1), np.float32)))
        for image in (large.source, large.backdrop)
    ]
    (one,) = find(*images, None, LIMITS)
    assert one.value == pytest.approx(small.value, abs=1.0)
    assert one.place.width == pytest.approx(8 * small.place.width, abs=16)


def test_the_place_is_in_pixels_of_the_frame():
    pair = scene()
    part = pair.source.over(Window(80, 40, 160, 120))
    (one,) = find(part, pair.backdrop, None, LIMITS)
    assert one.place in Window(116, 46, 154, 114)


def test_the_plate_is_all_of_the_backdrop():
    """The dark doors lie outside the CG's window."""
    pair = scene()
    part = pair.source.over(Window(88, 48, 152, 112))
    assert [one.sort for one in find(part, pair.backdrop, None, LIMITS)] == ["darker"]


def test_nothing_to_look_at():
    pair = scene()
    away = replace(pair.source, window=pair.source.window.shift(5000, 0))
    bare = pair.source.with_planes(A=np.zeros(pair.source.window.shape))
    opaque = coloured(pair.source.to_array()[..., :3])
    for source in (away, bare, opaque):
        assert list(find(source, pair.backdrop, None, LIMITS)) == []
    for value in (0.0, 0.5, np.nan):
        full = coloured(np.full((1, 1, 4), value))
        assert list(find(full, coloured(np.full((1, 1, 3), value)), None, LIMITS)) == []
        full = coloured(np.full((64, 64, 4), value))
        assert list(find(full, coloured(np.full((64, 64, 3), value)), None, LIMITS)) == []


def test_values_that_are_no_light():
    clean, dark = scene(own=0.004), scene()
    rng = np.random.default_rng(3)
    for value in (np.nan, np.inf, -np.inf, -5.0, 1e30):
        at = rng.integers(0, 160, 30), rng.integers(0, 240, 30)
        for pair, sorts in ((clean, []), (dark, ["darker"])):
            planes = {}
            for image in (pair.source, pair.backdrop):
                plane = image["G"].copy()
                plane[at] = value
                planes[id(image)] = image.with_planes(G=plane)
            spoiled = [planes[id(image)] for image in (pair.source, pair.backdrop)]
            with np.errstate(all="ignore"):
                assert [one.sort for one in find(*spoiled, None, LIMITS)] == sorts, value


@pytest.mark.slow
def test_a_made_plate_has_its_veil():
    """darkest_region of measure gives the level that was planted."""
    for seed in (3, 11, 19):
        pair = made(seed, sort="deep", plain=True)
        level, _ = darkest_region(pair.backdrop)
        assert np.mean(level.black) == pytest.approx(veil_of(seed), rel=0.12, abs=2e-4)
        assert found(pair) == []


def test_the_check_is_listed():
    from stackcomp.inspection.checks import all_checks
    from stackcomp.inspection.thresholds import Thresholds

    assert CHECK in all_checks()
    assert Thresholds().black == LIMITS
