"""holdout and restore, against the algebra of Porter and Duff."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, Depth, DocumentError, Image, Layers, Matte, Window
from stackcomp.files.id_hash import id_of

few = settings(max_examples=16, deadline=None)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(0, 40))
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))


def out(matte):
    return Image.from_array(np.asarray(matte, np.float32), type=Matte())


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


# -- several at once ------------------------------------------------------------------------------------------

METRES = arrays.arrays(
    np.float32, (2, 3), elements=st.sampled_from([0, -1, np.nan, np.inf, 0.5, 1, 1.25, 2, 2.5, 9])
)


def distance(metres, along="axis"):
    return Image.from_array(np.asarray(metres, np.float32), type=Depth(along))


def ids(names, cover):
    """Layers of a file with one rank: an object a pixel, and its coverage."""
    bits = np.array([[id_of(name) for name in row] for row in names], np.uint32).view(np.float32)
    planes = {"CryptoObject00.r": bits, "CryptoObject00.g": np.asarray(cover, np.float32)}
    manifest = json.dumps({name: f"{id_of(name):08x}" for row in names for name in row})
    header = {"cryptomatte/k/name": "CryptoObject", "cryptomatte/k/manifest": manifest}
    window = Window.of_size(bits.shape[1], bits.shape[0])
    return Image(planes, window, window, Layers(tuple(planes), metadata=header), header)


@few
@given(pictures, st.lists(mattes, min_size=1, max_size=4))
def test_several_mattes_are_the_operator_out_one_after_the_other(render, picture, some):
    given = {"p": Image.from_array(picture), **{f"m{k}": out(one) for k, one in enumerate(some)}}
    held = render("holdout", given, image="p", mattes=[f"m{k}" for k in range(len(some))])
    left = given["p"]
    for one in some:
        other = np.zeros((2, 3, 4), np.float32)
        other[..., 3] = one
        left = render("porter_duff", {"p": left, "o": Image.from_array(other)}, source="p", backdrop="o",
                      mode="source-out")  # fmt: skip
    np.testing.assert_allclose(held.to_array(), left.to_array(), rtol=1e-6, atol=1e-30)


@few
@given(pictures, METRES, METRES, st.sampled_from([0, 0.25, 1, 3]))
def test_by_depth(render, picture, metres, front, tolerance):
    """Against numpy in float64, written out for each pixel."""
    given = {"p": Image.from_array(picture), "d": distance(metres), "f": distance(front)}
    held = render("holdout", given, image="p", depth="d", front_depth="f", tolerance=tolerance)
    expected = np.empty_like(picture)
    for y, x in np.ndindex(2, 3):
        own, other = float(metres[y, x]), float(front[y, x])
        cut = 0.0
        if np.isfinite(own) and np.isfinite(other) and own > 0 and other > 0 and other < own:
            cut = min(1.0, (own - other) / tolerance) if tolerance else 1.0
        expected[y, x] = picture[y, x] * (1 - cut)
    np.testing.assert_allclose(held.to_array(), expected, rtol=2e-6, atol=2e-6)


def test_a_thing_is_not_cut_by_what_it_stands_on(render):
    picture, same = Image.from_array(np.ones((1, 3, 4))), distance(np.full((1, 3), 2))
    for tolerance in (0, 0.1):
        held = render(
            "holdout", {"p": picture, "d": same}, image="p", depth="d", front_depth="d", tolerance=tolerance
        )
        assert (held.to_array() == 1).all()


def test_by_names_of_ids(render):
    picture = Image.from_array(np.ones((2, 2, 4)))
    file = ids([["cord", "rope"], ["bench", "cord"]], [[0.25, 0.5], [1, 1]])
    held = render("holdout", {"p": picture, "i": file}, image="p", ids="i", names=["cord", "r*"])
    assert held["A"].tolist() == [[0.75, 0.5], [1, 0]]
    with pytest.raises(CheckError, match=r'there is no object "chord".*\n.*did you mean "cord"'):
        render("holdout", {"p": picture, "i": file}, image="p", ids="i", names=["chord"])


def test_all_at_once_leave_the_product(render):
    given = {
        "p": Image.from_array(np.ones((1, 1, 4))), "a": out([[0.5]]), "b": out([[0.25]]), "c": out([[0.5]]),
        "i": ids([["cord"]], [[0.75]]), "d": distance([[3]]), "f": distance([[2]]),
    }  # fmt: skip
    held = render("holdout", given, image="p", matte="a", mattes=["b", "c"], ids="i", names=["cord"], depth="d",
                  front_depth="f", tolerance=4)  # fmt: skip
    assert held["R"][0, 0] == held["A"][0, 0] == np.float32(0.5 * 0.75 * 0.5 * 0.25 * 0.75)


def test_light_without_coverage_is_cut_too(render):
    glow = Image.from_array(np.array([[[2, 1, 0.5, 0]]]))
    held = render("holdout", {"p": glow, "m": out([[0.5]])}, image="p", mattes=["m"])
    assert held.to_array().tolist() == [[[1, 0.5, 0.25, 0]]]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({}, "does not say what stands in front"),
        ({"mattes": []}, "does not say what stands in front"),
        ({"ids": "i"}, 'has "ids", but no "names"'),
        ({"names": ["cord"], "matte": "m"}, 'has "names", but no "ids"'),
        ({"type": "CryptoObject", "matte": "m"}, 'has "type", but no "ids"'),
        ({"depth": "d"}, 'has "depth", but no "front_depth"'),
        ({"front_depth": "d", "matte": "m"}, 'has "front_depth", but no "depth"'),
        ({"matte": "m", "tolerance": -1}, "tolerance"),
    ],
)
def test_fields_that_do_not_go_together(render, fields, words):
    given = {
        "p": Image.from_array(np.ones((1, 1, 4))),
        "m": out([[1]]),
        "d": distance([[1]]),
        "i": ids([["a"]], [[1]]),
    }
    with pytest.raises(DocumentError, match=words):
        render("holdout", given, image="p", **fields)


def test_depths_are_measured_alike(render):
    given = {"p": Image.from_array(np.ones((1, 1, 4))), "d": distance([[1]]), "f": distance([[1]], "ray")}
    with pytest.raises(CheckError, match='"front_depth" is depth along the ray'):
        render("holdout", given, image="p", depth="d", front_depth="f")


def test_ids_in_a_preview(render):
    names = [["cord" if (x + y) % 3 else "bench" for x in range(8)] for y in range(6)]
    picture = Image.from_array(np.ones((6, 8, 4)))
    file = ids(names, np.ones((6, 8)))
    held = render("holdout", {"p": picture, "i": file}, at=0.5, image="p", ids="i", names=["cord"])
    cord = np.array([[name == "cord" for name in row] for row in names], float)
    np.testing.assert_allclose(held["A"], 1 - cord.reshape(3, 2, 4, 2).mean((1, 3)), atol=1e-6)


def test_windows_of_all_sorts(render):
    frame = Window.of_size(8, 6)
    picture = Image.from_array(np.ones((6, 4, 4)), origin=(-2, 1), display=frame)
    file = ids([["cord"] * 3] * 2, np.ones((2, 3)))
    file = Image(file.planes, Window(1, 2, 4, 4), frame, file.type, file.metadata)
    front = Image.from_array(np.ones((1, 8)), type=Depth(), origin=(0, 5), display=frame)
    far = Image.from_array(np.full((6, 8), 2.0), type=Depth(), display=frame)
    held = render("holdout", {"p": picture, "i": file, "f": front, "d": far}, image="p", ids="i", names=["cord"],
                  depth="d", front_depth="f")  # fmt: skip
    expected = np.ones((6, 4))
    expected[1:3, 3:] = 0
    expected[4, 2:] = 0
    assert held.window == picture.window
    np.testing.assert_array_equal(held["A"], expected)
