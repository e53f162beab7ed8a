"""premultiply and unpremultiply: the algebra of Porter and Duff, and what stands under alpha 0."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, Composition, Graph, Image

few = settings(max_examples=40, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(-4, 400))
coverage = arrays.arrays(np.float32, (2, 3), elements=st.just(0) | numbers(2**-10, 1))


@pytest.fixture(scope="module")
def there_and_back():
    """Divided by alpha, multiplied again; and the same with results stored in between."""

    def compute(image, fused=True):
        graph = Graph()
        graph.add("flat", "p", size=[3, 2])
        graph.add("unpremultiply", "straight", image="p")
        graph.add("premultiply", "again", image="straight")
        results = Composition(graph).results(["straight", "again"], 1, replace={"p": image}, fused=fused)
        return {result.node: result.image for result in results}

    return compute


def test_by_hand(one_pixel):
    straight = Image.from_array([[[1, 0.5, 2, 0.25]]], alpha="straight").type
    assert one_pixel("premultiply", {"p": (1, 0.5, 2, 0.25)}, {"p": straight}, image="p") == [
        0.25, 0.125, 0.5, 0.25,
    ]  # fmt: skip
    assert one_pixel("unpremultiply", {"p": (0.25, 0.125, 0.5, 0.25)}, image="p") == [1, 0.5, 2, 0.25]


@few
@given(pictures, coverage)
def test_there_and_back(there_and_back, picture, alpha):
    picture[..., 3] = alpha
    images = there_and_back(Image.from_array(picture))
    assert images["straight"].type.alpha == "straight"
    assert images["again"].type == Image.from_array(picture).type
    np.testing.assert_allclose(images["again"].to_array(), picture, rtol=3e-7, atol=1e-37)
    bare = alpha == 0
    np.testing.assert_array_equal(images["straight"].to_array()[bare], picture[bare])
    np.testing.assert_array_equal(images["again"].to_array()[bare], picture[bare])
    expected = picture[~bare][:, :3].astype(np.float64) / alpha[~bare][:, None]
    np.testing.assert_allclose(images["straight"].to_array()[~bare][:, :3], expected, rtol=2e-7, atol=1e-37)


@few
@given(pictures)
def test_left_overs_of_a_file_under_alpha_0_go(render, picture):
    picture[0, :, 3] = 0
    got = render("premultiply", {"p": Image.from_array(picture, alpha="straight")}, image="p").to_array()
    assert not got[0].any()
    np.testing.assert_array_equal(got[1, :, :3], picture[1, :, :3] * picture[1, :, 3:])


def test_opaque_pictures_stay_as_they_are(there_and_back):
    picture = np.random.default_rng(2).normal(0, 9, (2, 3, 4)).astype(np.float32)
    picture[..., 3] = 1
    for image in there_and_back(Image.from_array(picture)).values():
        np.testing.assert_array_equal(image.to_array(), picture)


def test_a_flame_survives(there_and_back, candle):
    again = there_and_back(candle)["again"].to_array()
    pixels = candle.to_array()
    bare = pixels[..., 3] == 0
    np.testing.assert_array_equal(again[bare], pixels[bare])
    np.testing.assert_allclose(again, pixels, rtol=3e-7, atol=1e-12)


def test_twice_is_caught(render):
    premultiplied = Image.from_array(np.ones((1, 1, 4)))
    with pytest.raises(CheckError, match="premultiplied already"):
        render("premultiply", {"p": premultiplied}, image="p")
    straight = Image.from_array(np.ones((1, 1, 4)), alpha="straight")
    with pytest.raises(CheckError, match='port "image" requires premultiplied colour'):
        render("unpremultiply", {"p": straight}, image="p")
