"""light_wrap against scipy.ndimage in float64, the error function, and bounds that hold for any picture."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node
from scipy import ndimage
from scipy.special import ndtr, ndtri

from stackcomp import CheckError, DocumentError, Image, Matte, Window

HEIGHT, WIDTH = 70, 90
FRAME = Window.of_size(WIDTH, HEIGHT)


def cg(seed=1, shape=(HEIGHT, WIDTH)):
    """A premultiplied disc with a soft edge and a flame beside it, which is light under alpha 0."""
    draw = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]]
    alpha = np.clip((25 - np.hypot(x - 45, y - 35)) / 4, 0, 1)
    pixels = np.dstack([draw.random((*shape, 3)) * 2 * alpha[..., None], alpha])
    pixels[5:9, 5:9] = [6, 3, 1, 0]
    return pixels.astype(np.float32)


def set_light(seed=2, shape=(HEIGHT, WIDTH)):
    pixels = np.random.default_rng(seed).random((*shape, 3)) * [4, 2, 1]
    pixels[10:20, 60:75] *= 20
    pixels[40, 5] = -0.5
    return pixels.astype(np.float32)


def wrapped(pixels=None, light=None, matte=None, **fields):
    given = {
        "p": pixels if isinstance(pixels, Image) else Image.from_array(cg() if pixels is None else pixels),
        "b": light if isinstance(light, Image) else Image.from_array(set_light() if light is None else light),
    }
    if matte is not None:
        given["m"] = Image.from_array(matte, type=Matte())
        fields["matte"] = "m"
    return render_node("light_wrap", given, image="p", backdrop="b", **fields)


def by_scipy(pixels, light, reach, strength=0.3, threshold=0.0, matte=1.0):
    """The light that wraps, from the formula of the kind's text."""
    pixels, light = pixels.astype(np.float64), np.maximum(light[..., :3].astype(np.float64), 0)
    alpha = np.clip(pixels[..., 3], 0, 1)
    brightest = light.max(axis=-1, keepdims=True)
    above = np.where(brightest > threshold, 1 - threshold / np.where(brightest > 0, brightest, 1), 0)
    visible = light * above * ((1 - alpha) * matte)[..., None]
    sigma = reach / -ndtri(0.05)
    spread = ndimage.gaussian_filter(visible, (sigma, sigma, 0), mode="nearest", truncate=8)
    return strength * alpha[..., None] * spread


@pytest.mark.parametrize(
    "fields",
    [
        {"reach": 3},
        {"reach": 8, "strength": 1},
        {"reach": 8, "strength": 0.3, "threshold": 2},
        {"reach": 14.5, "strength": 1, "threshold": 30},
    ],
)
@pytest.mark.parametrize("with_matte", [False, True])
def test_agrees_with_scipy(fields, with_matte):
    matte = np.random.default_rng(3).random((HEIGHT, WIDTH)).astype(np.float32) if with_matte else None
    wrap = by_scipy(cg(), set_light(), **fields, matte=1.0 if matte is None else matte.astype(np.float64))
    got = wrapped(matte=matte, **fields).to_array()
    # A Gaussian on a coarse grid, from 6 pixels on, is right to 0.2 % of the range.
    near = 2e-3 * wrap.max() if fields["reach"] > 9 else 2e-5
    np.testing.assert_allclose(got[..., :3] - cg()[..., :3], wrap, atol=near)
    assert np.array_equal(got[..., 3], cg()[..., 3])
    alone = wrapped(matte=matte, **fields, output="alone").to_array()
    np.testing.assert_allclose(alone[..., :3], wrap, atol=near)
    assert not alone[..., 3].any()


def half_plane(edge=40, light=3.0):
    pixels = np.zeros((HEIGHT, WIDTH, 4), np.float32)
    pixels[:, edge:] = [0.1, 0.2, 0.3, 1]
    return pixels, np.full((HEIGHT, WIDTH, 3), light, np.float32)


