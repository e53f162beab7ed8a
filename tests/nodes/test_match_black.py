"""match_black: a veil of stray light, in premultiplied terms; common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Image, Window

few = settings(max_examples=40, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(0, 40))
coverage = arrays.arrays(np.float32, (2, 3), elements=st.just(0) | numbers(2**-10, 1))
blacks = st.tuples(*[st.floats(-0.1, 0.1)] * 3)


def test_by_hand(one_pixel):
    pixels = {"p": (0.5, 0, 0.25, 0.5)}
    assert one_pixel("match_black", pixels, image="p", black=[0.25, 0.5, 0]) == [0.625, 0.25, 0.25, 0.5]


@few
@given(pictures, coverage, blacks)
def test_adds_black_times_coverage(render, picture, alpha, black):
    picture[..., 3] = alpha
    got = render("match_black", {"p": Image.from_array(picture)}, image="p", black=list(black)).to_array()
    # One product and one sum in float32, as numpy rounds them; nothing else.
    expected = picture[..., :3] + alpha[..., None] * np.float32(black)
    np.testing.assert_array_equal(got[..., :3], expected)
    np.testing.assert_array_equal(got[..., 3], alpha)
    # Light without coverage is light, no surface behind the veil.
    bare = alpha == 0
    np.testing.assert_array_equal(got[bare], picture[bare])


def there_and_back(render, picture, black):
    once = render("match_black", {"p": Image.from_array(picture)}, image="p", black=list(black))
    back = render("match_black", {"p": once}, image="p", black=list(black), inverse=True)
    return once.to_array(), back.to_array()


@few
@given(pictures, coverage, blacks)
def test_inverse_takes_it_away_again(render, picture, alpha, black):
    picture[..., 3] = alpha
    once, back = there_and_back(render, picture, black)
    # Adding loses what lies below the last bit of the sum, whoever adds; no float32 can keep it.
    last_bit = np.spacing(np.maximum(np.abs(once), np.abs(picture)))
    assert (np.abs(back - picture) <= last_bit).all()
    np.testing.assert_array_equal(back[alpha == 0], picture[alpha == 0])


@few
@given(coverage, blacks)
def test_black_comes_back_to_the_bit(render, alpha, black):
    picture = np.zeros((2, 3, 4), np.float32)
    picture[..., 3] = alpha
    np.testing.assert_array_equal(there_and_back(render, picture, black)[1], picture)


halves = arrays.arrays(np.float16, (2, 3, 4), elements=st.floats(0, 60000, width=16))
half_coverage = arrays.arrays(np.float16, (2, 3), elements=st.floats(0, 1, width=16))


@few
@given(halves, half_coverage, blacks)
def test_what_half_float_files_hold_comes_back_to_the_bit(render, picture, alpha, black):
    picture[..., 3] = alpha
    _, back = there_and_back(render, picture.astype(np.float32), black)
    np.testing.assert_array_equal(back.astype(np.float16), picture)


def test_many_half_float_pixels_come_back_to_the_bit(render):
    # Levels spread over all magnitudes that half can hold, covered in any degree.
    rng = np.random.default_rng(1)
    picture = np.exp2(rng.uniform(-25, 15, (200, 200, 4)))
    picture[..., 3] = rng.uniform(0, 1, (200, 200))
    picture = picture.astype(np.float16)
    _, back = there_and_back(render, picture.astype(np.float32), (0.124, 0.002, 0.0041))
    np.testing.assert_array_equal(back.astype(np.float16), picture)


@pytest.mark.parametrize("alpha", ["none", "straight"])
def test_straight_colour_and_colour_without_alpha_are_lifted_whole(render, alpha):
    pixels = np.random.default_rng(2).random((3, 4, 4 if alpha == "straight" else 3)).astype(np.float32)
    image = Image.from_array(pixels, alpha=alpha, origin=(1, 0), display=Window.of_size(6, 5))
    black = np.float32([0.004, 0.003, 0.006])
    got = render("match_black", {"p": image}, image="p", black=black.tolist())
    whole = got.over(Window.of_size(6, 5)).to_array()
    np.testing.assert_array_equal(whole[:3, 1:5, :3], pixels[..., :3] + black)
    outside = np.ones((5, 6), bool)
    outside[:3, 1:5] = False
    assert not whole[outside].any()


@few
@given(pictures)
def test_no_black_changes_nothing(render, picture):
    picture[..., 3] = 1
    got = render("match_black", {"p": Image.from_array(picture)}, image="p")
    np.testing.assert_array_equal(got.to_array(), picture)


def test_the_darkest_of_the_cg_lands_on_the_plate(one_pixel):
    # CG black, laid over the plate's black, must not stand out: both are the measured level.
    black = [0.004, 0.003, 0.006]
    lifted = one_pixel("match_black", {"p": (0, 0, 0, 0.75)}, image="p", black=black)
    over = one_pixel("over", {"s": lifted, "b": black}, source="s", backdrop="b")
    assert over == pytest.approx(black, rel=1e-6)


def test_a_flame_stays_as_it_is(render, candle):
    got = render("match_black", {"p": candle}, image="p", black=0.01).to_array()
    bare = candle["A"] == 0
    np.testing.assert_array_equal(got[bare], candle.to_array()[bare])
