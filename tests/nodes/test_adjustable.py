"""What all kinds that change colour share: the limits ``within`` and ``amount``."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, DocumentError, Image, Matte, Ratio

few = settings(max_examples=15, deadline=None)
# Coverage as half floats hold it: 0, or not so small that light divided by it would leave float32.
values = st.just(0) | numbers(2**-24, 40)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=values)
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(-1, 2) | st.sampled_from([0, 1]))
shares = st.floats(2**-6, 1, exclude_max=True)

#: One of each way to be adjustable: a multiply, a curve, two pictures, an area kind.
KINDS = {
    "exposure": {"stops": 1.5},
    "cdl": {"slope": [1.2, 0.9, 2], "offset": [0.1, 0, -0.05], "saturation": 1.3},
    "multiply_shadow": {"shadow": "q", "gamma": 1.3},
    "glow": {"radius": 2.0, "strength": 0.5},
}


@pytest.fixture(scope="module")
def adjust(render):
    def compute(kind, picture, matte=None, **limits):
        given = {"p": Image.from_array(picture)}
        if kind == "multiply_shadow":
            given["q"] = Image.from_array(np.full((2, 3, 3), [0.5, 0.7, 1.2]), type=Ratio())
        if matte is not None:
            given["m"] = Image.from_array(matte, type=Matte())
            limits["within"] = "m"
        port = "backdrop" if kind == "multiply_shadow" else "image"
        result = render(kind, given, **{port: "p"}, **KINDS[kind], **limits, warn=lambda *_: None)
        return result.over(given["p"].window).to_array()

    return compute


@pytest.mark.parametrize("kind", KINDS)
@few
@given(pictures, mattes, shares)
def test_a_mix_of_input_and_full_result(adjust, kind, picture, matte, share):
    full = adjust(kind, picture)
    assert not np.array_equal(full, picture) or not picture[..., :3].any()
    weight = np.clip(np.float64(matte), 0, 1)[..., None]
    for got, k in (
        (adjust(kind, picture, amount=share), share),
        (adjust(kind, picture, matte), weight),
        (adjust(kind, picture, matte, amount=share), weight * share),
    ):
        expected = full * np.float64(k) + picture * (1 - np.float64(k))
        np.testing.assert_allclose(got, expected, rtol=2e-6, atol=2e-6 * (1 + np.abs(full).max()))


@pytest.mark.parametrize("kind", KINDS)
@few
@given(pictures)
def test_nothing_and_all_of_it_exactly(adjust, kind, picture):
    full = adjust(kind, picture)
    np.testing.assert_array_equal(adjust(kind, picture, amount=0), picture)
    np.testing.assert_array_equal(adjust(kind, picture, np.zeros((2, 3))), picture)
    np.testing.assert_array_equal(adjust(kind, picture, np.full((2, 3), -3.0)), picture)
    np.testing.assert_array_equal(adjust(kind, picture, np.ones((2, 3))), full)
    np.testing.assert_array_equal(adjust(kind, picture, np.full((2, 3), 9.0), amount=1), full)
    np.testing.assert_array_equal(adjust(kind, picture, np.full((2, 3), 9.0), amount=0), picture)


def test_where_the_matte_ends_nothing_changes(render):
    picture = Image.from_array(np.ones((2, 4, 3)))
    matte = Image.from_array(np.ones((1, 2)), type=Matte(), origin=(1, 1), display=picture.display)
    got = render("exposure", {"p": picture, "m": matte}, image="p", stops=1, within="m")
    assert got["R"].tolist() == [[1, 1, 1, 1], [1, 2, 2, 1]]


def test_a_result_that_is_not_finite_stays_out_of_where_it_is_not_used(render):
    picture = Image.from_array([[[1e38, 1, 1], [1e38, 1, 1]]])
    matte = Image.from_array([[0.0, 1]], type=Matte())
    got = render("exposure", {"p": picture, "m": matte}, image="p", stops=20, within="m")
    assert got["R"][0].tolist() == [np.float32(1e38), np.inf]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("keyed", [False, True])
def test_an_amount_of_0_is_the_input_whatever_the_matte_holds(adjust, kind, keyed):
    picture = np.array([[[1, -0.0, 1e-42, 1], [np.nan, np.inf, -np.inf, 0.5], [0, 0, 0, 0]]] * 2, np.float32)
    matte = np.array([[np.nan, np.inf, -np.inf], [0.5, np.nan, np.nan]])
    amount = {"keys": [[0, 0], [9, 0]]} if keyed else 0
    got = adjust(kind, picture, matte, amount=amount)
    assert got.tobytes() == picture.tobytes()


def test_refusals(render):
    picture = Image.from_array(np.ones((1, 1, 3)))
    with pytest.raises(CheckError, match='port "within" requires a matte'):
        render("exposure", {"p": picture}, image="p", within="p")
    with pytest.raises(DocumentError, match="above the largest value"):
        render("exposure", {"p": picture}, image="p", amount=1.5)
