"""flat and ramp: made-up pictures whose every pixel can be worked out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import CheckError, Composition, DocumentError, Graph, Image, Matte, Window
from stackcomp.data.port_types import Colour, Encoding

COLOUR = Colour("premultiplied", Encoding("ACEScg", "scene-linear"))
few = settings(max_examples=40, deadline=None)


def made(kind, frame=1, scale=1.0, window=None, **fields):
    graph = Graph()
    graph.add("flat", "other", size=[5, 4])
    graph.add(kind, "it", **fields)
    return Composition(graph).render("it", frame, scale=scale, window=window)


@few
@given(st.integers(1, 40), st.integers(1, 40), st.tuples(*[st.floats(-5, 50)] * 3), st.floats(0, 1))
def test_one_colour_everywhere(width, height, colour, coverage):
    got = made("flat", size=[width, height], colour=list(colour), coverage=coverage)
    assert (got.window, got.display, got.type) == (Window.of_size(width, height),) * 2 + (COLOUR,)
    expected = np.float32([*colour, coverage])
    np.testing.assert_array_equal(got.to_array(), np.broadcast_to(expected, (height, width, 4)))


def test_one_coverage_everywhere():
    got = made("flat", like="other", as_="matte", coverage=0.25)
    assert (got.type, got.window) == (Matte(), Window.of_size(5, 4))
    assert got["A"].tolist() == [[0.25] * 5] * 4


def test_a_colour_over_time():
    graph = Graph()
    graph.add("flat", "it", size=[1, 1], colour={"keys": [[1, [0, 0, 0]], [5, [1, 2, 4]]], "between": "linear"})
    comp = Composition(graph)
    assert [comp.render("it", f)["B"][0, 0] for f in (1, 2, 9)] == [0, 1, 4]


@pytest.mark.parametrize("kind", ["flat", "ramp"])
def test_a_size_of_its_own_or_anothers(kind):
    for fields in ({}, {"size": [2, 2], "like": "other"}):
        with pytest.raises(DocumentError, match=r'has (both|neither) of "size" and "like"\n.*give one'):
            made(kind, **fields)
    with pytest.raises(DocumentError, match="give 1 to 65536 pixels"):
        made(kind, size=[0, 3])
    assert made(kind, like="other").display == Window.of_size(5, 4)
    assert made(kind, size=[40, 30], scale=0.5).display == Window.of_size(20, 15)
    assert made(kind, size=[40, 30], window=(3, 4, 6, 4)).window == Window(3, 4, 9, 8)


def test_a_ramp_of_another_file_is_as_large_as_it(render):
    other = Image.from_array(np.ones((3, 2, 3)), display=Window.of_size(7, 6))
    assert render("ramp", {"p": other}, like="p").window == Window.of_size(7, 6)


three = st.tuples(*[st.floats(-5, 50)] * 3)


@few
@given(st.integers(2, 40), st.integers(2, 40), three, three, st.sampled_from(["across", "down"]))
def test_a_ramp_is_numpys_linspace(width, height, first, last, direction):
    got = made("ramp", size=[width, height], first=list(first), last=list(last), direction=direction)
    assert got.type == COLOUR
    line = np.linspace(first, last, width if direction == "across" else height)
    expected = np.broadcast_to(line[None] if direction == "across" else line[:, None], (height, width, 3))
    np.testing.assert_allclose(got.to_array()[..., :3], expected, atol=5e-6)
    assert (got["A"] == 1).all()
    # A part of it has the same pixels, to the bit.
    part = made("ramp", size=[width, height], first=list(first), last=list(last), direction=direction,
                window=(1, 1, width, height))  # fmt: skip
    np.testing.assert_array_equal(part["G"], got["G"][1:, 1:])


def test_a_ramp_of_coverage():
    got = made("ramp", size=[5, 1], as_="matte")
    assert (got.type, got["A"].tolist()) == (Matte(), [[0, 0.25, 0.5, 0.75, 1]])
    assert made("ramp", size=[1, 1], first=0.5)["R"].tolist() == [[0.5]]


def test_a_ramp_cannot_be_as_large_as_nothing():
    with pytest.raises(CheckError, match='fed by "nobody"'):
        made("ramp", like="nobody")