@pytest.mark.parametrize("reach", [5.0, 12.0])
def test_behind_a_straight_edge_it_falls_as_the_error_function(reach):
    pixels, light = half_plane()
    got = wrapped(pixels, light, reach=reach, strength=1, output="alone").to_array()[..., 0]
    deep = np.arange(WIDTH - 40) + 0.5
    np.testing.assert_allclose(got[:, 40:], np.broadcast_to(3 * ndtr(deep * ndtri(0.05) / reach), (HEIGHT, 50)),
                               atol=5e-3)  # fmt: skip
    # Half at the edge, a tenth of that at the reach: by hand.
    on_edge = got[35, 40] + (got[35, 40] - got[35, 41]) / 2
    assert on_edge == pytest.approx(1.5, rel=0.02)
    assert np.interp(reach, deep, got[35, 40:]) == pytest.approx(0.15, rel=0.05)
    assert not got[:, :40].any()


def test_nothing_lands_where_nothing_is_or_deep_inside():
    pixels, light = half_plane()
    got = wrapped(pixels, light, reach=4, strength=1, output="alone").to_array()
    assert not got[:, :40].any()
    assert not got[:, 40 + 14 :].any()
    full = pixels.copy()
    full[:] = [0.1, 0.2, 0.3, 1]
    assert np.array_equal(wrapped(full, light, reach=4).to_array(), full)
    assert not wrapped(full, light, reach=4, output="alone").to_array().any()
    none = np.zeros_like(pixels)
    none[3:5, 3:5, 0] = 7
    assert np.array_equal(wrapped(none, light, reach=4).to_array(), none)


def test_colour_of_the_backdrop_is_kept_and_dark_ones_give_nothing():
    pixels, light = half_plane()
    light[:] = [2, 1, 0]
    got = wrapped(pixels, light, reach=6, output="alone").to_array()
    np.testing.assert_allclose(got[..., 0], 2 * got[..., 1], rtol=1e-5)
    assert not got[..., 2].any()
    light[:] = [2, 1, 0.5]
    got = wrapped(pixels, light, reach=6, threshold=1.5, output="alone").to_array()
    bright = wrapped(pixels, light * 0.25, reach=6, output="alone").to_array()
    np.testing.assert_allclose(got, bright, atol=1e-6)
    assert not wrapped(pixels, light, reach=6, threshold=2, output="alone").to_array().any()
    assert not wrapped(pixels, -light, reach=6, output="alone").to_array().any()


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1), st.floats(0.2, 9), st.floats(0, 1))
def test_no_more_light_comes_than_is_visible(seed, reach, strength):
    draw = np.random.default_rng(seed)
    alpha = np.clip(ndimage.gaussian_filter(draw.normal(size=(24, 28)), draw.uniform(0, 3)) * 4 + 0.5, 0, 1)
    light = draw.random((24, 28, 3)) * 10.0 ** draw.uniform(-2, 3, (24, 28, 1))
    # Away from the frame's edges, where light from beyond counts.
    light[:8] = light[-8:] = light[:, :8] = light[:, -8:] = 0
    pixels = np.dstack([np.zeros((24, 28, 3)), alpha]).astype(np.float32)
    got = wrapped(pixels, light.astype(np.float32), reach=reach, strength=strength, output="alone").to_array()
    visible = light * (1 - alpha)[..., None]
    assert got.min() >= 0
    assert (got[..., :3].sum(axis=(0, 1)) <= strength * visible.sum(axis=(0, 1)) * (1 + 1e-5)).all()
    assert (got[..., :3] <= strength * alpha[..., None] * visible.max(axis=(0, 1)) * (1 + 1e-5) + 1e-12).all()


