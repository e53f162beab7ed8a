"""restore, against the algebra of Porter and Duff: source in matte, over backdrop."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Image, Matte, Window

few = settings(max_examples=40, deadline=None)
plates = arrays.arrays(np.float32, (2, 3, 3), elements=numbers(0, 40))
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(0, 40))
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))


def images(source, backdrop, matte):
    return {
        "s": Image.from_array(source),
        "b": Image.from_array(backdrop),
        "m": Image.from_array(matte, type=Matte()),
    }


PORTS = {"source": "s", "backdrop": "b", "matte": "m"}


def test_by_hand(one_pixel):
    pixels = {"s": (1, 0.5, 0), "b": (0, 0.5, 1), "m": 0.25}
    assert one_pixel("restore", pixels, {"m": Matte()}, **PORTS) == [0.25, 0.5, 0.75]


@few
@given(plates, plates, mattes)
def test_a_mix_of_plate_and_comp(render, plate, comp, matte):
    got = render("restore", images(plate, comp, matte), **PORTS).to_array()
    m = np.float64(matte)[..., None]
    np.testing.assert_allclose(got, plate * m + comp * (1 - m), rtol=1e-6, atol=1e-6)


@few
@given(pictures, pictures, mattes)
def test_in_then_over(render, plate, comp, matte):
    # The same made of published operators: plate "source-in" what covers as the matte, "source-over" comp.
    cover = np.zeros((2, 3, 4), np.float32)
    cover[..., 3] = matte
    part = render("porter_duff", {"s": Image.from_array(plate), "b": Image.from_array(cover)}, source="s",
                  backdrop="b", mode="source-in")  # fmt: skip
    expected = render("over", {"s": part, "b": Image.from_array(comp)}, source="s", backdrop="b")
    got = render("restore", images(plate, comp, matte), **PORTS)
    np.testing.assert_array_equal(got.to_array(), expected.to_array())


@few
@given(plates, plates, mattes)
def test_limits(render, plate, comp, matte):
    for values, expected in ((matte * 0, comp), (matte - 5, comp), (matte * 0 + 1, plate), (matte + 2, plate)):
        got = render("restore", images(plate, comp, values), **PORTS).to_array()
        np.testing.assert_array_equal(got, expected)


def test_a_cropped_plate_restores_only_where_it_has_pixels(render):
    frame = Window.of_size(4, 1)
    given = {
        "s": Image.from_array(np.full((1, 2, 3), 0.75), origin=(1, 0), display=frame),
        "b": Image.from_array(np.full((1, 4, 4), 0.25)),
        "m": Image.from_array(np.ones((1, 4)), type=Matte()),
    }
    got = render("restore", given, **PORTS)
    assert got["R"].tolist() == [[0.25, 0.75, 0.75, 0.25]]
    assert got["A"].tolist() == [[0.25, 1, 1, 0.25]]
