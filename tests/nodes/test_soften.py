"""soften against scipy.ndimage in float64, and the analytic convolution of edges, through the whole engine."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from soft_edges import soft_edge, width_of

from stackcomp import CheckError, DocumentError, Image, Matte, Window
from stackcomp.data.port_types import Colour, Depth, Encoding, Ratio
from stackcomp.kernels.softening import softening_weights
from stackcomp.measure.edge import measure_edge

HEIGHT, WIDTH = 40, 50
FRAME = Window.of_size(WIDTH, HEIGHT)


def pixels(channels=4, seed=1, shape=(HEIGHT, WIDTH)):
    """Premultiplied noise with highlights and light under alpha 0."""
    draw = np.random.default_rng(seed)
    picture = draw.random((*shape, channels)) * [9, 3, 1, 1][:channels]
    picture[4:9, 4:9, -1] = 0
    return picture.astype(np.float32)


def by_scipy(picture, radius, mode="nearest", cval=0.0):
    weights = softening_weights(radius)
    weights = np.concatenate([weights[:0:-1], weights])
    soft = picture.astype(np.float64)
    for axis in (0, 1):
        soft = ndimage.convolve1d(soft, weights, axis, mode=mode, cval=cval)
    return soft


def softened(render, image, **fields):
    return render("soften", {"p": image}, image="p", **fields)


@pytest.mark.parametrize("radius", [0.25, 0.6, 2.2, 10])
def test_colour_and_alpha_are_softened_alike(render, radius):
    picture = pixels()
    got = softened(render, Image.from_array(picture), radius=radius)
    assert got.window == FRAME
    np.testing.assert_allclose(got.to_array(), by_scipy(picture, radius), atol=3e-6)


def test_a_soft_edge_of_cg_laid_over_a_plate_has_no_rim(render):
    """Softening colour and alpha, then over, is over with a softened picture of one colour."""
    alpha = soft_edge(HEIGHT, WIDTH, 8, 0.3, 0.2).astype(np.float32)
    cg = np.dstack([alpha * 0.5] * 3 + [alpha])
    soft = softened(render, Image.from_array(cg), radius=0.8).to_array()
    np.testing.assert_allclose(soft[..., 0], 0.5 * soft[..., 3], atol=1e-7)
    comp = soft[..., 0] + (1 - soft[..., 3]) * 0.2
    assert comp.min() > 0.2 - 1e-6
    assert comp.max() < 0.5 + 1e-6


@pytest.mark.parametrize("radius", [0.3, 0.7, 1.6])
@pytest.mark.parametrize("degrees", [6, 31])
def test_an_edge_becomes_as_wide_as_the_convolution(render, radius, degrees):
    edge = soft_edge(HEIGHT, WIDTH, degrees, 0.2, 0.6)
    got = softened(render, Image.from_array(edge.astype(np.float32), type=Matte()), radius=radius).to_array()
    found = measure_edge(got[..., 0], np.ones(FRAME.shape, bool))
    assert found.width == pytest.approx(width_of(np.hypot(0.6, radius), degrees), rel=0.02)


def test_a_matte_and_a_ratio_are_softened_as_the_picture_is(render):
    matte = pixels(1)[..., 0]
    got = softened(render, Image.from_array(matte, type=Matte()), radius=0.7)
    assert got.type == Matte()
    np.testing.assert_allclose(got["A"], by_scipy(matte, 0.7), atol=1e-6)
    ratio = pixels(3)
    got = softened(render, Image.from_array(ratio, type=Ratio()), radius=0.7)
    assert got.type == Ratio()
    np.testing.assert_allclose(got.to_array(), by_scipy(ratio, 0.7), atol=3e-6)


def test_a_ratio_that_ends_within_the_frame_softens_into_1(render):
    small = np.full((10, 12, 3), 0.25, np.float32)
    image = Image.from_array(small, type=Ratio(), origin=(20, 15), display=FRAME)
    laid = np.ones((HEIGHT, WIDTH, 3))
    laid[15:25, 20:32] = 0.25
    got = softened(render, image, radius=1.1)
    np.testing.assert_allclose(got.to_array(FRAME)[12:28, 17:35], by_scipy(laid, 1.1)[12:28, 17:35], atol=1e-6)
    matte = Image.from_array(np.full((HEIGHT, WIDTH), 0.5, np.float32), type=Matte())
    half = render("soften", {"p": image, "m": matte}, image="p", within="m", radius=1.1)
    expected = (by_scipy(laid, 1.1) + laid) / 2
    np.testing.assert_allclose(half.to_array(FRAME)[12:28, 17:35], expected[12:28, 17:35], atol=1e-6)


def test_a_small_data_window_grows_and_fades_into_nothing(render):
    small = pixels(shape=(10, 12))
    image = Image.from_array(small, origin=(20, 15), display=FRAME)
    laid = np.zeros((HEIGHT, WIDTH, 4))
    laid[15:25, 20:32] = small
    got = softened(render, image, radius=1.5)
    assert got.window == image.window.grow(len(softening_weights(1.5)) - 1)
    np.testing.assert_allclose(got.to_array(FRAME), by_scipy(laid, 1.5), atol=3e-6)


def test_a_picture_that_meets_one_edge_of_its_frame_goes_on_there_alone(render):
    small = pixels(shape=(10, 12))
    image = Image.from_array(small, origin=(0, 15), display=FRAME)
    laid = np.zeros((HEIGHT, WIDTH + 20, 4))
    laid[15:25, 20:32] = small
    laid[15:25, :20] = small[:, :1]
    got = softened(render, image, radius=1.5)
    np.testing.assert_allclose(got.to_array(FRAME), by_scipy(laid, 1.5)[:, 20:], atol=3e-6)


def test_overscan_is_softened_and_kept(render):
    picture = pixels()
    image = Image.from_array(picture, origin=(-5, -4), display=Window.of_size(WIDTH - 10, HEIGHT - 8))
    got = softened(render, image, radius=0.9)
    assert got.window == image.window
    np.testing.assert_allclose(got.to_array(got.window), by_scipy(picture, 0.9), atol=3e-6)


def test_a_radius_of_0_changes_no_bit(render):
    picture = pixels()
    picture[20, 20] = [-3, 0, 60000, 0.5]
    for window in (None, Window(7, 5, 31, 22)):
        got = softened(render, Image.from_array(picture), radius=0, window=window)
        assert np.array_equal(got.to_array(got.window), picture[got.window.slices_in(FRAME)])


def test_softening_twice_adds_variances(render):
    picture = ndimage.gaussian_filter(pixels(), (1, 1, 0))
    once = softened(render, Image.from_array(picture), radius=1.0)
    first = softened(render, Image.from_array(picture), radius=0.6)
    twice = softened(render, first, radius=0.8)
    # Not the same weights, but the same variance: what is a little soft already comes out almost the same.
    assert np.abs(twice.to_array() - once.to_array()).max() < 0.012 * picture.max()
    point = np.zeros((HEIGHT, WIDTH), np.float32)
    point[20, 25] = 1
    soft = softened(render, softened(render, Image.from_array(point, type=Matte()), radius=0.3), radius=0.4)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    assert (soft["A"] * (x - 25.0) ** 2).sum() == pytest.approx(0.25, rel=1e-5)
    assert (soft["A"] * (y - 20.0) ** 2).sum() == pytest.approx(0.25, rel=1e-5)


def test_a_preview_softens_by_as_much_of_the_picture(render):
    # Of a smooth picture, so that the smaller grid holds all of it.
    picture = ndimage.gaussian_filter(pixels(3), (5, 5, 0), mode="nearest")
    half = softened(render, Image.from_array(picture), radius=4, at=0.5).to_array()
    whole = softened(render, Image.from_array(picture), radius=4).to_array()
    np.testing.assert_allclose(half, whole.reshape(20, 2, 25, 2, 3).mean(axis=(1, 3)), rtol=0.02)


def test_pixels_that_are_not_finite_do_not_spread(render):
    picture = pixels()
    picture[10, 10, 0], picture[30, 2, 1] = np.nan, np.inf
    said = []
    got = softened(render, Image.from_array(picture), radius=0.8, warn=lambda *words: said.append(words))
    expected = by_scipy(np.where(np.isfinite(picture), picture, 0), 0.8)
    np.testing.assert_allclose(got.to_array(), expected, atol=3e-6)
    assert "2 values" in str(said)


def test_values_below_0_are_softened_as_they_are(render):
    picture = pixels(3) - 1
    np.testing.assert_allclose(
        softened(render, Image.from_array(picture), radius=0.5).to_array(), by_scipy(picture, 0.5), atol=3e-6
    )


def test_what_cannot_be_softened(render):
    straight = Image.from_array(pixels(), alpha="straight")
    with pytest.raises(CheckError, match="premultipl"):
        softened(render, straight, radius=1)
    log = Image.from_array(pixels(3), type=Colour("none", Encoding("ACEScct", "log")))
    with pytest.raises(CheckError, match="linear"):
        softened(render, log, radius=1)
    with pytest.raises(CheckError, match="depth"):
        softened(render, Image.from_array(pixels(1)[..., 0], type=Depth()), radius=1)
    for radius in (-0.1, 10.5):
        with pytest.raises(DocumentError, match="radius"):
            softened(render, Image.from_array(pixels()), radius=radius)
