"""colour_matrix, against numpy, the Academy's figures and colour-science."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import DocumentError, Image

few = settings(max_examples=40, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(-4, 400))
matrices = arrays.arrays(np.float64, (3, 3), elements=st.floats(-3, 3))


@few
@given(pictures, matrices)
def test_as_numpy_multiplies(render, picture, matrix):
    image = Image.from_array(picture)
    got = render("colour_matrix", {"p": image}, image="p", matrix=matrix.ravel().tolist()).to_array()
    expected = np.einsum("ij,yxj->yxi", matrix, np.float64(picture[..., :3]))
    np.testing.assert_allclose(got[..., :3], expected, rtol=1e-6, atol=2e-3)
    np.testing.assert_array_equal(got[..., 3], picture[..., 3])


@few
@given(pictures)
def test_the_unit_matrix_changes_nothing(render, picture):
    got = render("colour_matrix", {"p": Image.from_array(picture)}, image="p")
    np.testing.assert_array_equal(got.to_array(), picture)


def test_ap0_to_ap1(one_pixel):
    # Row 1 as aces-dev gives it; the whole matrix as colour-science derives it from the primaries.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    spaces = colour.RGB_COLOURSPACES
    matrix = colour.matrix_RGB_to_RGB(spaces["ACES2065-1"], spaces["ACEScg"], None)
    assert matrix[0] == pytest.approx([1.4514393161, -0.2365107469, -0.2149285693], abs=1e-9)
    pixels = np.random.default_rng(4).random((5, 3))
    for pixel in pixels:
        got = one_pixel("colour_matrix", {"p": pixel}, image="p", matrix=matrix.ravel().tolist())
        theirs = colour.RGB_to_RGB(pixel, spaces["ACES2065-1"], spaces["ACEScg"], None)
        assert got == pytest.approx(theirs, abs=2e-7)


def test_nine_numbers(render):
    with pytest.raises(DocumentError, match="give 9 numbers"):
        render("colour_matrix", {"p": Image.from_array(np.ones((1, 1, 3)))}, image="p", matrix=[1, 0, 0])
