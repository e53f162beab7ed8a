"""extend_edges against published colour algebra, scipy's exact distance, and the demo's path-traced shadow."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from soft_pictures import HEIGHT, WIDTH, cg, coloured, disc, extended

from stackcomp import CheckError, Composition, DocumentError, Graph, Image, Ratio, Window
from stackcomp.data.port_types import Colour, Encoding

ROOT = Path(__file__).parents[2]


def test_soft_edges_get_the_colour_that_they_have(render):
    """Colour divided by alpha goes on past the edge (Porter and Duff 1984: premultiplied colour over its like)."""
    got = extended(render, cg()).to_array()
    assert np.array_equal(got[..., 3], np.ones((HEIGHT, WIDTH)))
    some = disc() > 0.02
    np.testing.assert_allclose(got[some][:, :3], coloured()[some], rtol=0.05)
    assert (got[..., :3] >= coloured()[disc() > 0].min(axis=0) - 1e-5).all()
    assert (got[..., :3] <= coloured()[disc() > 0].max(axis=0) + 1e-5).all()


def test_the_reliable_part_does_not_change(render):
    covered = disc() >= 1
    for fields in ({}, {"distance": 7, "fade": 3}, {"direction": 30}, {"coverage": "kept"}):
        got = extended(render, cg(), **fields).to_array()
        assert np.array_equal(got[covered], cg()[covered])
    matte = disc(8, 4)
    got = extended(render, coloured(), matte).to_array()
    assert np.array_equal(got[matte >= 1], coloured()[matte >= 1])


def test_edges_that_are_not_reliable_get_new_colour_and_keep_their_shape(render):
    """A dirty rim of blue, cut off by a smaller matte, is replaced; alpha stays."""
    dirty, alpha = cg(), disc()
    rim = (alpha > 0) & (disc(11, 2) < 1)
    dirty[rim, :3] = alpha[rim, None] * np.float32([0, 0, 50])
    got = extended(render, dirty, disc(9, 2), coverage="kept").to_array()
    assert np.array_equal(got[..., 3], alpha)
    straight = got[..., :3] / np.maximum(alpha, 1e-9)[..., None]
    off = np.abs(straight / coloured() - 1)[rim]
    assert off.mean() < 0.07
    assert off.max() < 0.3
    assert not got[alpha == 0].any()


def test_a_soft_matte_mixes_by_its_share(render):
    """Worked by hand: one colour is known, the other is what stands where the matte is a quarter."""
    pixels = np.full((1, 3, 3), 2.0, np.float32)
    pixels[0, 1:] = 10
    got = extended(render, pixels, np.float32([[1, 0, 0]])).to_array()
    np.testing.assert_allclose(got, 2, rtol=1e-6)
    # A quarter of its own 10; the rest is what it gets of both, which is between them.
    got = extended(render, pixels, np.float32([[1, 0.25, 0]])).to_array()[0, 1]
    assert (got > 0.25 * 10 + 0.75 * 2 - 1e-5).all()
    assert (got < 10).all()


@pytest.mark.parametrize(("distance", "fade"), [(0, 0), (6, 0), (10, 8), (100, 50)])
def test_distance_is_that_of_scipy(render, distance, fade):
    known = disc(15, 0.001) > 0.5
    pixels, matte = np.repeat(np.float32(5 * known)[..., None], 3, axis=2), known.astype(np.float32)
    got = extended(render, pixels, matte, distance=distance, fade=fade).to_array()[..., 0]
    away = np.maximum(ndimage.distance_transform_edt(~known) - 0.5, 0)
    if fade:
        near = np.clip((distance - away) / fade, 0, 1)
        share = np.where(known, 1, near * near * (3 - 2 * near))
    else:
        share = np.where(known, 1, np.clip(distance + 0.5 - away, 0, 1))
    np.testing.assert_allclose(got, 5 * share, atol=1e-4)


def test_a_fade_is_no_longer_than_the_distance(render):
    """Worked by hand, with the edge between pixels 9 and 10: beside it, nearly all is pushed colour."""
    pixels, matte = np.zeros((1, 40, 3), np.float32), np.zeros((1, 40), np.float32)
    pixels[:, :10], matte[:, :10] = 4, 1
    for fields in ({}, {"direction": 0}):
        got = [extended(render, pixels, matte, distance=8, fade=fade, **fields).to_array() for fade in (8, 60)]
        assert np.array_equal(*got)
        # 7.5 of 8 pixels are left: x² (3 − 2x).
        assert got[0][0, 10, 0] == pytest.approx(4 * 0.9375**2 * (3 - 2 * 0.9375), rel=1e-5)


def test_a_keyed_fade_does_not_jump(render):
    pixels, matte = np.zeros((1, 40, 3), np.float32), np.zeros((1, 40), np.float32)
    pixels[:, :10], matte[:, :10] = 4, 1
    rows = [
        extended(render, pixels, matte, distance=20, fade=fade).to_array()[0, :, 0]
        for fade in np.arange(0.8, 1.21, 0.05)
    ]
    assert np.abs(np.diff(rows, axis=0)).max() < 0.05 * 4


def test_alpha_outside_of_0_to_1_counts_as_that_and_stays(render):
    pixels = np.float32([[[2, 2, 2, 1.5], [1, 1, 1, 0.5], [0, 0, 0, -0.25]]])
    kept = extended(render, pixels, coverage="kept").to_array()
    assert kept[0, :, 3].tolist() == [1.5, 0.5, -0.25]
    filled = extended(render, pixels).to_array()
    assert filled[0, :, 3].tolist() == [1.5, 1, 1]
    assert filled[0, 0].tolist() == [2, 2, 2, 1.5]
    # Beyond the distance, all of it is as it was.
    wide = np.zeros((1, 30, 4), np.float32)
    wide[0, 0], wide[0, 20:] = 1, -0.25
    assert (extended(render, wide, distance=3).to_array()[0, 20:, 3] == -0.25).all()


def test_beyond_the_distance_nothing_changes(render):
    draw = np.random.default_rng(2)
    pixels, matte = draw.random((HEIGHT, WIDTH, 3)).astype(np.float32), disc(8, 1)
    for fields in ({}, {"direction": 45}):
        got = extended(render, pixels, matte, distance=9, **fields).to_array()
        far = ndimage.distance_transform_edt(matte < 0.5) > 12
        assert np.array_equal(got[far], pixels[far])
        assert not np.array_equal(got, pixels)


def test_a_direction_carries_the_profile_across(render):
    """A bar of two colours goes on to the right, as two colours; nothing goes to the left."""
    alpha = np.zeros((HEIGHT, WIDTH), np.float32)
    alpha[20:40, 10:30] = 1
    pixels = np.dstack([alpha, alpha * 0.5, alpha, alpha])
    pixels[30:40, 10:30, 0] = 4
    got = extended(render, pixels, direction=0).to_array()
    assert not got[:, :10].any()
    assert got[:5].max() < 1e-3
    np.testing.assert_allclose(got[24, 30:70, 0], 1, atol=0.3)
    np.testing.assert_allclose(got[35, 30:70, 0], 4, atol=0.5)
    np.testing.assert_allclose(got[30, 30:70, 1], 0.5, rtol=1e-3)
    assert got[20:40, 70, 3].min() > 0.4


def test_the_shadow_of_the_demo_goes_on_as_the_path_tracer_says(render):
    """The pass is cut off right of the jar. The bench beside it is compared with what was cut off."""
    comp = Composition(Graph.open(ROOT / "graphs/shadow_extended.json"), root=ROOT,
                       variables=str(ROOT / "demo_shot/wide/shot.json"))  # fmt: skip
    truth, longer = (comp.render(name, 1003).to_array() for name in ("shadow", "longer"))
    assert np.array_equal(longer[:, :346], truth[:, :346])
    bench = slice(170, 186), slice(348, 374)
    error = np.abs(longer[bench] - truth[bench]).mean()
    without = np.abs(1 - truth[bench]).mean()
    assert without > 0.2
    assert error < 0.3 * without, (error, without)


def test_a_ratio_goes_on_beyond_its_window(render):
    frame = Window.of_size(WIDTH, HEIGHT)
    part = np.full((20, 24, 3), 0.25, np.float32)
    given = {"p": Image.from_array(part, type=Ratio(), origin=(30, 20), display=frame)}
    got = render("extend_edges", given, image="p")
    assert got.window == frame
    np.testing.assert_allclose(got.to_array(), 0.25, rtol=1e-6)
    got = render("extend_edges", given, image="p", distance=5)
    assert got.window == Window(24, 14, 60, 46)
    assert got.over(frame)["R"][0, 0] == 1


def test_overscan_stays_and_is_part_of_what_is_known(render):
    frame = Window.of_size(40, 30)
    pixels = np.zeros((40, 50, 4), np.float32)
    pixels[:, :3] = [3, 2, 1, 1]
    given = {"p": Image.from_array(pixels, origin=(-5, -5), display=frame)}
    got = render("extend_edges", given, image="p")
    assert got.window == Window(-5, -5, 45, 35)
    np.testing.assert_allclose(got.over(frame)["R"], 3, rtol=1e-5)


@pytest.mark.parametrize("coverage", ["filled", "kept"])
def test_bare_light_by_hand(render, coverage):
    """A covered pixel of 2 and light of 5 without coverage: the light is added to what is pushed, or stays."""
    pixels = np.float32([[[2, 2, 2, 1], [5, 5, 5, 0]]])
    got = extended(render, pixels, coverage=coverage).to_array()[0, 1]
    assert got.tolist() == ([7, 7, 7, 1] if coverage == "filled" else [5, 5, 5, 0])


def test_light_under_alpha_0_stays(render, candle):
    """An open picture of the OpenEXR project: a flame without coverage."""
    pixels = candle.to_array()
    flame = (pixels[..., 3] == 0) & (pixels[..., :3].max(axis=-1) > 0.01)
    assert flame.any()
    filled = extended(render, pixels).to_array()
    empty = np.where(flame[..., None], 0, pixels)
    np.testing.assert_allclose(filled - extended(render, empty).to_array(), pixels - empty, atol=2e-4, rtol=1e-6)
    kept = extended(render, pixels, coverage="kept").to_array()
    assert np.array_equal(kept[flame], pixels[flame])


@settings(max_examples=30, deadline=None)
@given(
    st.integers(1, 30),
    st.integers(1, 30),
    st.integers(0, 10**6),
    st.sampled_from([None, 0.0, 3.5, 60000.0]),
    st.sampled_from([None, 0.0, 123.0, -45.0]),
    st.sampled_from(["filled", "kept"]),
)
def test_any_picture(render, height, width, seed, distance, direction, coverage):
    draw = np.random.default_rng(seed)
    alpha = np.clip(draw.normal(0, 1, (height, width)), 0, 1)
    pixels = np.dstack([draw.normal(0, 100, (height, width, 3)) * alpha[..., None], alpha]).astype(np.float32)
    matte = draw.normal(0, 1, (height, width)).astype(np.float32)
    got = extended(render, pixels, matte, distance=distance, direction=direction, coverage=coverage).to_array()
    assert np.isfinite(got).all()
    assert (got[..., 3] >= pixels[..., 3] - 1e-6).all()
    assert got[..., 3].max() <= 1 + 1e-6
    sure = (np.clip(matte, 0, 1) * pixels[..., 3]) >= 1
    assert np.array_equal(got[sure], pixels[sure])


def test_an_empty_matte_changes_nothing_and_one_pixel_fills_the_frame(render):
    nothing, pixels = np.zeros((HEIGHT, WIDTH), np.float32), coloured()
    for fields in ({}, {"direction": 10}, {"distance": 4}):
        assert np.array_equal(extended(render, pixels, nothing, **fields).to_array(), pixels)
    one = nothing.copy()
    one[50, 3] = 1
    np.testing.assert_allclose(
        extended(render, pixels, one).to_array(), np.broadcast_to(pixels[50, 3], pixels.shape), rtol=1e-5
    )
    assert np.array_equal(extended(render, pixels, nothing + 1).to_array(), pixels)


def test_values_that_are_not_finite_do_not_spread(render):
    pixels = cg()
    pixels[30, 40, :3] = [np.nan, np.inf, -np.inf]
    told = []
    got = extended(render, pixels, warn=lambda *said: told.append(said)).to_array()
    assert np.isfinite(got).all()
    assert told


@pytest.mark.parametrize("fields", [{}, {"distance": 9, "fade": 4}, {"direction": 200}])
def test_tiles_are_parts_of_the_whole_to_the_bit(render, fields):
    whole = extended(render, cg(), disc(12, 3), **fields)
    for window in (Window(0, 0, 7, 5), Window(31, 17, 60, 44), Window(83, 59, 84, 60)):
        tile = extended(render, cg(), disc(12, 3), window=window, **fields)
        for name in tile:
            assert np.array_equal(tile[name], whole.over(window)[name])


@pytest.mark.parametrize("direction", [None, 0, 40])
def test_a_preview_looks_the_same(render, direction):
    alpha = disc(18, 8)
    whole = extended(render, cg(alpha), direction=direction, distance=24, fade=16).to_array()
    half = extended(render, cg(alpha), direction=direction, distance=24, fade=16, at=0.5).to_array()
    small = whole.reshape(HEIGHT // 2, 2, WIDTH // 2, 2, 4).mean(axis=(1, 3))
    assert np.abs(half - small).max() < 0.35
    assert np.abs(half - small).mean() < 0.02


def test_streaks_are_as_wide_in_a_preview(render):
    """A streak of two by two pixels goes down: its spread, in pixels of the whole, is a normal distribution's."""
    pixels = np.zeros((120, 80, 4), np.float32)
    pixels[:2, 40:42] = 1
    x = np.arange(80) + 0.5 - 41
    for scale, size in ((1, 1), (0.5, 2)):
        got = extended(render, pixels, direction=90, at=scale).to_array()[-1, :, 3]
        at = x.reshape(-1, size).mean(axis=1)
        variance = (at**2 * got).sum() / got.sum()
        assert variance == pytest.approx(0.25 * 118, rel=0.1), scale


def test_distance_from_what_is_nowhere_half_reliable(render):
    """It counts from where it is most reliable."""
    pixels, matte = np.full((9, 9, 3), 4.0, np.float32), np.zeros((9, 9), np.float32)
    pixels[4, 4], matte[4, 4] = 1, 0.3
    got = extended(render, pixels, matte, distance=2).to_array()[4, :, 0]
    np.testing.assert_allclose(got[[0, 1, 7, 8]], 4)
    assert (got[2:7] < 2).all()


@pytest.mark.parametrize(
    ("fields", "said"),
    [({"fade": 4}, '"distance"'), ({"distance": -1}, "below"), ({"direction": 500}, "above")],
)
def test_bad_values(render, fields, said):
    with pytest.raises(DocumentError, match=said):
        extended(render, cg(), **fields)


def test_display_encoded_light_is_refused(render):
    with pytest.raises(CheckError, match="scene-linear"):
        extended(render, cg(), type=Colour("premultiplied", Encoding("sRGB", "display")))
