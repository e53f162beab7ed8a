"""match_black: a veil of stray light, in premultiplied terms; common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from stackcomp import Image

few = settings(max_examples=40, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=st.floats(0, 40, width=32))
coverage = arrays.arrays(np.float32, (2, 3), elements=st.just(0) | st.floats(2**-10, 1, width=32))
blacks = st.tuples(*[st.floats(-0.1, 0.1)] * 3)


def test_by_hand(one_pixel):
    pixels = {"p": (0.5, 0, 0.25, 0.5)}
    assert one_pixel("match_black", pixels, image="p", black=[0.25, 0.5, 0]) == [0.625, 0.25, 0.25, 0.5]


@few
@given(pictures, coverage, blacks)
def test_adds_black_times_coverage(render, picture, alpha, black):
    picture[..., 3] = alpha
    image = Image.from_array(picture)
    got = render("match_black", {"p": image}, image="p", black=list(black)).to_array()
    expected = np.float64(picture)
    expected[..., :3] += picture[..., 3:] * black
    np.testing.assert_allclose(got, expected, rtol=5e-7, atol=1e-7)
    # Light without coverage is lifted like the rest, less what black would become: itself, but for rounding.
    bare = alpha == 0
    np.testing.assert_allclose(got[bare], picture[bare], rtol=2e-7, atol=1e-8)


@few
@given(pictures, coverage, blacks)
def test_inverse_takes_it_away_again(render, picture, alpha, black):
    picture[..., 3] = alpha
    once = render("match_black", {"p": Image.from_array(picture)}, image="p", black=list(black))
    back = render("match_black", {"p": once}, image="p", black=list(black), inverse=True)
    np.testing.assert_allclose(back.to_array(), picture, rtol=1e-6, atol=1e-6)


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
    np.testing.assert_allclose(got[bare], candle.to_array()[bare], rtol=2e-7, atol=1e-9)
