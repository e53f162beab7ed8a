"""invert_matte: the complement, over the whole frame."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Composition, Graph, Image, Matte, Window

FRAME = Window.of_size(4, 3)
few = settings(max_examples=20, deadline=None)


def inverted(matte: Image, **more):
    graph = Graph()
    graph.add("flat", "m", size=[4, 3])
    graph.add("invert_matte", "once", matte="m")
    graph.add("invert_matte", "twice", matte="once")
    graph.add("join_mattes", "none", first="m", second="once", mode="intersection", edges="shared")
    results = Composition(graph).results(["once", "twice", "none"], 1, replace={"m": matte}, **more)
    return {result.node: result.image for result in results}


def test_by_hand_and_1_where_the_matte_has_no_pixels():
    matte = Image.from_array(np.array([[0.25, 1], [-3, 7]]), type=Matte(), origin=(1, 1), display=FRAME)
    for fused in (True, False):
        got = inverted(matte, fused=fused)
        assert got["once"].window == FRAME
        assert got["once"]["A"].tolist() == [[1, 1, 1, 1], [1, 0.75, 0, 1], [1, 1, 0, 1]]
        assert got["twice"]["A"].tolist() == [[0, 0, 0, 0], [0, 0.25, 1, 0], [0, 0, 1, 0]]


def test_overscan_is_kept():
    matte = Image.from_array(np.ones((5, 6)), type=Matte(), origin=(-1, -1), display=FRAME)
    got = inverted(matte)["once"]
    assert got.window == matte.window
    assert not got["A"].any()


@few
@given(arrays.arrays(np.float32, (3, 4), elements=numbers(0, 1)))
def test_a_complement_covers_what_is_left(matte):
    """Zadeh, Fuzzy Sets, 1965: the complement is 1 less the grade of membership."""
    got = inverted(Image.from_array(matte, type=Matte()))
    np.testing.assert_array_equal(got["once"]["A"], np.float32(1) - matte)
    np.testing.assert_allclose(got["twice"]["A"], matte, atol=6e-8)


def test_in_a_preview_the_border_is_1_as_well():
    matte = Image.from_array(np.ones((1, 2)), type=Matte(), origin=(1, 1), display=FRAME)
    got = inverted(matte, scale=0.5)["once"]
    assert got.window == FRAME.scaled(0.5)
    assert got["A"].tolist() == [[0.75, 0.75], [1, 1]]
