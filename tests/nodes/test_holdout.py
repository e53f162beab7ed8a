"""holdout and restore, against the algebra of Porter and Duff."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, Image, Matte, Window

few = settings(max_examples=40, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(0, 40))
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))


def out(matte):
    return Image.from_array(matte, type=Matte())


def test_by_hand(one_pixel):
    pixels = {"p": (1, 0.5, 0, 0.5), "m": 0.75}
    assert one_pixel("holdout", pixels, {"m": Matte()}, image="p", matte="m") == [0.25, 0.125, 0, 0.125]


@few
@given(pictures, mattes)
def test_the_operator_out(render, picture, matte):
    # Porter and Duff's "out" by something that covers as the matte says.
    other = np.zeros((2, 3, 4), np.float32)
    other[..., 3] = matte
    image = Image.from_array(picture)
    held = render("holdout", {"p": image, "m": out(matte)}, image="p", matte="m")
    same = render("porter_duff", {"p": image, "o": Image.from_array(other)}, source="p", backdrop="o",
                  mode="source-out")  # fmt: skip
    np.testing.assert_array_equal(held.to_array(), same.to_array())


@few
@given(pictures, mattes)
def test_limits(render, picture, matte):
    image = Image.from_array(picture)

    def held(values):
        return render("holdout", {"p": image, "m": out(values)}, image="p", matte="m").to_array()

    np.testing.assert_array_equal(held(np.zeros((2, 3))), picture)
    np.testing.assert_array_equal(held(matte - 2), picture)
    assert not held(matte + 1).any()


@few
@given(pictures, mattes, pictures)
def test_what_was_held_out_fits_what_stands_in_front(render, cg, matte, front):
    # CG held out by the matte of an opaque thing, then added to that thing cut out by the same matte, is the
    # thing laid over the CG: (f in m) over cg = f·m + cg·(1 − m) with an opaque f.
    front[..., 3] = 1
    cut = front * matte[..., None]
    held = render("holdout", {"p": Image.from_array(cg), "m": out(matte)}, image="p", matte="m").to_array()
    over = render("over", {"s": Image.from_array(cut), "b": Image.from_array(cg)}, source="s", backdrop="b")
    np.testing.assert_allclose(held + cut, over.to_array(), rtol=1e-6, atol=1e-6)


def test_where_the_matte_ends_all_stays(render):
    picture = Image.from_array(np.ones((2, 3, 4)))
    matte = Image.from_array(np.ones((1, 1)), type=Matte(), origin=(1, 0), display=picture.display)
    got = render("holdout", {"p": picture, "m": matte}, image="p", matte="m")
    assert got["A"].tolist() == [[1, 0, 1], [1, 1, 1]]


def test_a_matte_is_wanted(render):
    picture = Image.from_array(np.ones((1, 1, 4)))
    with pytest.raises(CheckError, match='port "matte" requires a matte'):
        render("holdout", {"p": picture}, image="p", matte="p")
    plain = Image.from_array(np.ones((1, 1, 3)))
    with pytest.raises(CheckError, match="nothing can be laid over without coverage"):
        render("holdout", {"p": plain, "m": out(np.ones((1, 1)))}, image="p", matte="m")


def test_the_window_is_the_pictures(render):
    frame = Window.of_size(8, 8)
    picture = Image.from_array(np.ones((2, 2, 4)), origin=(-1, 3), display=frame)
    matte = Image.from_array(np.zeros((8, 8)), type=Matte())
    assert render("holdout", {"p": picture, "m": matte}, image="p", matte="m").window == picture.window
