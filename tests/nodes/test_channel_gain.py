"""channel_gain: white balance by a neutral patch."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, DocumentError, Image
from stackcomp.data.port_types import Colour, Encoding

pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(-4, 400))
gains = st.tuples(*[numbers(0, 16)] * 3)


def test_by_hand(one_pixel):
    pixels = {"p": (1, 0.5, 0.25, 0.5)}
    assert one_pixel("channel_gain", pixels, image="p", gain=[2, 1, 0.5]) == [2, 0.5, 0.125, 0.5]


def test_a_neutral_patch_becomes_neutral(one_pixel):
    # Neutral 5 of the 24-patch chart in ACEScg (colour-science 0.4.7), lit 20 % too warm: gains from the
    # published patch bring every channel back to it.
    neutral = np.array([0.190354, 0.190783, 0.189921])
    measured = neutral * [1.2, 1, 0.8]
    got = one_pixel("channel_gain", {"p": measured}, image="p", gain=(neutral / measured).tolist())
    assert got == pytest.approx(neutral, rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(pictures, gains)
def test_each_channel_by_its_factor(render, picture, gain):
    got = render("channel_gain", {"p": Image.from_array(picture)}, image="p", gain=list(gain)).to_array()
    np.testing.assert_allclose(got, np.float64(picture) * [*gain, 1], rtol=2e-7, atol=1e-44)


@settings(max_examples=20, deadline=None)
@given(pictures)
def test_gains_of_one_change_nothing(render, picture):
    got = render("channel_gain", {"p": Image.from_array(picture)}, image="p", gain=1)
    np.testing.assert_array_equal(got.to_array(), picture)


def test_refusals(render):
    log = Image.from_array(np.ones((1, 1, 3)), type=Colour("none", Encoding("ACEScct", "log")))
    with pytest.raises(CheckError, match="scene-linear"):
        render("channel_gain", {"p": log}, image="p")
    with pytest.raises(DocumentError, match="below the smallest value"):
        render("channel_gain", {"p": log}, image="p", gain=[1, -1, 1])