def test_light_beyond_the_frame_counts():
    pixels, light = half_plane()
    # An edge along the top row: the backdrop is visible beyond the frame alone, in its overscan.
    inside = np.zeros((HEIGHT, WIDTH, 4), np.float32)
    inside[10:] = 1
    laid = Image.from_array(inside, origin=(0, -10), display=FRAME)
    lights = np.zeros((HEIGHT + 10, WIDTH, 3), np.float32)
    lights[:10] = 3
    got = wrapped(laid, Image.from_array(lights, origin=(0, -10), display=FRAME), reach=5, strength=1)
    seen = by_scipy(np.pad(inside, ((0, 10), (0, 0), (0, 0)), mode="edge"), lights, 5, 1.0)
    np.testing.assert_allclose(got.over(FRAME).to_array()[:50, :, :3], 1 + seen[10:60], atol=1e-5)
    # Without overscan the outermost pixels go on: along the frame's edge it is as elsewhere.
    got = wrapped(pixels, light, reach=5, output="alone").to_array()
    np.testing.assert_allclose(got[0], got[35], atol=1e-6)


def test_pictures_smaller_than_the_frame():
    small, lights = cg()[5:65, 15:80], set_light()[20:50]
    laid, light = np.zeros_like(cg()), np.zeros_like(set_light())
    laid[5:65, 15:80], light[20:50] = small, lights
    got = wrapped(
        Image.from_array(small, origin=(15, 5), display=FRAME),
        Image.from_array(lights, origin=(0, 20), display=FRAME),
        reach=6,
    )
    assert got.window == Window(15, 5, 80, 65)
    # The backdrop meets the left and right edge of its frame; the light beyond does not reach the disc.
    wrap = by_scipy(laid, light, 6)
    np.testing.assert_allclose(got.to_array(FRAME)[..., :3], laid[..., :3] + wrap, atol=2e-5)
    nothing = Image.from_array(lights[:0], origin=(0, 20), display=FRAME)
    assert np.array_equal(wrapped(cg(), nothing, reach=6).to_array(), cg())


def test_a_backdrop_with_alpha_and_coverage_out_of_range():
    light = np.dstack([set_light(), np.full((HEIGHT, WIDTH), 0.5, np.float32)])
    got, plain = wrapped(light=light, reach=5).to_array(), wrapped(reach=5).to_array()
    np.testing.assert_allclose(got, plain, atol=1e-6)
    odd = cg()
    odd[20:30, 40:50, 3], odd[60:, :, 3] = 1.5, -0.25
    got = wrapped(odd, reach=5).to_array()
    np.testing.assert_allclose(got[..., :3] - odd[..., :3], by_scipy(odd, set_light(), 5), atol=2e-5)
    assert np.array_equal(got[..., 3], odd[..., 3])


def test_amount_and_within_limit_it():
    wrap = by_scipy(cg(), set_light(), 6)
    got = wrapped(reach=6, amount=0.25).to_array()
    np.testing.assert_allclose(got[..., :3], cg()[..., :3] + 0.25 * wrap, atol=2e-5)


def test_a_preview_looks_the_same():
    light = ndimage.gaussian_filter(np.abs(set_light()), (4, 4, 0), mode="nearest")
    whole = wrapped(light=light, reach=12, strength=1, output="alone").to_array()
    half = wrapped(light=light, reach=12, strength=1, output="alone", at=0.5).to_array()
    averaged = whole.reshape(35, 2, 45, 2, 4).mean(axis=(1, 3))
    assert np.abs(half - averaged).max() < 0.02 * averaged.max()


def test_what_is_refused():
    with pytest.raises(CheckError, match="alpha"):
        wrapped(cg()[..., :3], reach=4)
    with pytest.raises(CheckError, match="premultipl"):
        wrapped(Image.from_array(cg(), alpha="straight"), reach=4)
    for field in ({"reach": 0}, {"strength": 1.2}, {"threshold": -1}):
        with pytest.raises(DocumentError, match=next(iter(field))):
            wrapped(**{"reach": 4, **field})


def test_wide_tiles_are_parts_of_the_whole():
    """The coarse grid lies where the frame begins, wherever a tile does."""
    whole = wrapped(reach=20)
    for x, y in [(31, 20), (32, 21), (33, 23)]:
        tile = wrapped(reach=20, window=Window(x, y, x + 9, y + 8))
        assert tile["R"] == pytest.approx(whole.over(tile.window)["R"], abs=1e-6)
