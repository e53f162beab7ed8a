"""Checks of one picture, on pictures whose answer is known by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from inspection.made_pictures import LINEAR, coloured, made_cg

from stackcomp import Colour, Depth, Encoding, Ids, Image, Layers, Matte, Window
from stackcomp.data.image import Held
from stackcomp.inspection import alpha_range, alpha_state, bare_light, negative, nonfinite
from stackcomp.inspection.places import bounds, largest_cluster

PLAIN = nonfinite.NonFiniteLimits()


def layers(window=None, metadata=None, **planes):
    shape = next(iter(planes.values())).shape
    window = window or Window.of_size(shape[1], shape[0])
    return Held(planes, window, window, Layers(tuple(planes)), metadata or {})


def ordinary(height=12, width=20, channels=4, value=0.5):
    return np.full((height, width, channels), value, np.float32)


# -- places ---------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 59), st.integers(0, 79)), min_size=1, max_size=30))
def test_bounds_hold_all_pixels_and_the_largest_cluster_some(points):
    mask = np.zeros((60, 80), bool)
    for y, x in points:
        mask[y, x] = True
    window = Window(-7, 100, 73, 160)
    whole = bounds(mask, window)
    ys, xs = np.nonzero(mask)
    assert whole == Window(-7 + xs.min(), 100 + ys.min(), -7 + xs.max() + 1, 100 + ys.max() + 1)
    part = largest_cluster(mask, window)
    assert part in whole
    assert mask[part.slices_in(window)].sum() * len(points) >= mask.sum()


def test_the_largest_of_two_clusters():
    mask = np.zeros((200, 200), bool)
    mask[10:13, 10:13] = True
    mask[150:190, 150:152] = True
    assert largest_cluster(mask, Window.of_size(200, 200)) == Window(150, 150, 152, 190)
    assert largest_cluster(mask & False, Window.of_size(200, 200)) is None


def test_a_cluster_whose_rectangle_others_reach_into():
    mask = np.zeros((200, 200), bool)
    mask[0:160, 0:16] = mask[144:160, 0:160] = True  # the shape of an L
    mask[10, 100] = True  # inside of its rectangle, but no part of it
    mask[0:160, 0:16] &= np.arange(160)[:, None] % 2 == 0
    mask[:16, :] &= np.arange(200) > 50  # the L begins below the lone pixel
    assert largest_cluster(mask, Window.of_size(200, 200)) == Window(0, 16, 160, 160)


# -- nonfinite ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.float32, np.float16])
def test_the_three_sorts_are_counted_separately(dtype):
    red, green = (np.zeros((30, 40), dtype) for _ in range(2))
    red[3, 4] = green[3, 4] = np.nan
    green[10:12, 20:23] = np.inf
    red[20, 1] = -np.inf
    found = {one.sort: one for one in nonfinite.find(layers(R=red, G=green), PLAIN)}
    assert {sort: one.value for sort, one in found.items()} == {"NaN": 1, "+inf": 6, "-inf": 1}
    assert found["NaN"].message == "1 pixel is NaN (1 in R, 1 in G)"
    assert found["+inf"].place == Window(20, 10, 23, 12)
    assert {one.level for one in found.values()} == {"fault"}


def test_the_place_counts_from_the_frame():
    red = np.zeros((4, 4), np.float32)
    red[1, 2] = np.nan
    (found,) = nonfinite.find(layers(Window(-10, 50, -6, 54), R=red), PLAIN)
    assert found.place == Window(-8, 51, -7, 52)


def test_ids_are_left_out_and_depth_may_be_infinite():
    odd = np.full((4, 4), np.nan, np.float32)
    far = np.full((4, 4), np.inf, np.float32)
    ids = {"crypto00.R": odd, "id.id0": odd, "rank": odd.view(np.uint32)}
    header = {"cryptomatte/1234567/name": "crypto"}
    assert list(nonfinite.find(layers(metadata=header, **ids, **{"depth.Z": far}), PLAIN)) == []
    window = Window.of_size(4, 4)
    assert list(nonfinite.find(Image({"Z": far}, window, window, Depth()), PLAIN)) == []
    (found,) = nonfinite.find(layers(**{"depth.Z": odd}), PLAIN)
    assert found.sort == "NaN"
    bits = Image({"id0": odd.view(np.uint32), "cover0": np.ones((4, 4), np.float32)}, window, window, Ids())
    assert list(nonfinite.find(bits, PLAIN)) == []


def test_many_channels_are_named_in_part_and_large_numbers_are_finite():
    planes = {f"L{k:02d}": np.full((4, 4), np.nan, np.float32) for k in range(40)}
    (found,) = nonfinite.find(layers(**planes), PLAIN)
    assert found.message == (
        "16 pixels are NaN (16 in L00, 16 in L01, 16 in L02, 16 in L03, 16 in L04, 16 in L05 and 34 more channels)"
    )
    assert list(nonfinite.find(layers(R=np.full((4, 4), 3e38, np.float32)), PLAIN)) == []
    assert list(nonfinite.find(layers(R=np.full((4, 4), 65504, np.float16)), PLAIN)) == []


def test_pixels_that_are_allowed():
    red = np.zeros((4, 4), np.float32)
    red[0, :3] = np.nan
    assert list(nonfinite.find(layers(R=red), nonfinite.NonFiniteLimits(pixels=3))) == []
    assert list(nonfinite.find(layers(R=red), nonfinite.NonFiniteLimits(pixels=2))) != []


# -- negative -------------------------------------------------------------------------------------------------

LIMITS = negative.NegativeLimits()


def test_grain_in_black_is_a_note():
    grain = np.random.default_rng(1).normal(0, 0.004, (200, 200, 3))
    (found,) = negative.find(coloured(grain), LIMITS)
    assert found.level == "note"
    assert found.value == pytest.approx(grain.min(), rel=1e-6)


def test_colours_of_a_wide_gamut_are_no_doubt():
    """ACES2065-1 to ACEScg and to linear Rec.709 by colour-science: the worst colours without negative values."""
    colour = pytest.importorskip("colour")
    axis = np.linspace(0, 1, 12)
    wide = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(144, 12, 3)
    for target in ("ACEScg", "sRGB"):
        matrix = colour.matrix_RGB_to_RGB(
            colour.RGB_COLOURSPACES["ACES2065-1"], colour.RGB_COLOURSPACES[target], "Bradford"
        )
        narrow = wide @ matrix.T
        assert narrow.min() < -0.2
        assert {found.level for found in negative.find(coloured(narrow), LIMITS)} == {"note"}


def test_a_patch_that_was_taken_away_is_a_doubt_and_single_pixels_are_not():
    pixels = ordinary(100, 100, 3)
    pixels[20:22, 30:32] = -0.2
    (found,) = negative.find(coloured(pixels), LIMITS)
    assert found.level == "note"  # 4 dead pixels
    pixels[20:26, 30:36] = -0.2
    (found,) = negative.find(coloured(pixels), LIMITS)
    assert (found.level, found.place) == ("doubt", Window(30, 20, 36, 26))
    assert found.value == pytest.approx(-0.2)
    assert list(negative.find(coloured(np.abs(pixels)), LIMITS)) == []


def test_log_codes_have_a_limit_of_their_own():
    acescct = Encoding("ACEScct", "log")
    pixels = ordinary(40, 40, 3, -0.05)
    (found,) = negative.find(coloured(pixels, encoding=acescct), LIMITS)
    assert found.level == "note"
    (found,) = negative.find(coloured(pixels - 0.1, encoding=acescct), LIMITS)
    assert found.level == "doubt"


def test_what_is_not_finite_is_not_negative():
    pixels = ordinary(20, 20, 3)
    pixels[:10] = -np.inf
    pixels[10:] = np.nan
    assert list(negative.find(coloured(pixels), LIMITS)) == []


def test_types_without_colour_and_empty_windows():
    empty = Image.from_array(np.zeros((0, 0, 4)), type=Colour("premultiplied", LINEAR))
    for module, limits in (
        (negative, LIMITS),
        (alpha_range, alpha_range.AlphaRangeLimits()),
        (alpha_state, alpha_state.AlphaStateLimits()),
        (bare_light, bare_light.BareLightLimits()),
        (nonfinite, PLAIN),
    ):
        assert list(module.find(empty, limits)) == []
        assert list(module.find(Image.from_array(np.ones((3, 3)), type=Depth()), limits)) == []


# -- alpha_range ----------------------------------------------------------------------------------------------

RANGE = alpha_range.AlphaRangeLimits()


@pytest.mark.parametrize(
    ("alpha", "level", "sort"),
    [
        (0.0, None, ""),
        (1.0, None, ""),
        (np.float32(np.nextafter(np.float16(1), np.float16(2))), "note", "above 1, rounding"),
        (1.02, "doubt", "above 1"),
        (1.4, "fault", "above 1"),
        (-0.001, "note", "below 0, rounding"),
        (-0.05, "doubt", "below 0"),
        (-3.0, "fault", "below 0"),
        (255.0, "fault", "above 1"),
    ],
)
def test_levels_of_alpha(alpha, level, sort):
    pixels = ordinary()
    pixels[2:4, 5:9, 3] = alpha
    found = list(alpha_range.find(coloured(pixels), RANGE))
    assert [(one.level, one.sort) for one in found] == ([] if level is None else [(level, sort)])
    if level in ("doubt", "fault"):
        assert found[0].place == Window(5, 2, 9, 4)
        assert found[0].value == pytest.approx(alpha)


def test_both_sides_of_a_matte_and_what_is_not_finite():
    plane = np.full((10, 10), 0.5, np.float32)
    plane[0, 0], plane[9, 9], plane[5, 5], plane[5, 6] = -0.5, 1.5, np.inf, np.nan
    found = list(alpha_range.find(Image.from_array(plane, type=Matte()), RANGE))
    assert {one.sort: one.value for one in found} == {"below 0": -0.5, "above 1": 1.5}
    assert all(one.message.startswith("matte") and "1 pixels" in one.message for one in found)


# -- bare_light -----------------------------------------------------------------------------------------------


def test_light_under_alpha_0_is_counted_and_allowed():
    pixels = ordinary(20, 20)
    pixels[5:8, 4:6] = [0.3, 0.2, 0.1, 0]
    pixels[0, 0] = [1e-6, 0, 0, 0]
    (found,) = bare_light.find(coloured(pixels), bare_light.BareLightLimits())
    assert (found.level, found.value, found.place) == ("note", 6, Window(4, 5, 6, 8))
    assert list(bare_light.find(coloured(pixels[..., :3]), bare_light.BareLightLimits())) == []


def test_the_open_candle_has_light_under_alpha_0(candle):
    (found,) = bare_light.find(coloured(candle.to_array()), bare_light.BareLightLimits())
    pixels = candle.to_array()
    assert found.value == ((pixels[..., 3] == 0) & (pixels[..., :3].max(axis=-1) > 1e-4)).sum()
    assert "413.2" in found.message


# -- alpha_state ----------------------------------------------------------------------------------------------

STATE = alpha_state.AlphaStateLimits()


def disc(straight, level=0.6, radius=30.0, soft=4.0):
    y, x = np.mgrid[0:96, 0:96]
    alpha = np.clip((radius - np.hypot(x - 48, y - 48)) / soft + 0.5, 0, 1)
    colour = np.where(alpha > 0, level, 0.0) if straight else level * alpha
    return np.stack([colour, colour * 0.7, colour * 0.3, alpha], axis=-1).astype(np.float32)


@pytest.mark.parametrize("straight", [True, False])
@pytest.mark.parametrize("declared", ["straight", "premultiplied"])
def test_a_disc_in_all_four_ways(straight, declared):
    found = list(alpha_state.find(coloured(disc(straight), alpha=declared), STATE))
    true = "straight" if straight else "premultiplied"
    assert [one.sort for one in found] == ([] if true == declared else [true])
    if found:
        assert found[0].value == 100
        assert Window(16, 16, 80, 80) in (found[0].place | Window(16, 16, 80, 80))


@pytest.mark.parametrize("factor", [1e-2, 1, 1e3])
def test_the_brightness_of_a_picture_does_not_matter(factor):
    pixels = disc(True)
    pixels[..., :3] *= factor
    assert [one.sort for one in alpha_state.find(coloured(pixels), STATE)] == ["straight"]


def test_where_there_is_nothing_to_judge_by():
    hard = disc(True, soft=1e-6)
    black = disc(True, level=0.0)
    flat = ordinary()
    tiny = disc(True, radius=1.2, soft=1.0)
    log = Encoding("ACEScct", "log")
    for image in (
        *(coloured(pixels) for pixels in (hard, black, flat, tiny, flat[:1, :1], flat[:, :1])),
        coloured(disc(True), encoding=log),
        coloured(disc(True)[..., :3]),
    ):
        assert list(alpha_state.find(image, STATE)) == []


def test_two_flat_layers_beside_each_other_have_no_votes_between_them():
    """A half covering area in front of nothing beside a whole one is no soft edge."""
    pixels = np.zeros((60, 60, 4), np.float32)
    pixels[:, :30] = [0.4, 0.4, 0.4, 0.5]
    pixels[:, 30:] = [0.4, 0.1, 0.1, 1.0]
    votes = alpha_state.votes(pixels[..., :3].transpose(2, 0, 1), pixels[..., 3])
    assert votes.straight == 0


def test_pictures_that_hold_nan_are_judged_by_the_rest():
    pixels = disc(True)
    pixels[40:50, :, 1] = np.nan
    pixels[60:64, 20:60, 3] = np.nan
    assert [one.sort for one in alpha_state.find(coloured(pixels), STATE)] == ["straight"]


def test_a_glow_around_a_premultiplied_disc_is_no_straight_colour():
    """Light of half the disc's brightness lies outside of it as well, so that colour falls by half only."""
    pixels = disc(False, soft=6.0)
    pixels[..., :3] += np.float32([0.55, 0.4, 0.2])
    votes = alpha_state.votes(pixels[..., :3].transpose(2, 0, 1), pixels[..., 3])
    assert votes.share_straight < 0.05
    assert votes.premultiplied > 200


def test_colour_that_goes_on_under_alpha_0_is_straight():
    y, x = np.mgrid[0:96, 0:96]
    pixels = disc(True, soft=6.0)
    pixels[..., :3] = (0.5 + 0.02 * np.sin(x / 5) * np.cos(y / 7))[..., None]
    votes = alpha_state.votes(pixels[..., :3].transpose(2, 0, 1), pixels[..., 3])
    assert votes.share_straight == 1
    assert votes.straight > 300


def test_checks_do_not_change_the_picture():
    image = made_cg(3, (96, 72))
    before = image.to_array()
    for plane in image.planes.values():
        plane.setflags(write=False)
    for module, limits in (
        (negative, LIMITS),
        (alpha_range, RANGE),
        (alpha_state, STATE),
        (bare_light, bare_light.BareLightLimits()),
        (nonfinite, PLAIN),
    ):
        list(module.find(image, limits))
    assert np.array_equal(image.to_array(), before)
