"""exposure: stops of photography, and its laws with coverage and light without."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, Composition, Graph, Image
from stackcomp.data.port_types import Colour, Encoding

few = settings(max_examples=40, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(-4, 400))


def test_a_grey_card_two_stops_up(one_pixel):
    # Photography: from 18 % to 72 % are two stops; 18 % lies 2.4739 stops under 100 %.
    assert one_pixel("exposure", {"p": (0.18,) * 3}, image="p", stops=2) == pytest.approx([0.72] * 3)
    assert one_pixel("exposure", {"p": (0.18,) * 3}, image="p", stops=2.4739) == pytest.approx([1] * 3, abs=1e-4)


@few
@given(pictures, st.floats(-12, 12))
def test_a_factor_of_two_a_stop(render, picture, stops):
    got = render("exposure", {"p": Image.from_array(picture)}, image="p", stops=stops).to_array()
    expected = picture.astype(np.float64)
    expected[..., :3] *= 2.0**stops
    np.testing.assert_allclose(got, expected, rtol=2e-7, atol=2e-45)


@few
@given(pictures)
def test_no_stops_change_nothing(render, picture):
    got = render("exposure", {"p": Image.from_array(picture)}, image="p", stops=0)
    np.testing.assert_array_equal(got.to_array(), picture)


def test_stops_over_time():
    graph = Graph(frames="1-3")
    graph.add("flat", "p", size=[1, 1], colour=0.5)
    graph.add("exposure", "e", image="p", stops={"keys": [[1, 0], [3, 2]], "between": "linear"})
    comp = Composition(graph)
    assert [comp.render("e", frame)["R"][0, 0] for frame in (1, 2, 3)] == [0.5, 1, 2]


def test_a_flame_gets_brighter_as_a_whole(render, candle):
    pixels = candle.to_array()
    got = render("exposure", {"p": candle}, image="p", stops=-1).to_array()
    np.testing.assert_array_equal(got[..., :3], pixels[..., :3] * np.float32(0.5))
    np.testing.assert_array_equal(got[..., 3], pixels[..., 3])


def test_log_encoded_pictures_are_refused(render):
    log = Image.from_array(np.ones((1, 1, 3)), type=Colour("none", Encoding("ACEScct", "log")))
    with pytest.raises(CheckError, match=r'requires scene-linear light, but "p" gives .*ACEScct'):
        render("exposure", {"p": log}, image="p", stops=1)
