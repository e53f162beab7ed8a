"""cdl, against the published vectors, OpenColorIO's CDLTransform, and the standard's text in float64."""

from __future__ import annotations

import numpy as np
import PyOpenColorIO
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Image, Matte

few = settings(max_examples=40, deadline=None)
GRADE = {
    "slope": [1.35, 1.1, 0.071], "offset": [0.05, -0.23, 0.11], "power": [0.93, 0.81, 1.27], "saturation": 1.23,
}  # fmt: skip


# OpenColorIO's own CDL tests (ASC CDL v1.2).
@pytest.mark.parametrize(
    ("pixel", "clamp", "expected"),
    [
        ((0.25, 0.5, 0.75), True, (0.422056, 0.401466, 0.035820)),
        ((0.25, 0.5, 0.75), False, (0.422056, 0.401466, 0.035820)),
        ((1.25, 1.5, 1.75), True, (1, 1, 0)),
        ((1.25, 1.5, 1.75), False, (1.753162, 1.331130, -0.108181)),
    ],
)
def test_the_published_vectors(one_pixel, pixel, clamp, expected):
    assert one_pixel("cdl", {"p": pixel}, image="p", clamp=clamp, **GRADE) == pytest.approx(expected, abs=2e-6)


def standard(rgb, slope, offset, power, saturation, clamp):
    """ASC CDL v1.2: slope, offset, clamp, power, saturation about ITU-R BT.709 luma, clamp; float64."""
    v = rgb * slope + offset
    v = np.clip(v, 0, 1) if clamp else v
    v = np.where(v > 0, np.abs(v) ** power, v)
    luma = v @ [0.2126, 0.7152, 0.0722]
    v = luma[..., None] + saturation * (v - luma[..., None])
    return np.clip(v, 0, 1) if clamp else v


three = st.tuples(*[st.floats(0.05, 4)] * 3)
grades = st.fixed_dictionaries(
    {
        "slope": three,
        "offset": st.tuples(*[st.floats(-0.5, 0.5)] * 3),
        "power": three,
        "saturation": st.floats(0, 3),
        "clamp": st.booleans(),
    }
)
pictures = arrays.arrays(np.float32, (2, 3, 3), elements=numbers(-2, 4))


@few
@given(pictures, grades)
def test_the_text_of_the_standard(render, picture, grade):
    fields = {name: list(value) if isinstance(value, tuple) else value for name, value in grade.items()}
    got = render("cdl", {"p": Image.from_array(picture)}, image="p", **fields).to_array()
    expected = standard(np.float64(picture), **grade)
    # A difference of large numbers, next to which what is left is small: hence a share of the largest. At
    # the bend of the power, below exponent 1, the last bit of slope and offset grows without limit.
    smooth = np.all(np.abs(picture * np.float64(grade["slope"]) + grade["offset"]) > 1e-3, axis=-1)
    scale = (
        1
        + np.abs(expected).max(axis=-1)
        + np.abs(standard(np.float64(picture), **{**grade, "saturation": 0})).max()
    )
    error = np.abs(got - expected).max(axis=-1) / scale
    assert error[smooth].max(initial=0) < 3e-5


@pytest.mark.parametrize("clamp", [True, False])
def test_opencolorio_agrees(render, clamp):
    picture = np.random.default_rng(7).normal(0.4, 0.8, (40, 50, 3)).astype(np.float32)
    assert picture.min() < -1
    transform = PyOpenColorIO.CDLTransform(GRADE["slope"], GRADE["offset"], GRADE["power"], GRADE["saturation"])
    transform.setStyle(PyOpenColorIO.CDL_ASC if clamp else PyOpenColorIO.CDL_NO_CLAMP)
    theirs = picture.copy()
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform)
    # Without optimisation their power is that of the C library, not the fast one.
    processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_NONE).applyRGB(theirs)
    got = render("cdl", {"p": Image.from_array(picture)}, image="p", clamp=clamp, **GRADE).to_array()
    np.testing.assert_allclose(got, theirs, rtol=2e-5, atol=2e-6)


@few
@given(pictures)
def test_the_neutral_grade_changes_nothing_but_rounding(render, picture):
    got = render("cdl", {"p": Image.from_array(picture)}, image="p").to_array()
    np.testing.assert_allclose(got, picture, rtol=4e-6, atol=1e-6)


@few
@given(pictures, arrays.arrays(np.float32, (2, 3), elements=numbers(2**-8, 1)), grades)
def test_premultiplied_colour_is_graded_as_straight(render, picture, alpha, grade):
    fields = {name: list(value) if isinstance(value, tuple) else value for name, value in grade.items()}
    edge = np.dstack([picture * alpha[..., None], alpha])
    got = render("cdl", {"p": Image.from_array(edge)}, image="p", **fields).to_array()
    straight = Image.from_array(edge[..., :3] / alpha[..., None])
    graded = render("cdl", {"p": straight}, image="p", **fields).to_array()
    np.testing.assert_array_equal(got[..., 3], alpha)
    np.testing.assert_array_equal(got[..., :3], graded * alpha[..., None])


def test_grading_a_premultiplied_edge_shows_no_rim(one_pixel):
    # A half-covered pixel of a surface, graded and laid over black, is half of the graded surface.
    surface = one_pixel("cdl", {"p": (0.5, 0.4, 0.3)}, image="p", **GRADE)
    edge = one_pixel("cdl", {"p": (0.25, 0.2, 0.15, 0.5)}, image="p", **GRADE)
    assert edge == [*(v / 2 for v in surface), 0.5]


def test_a_flame_survives(render, candle):
    pixels = candle.to_array()
    bare = pixels[..., 3] == 0
    got = render("cdl", {"p": candle}, image="p", slope=[0.5, 0.25, 2], offset=[0.05, 0, 0]).to_array()
    np.testing.assert_allclose(got[bare][:, :3], pixels[bare][:, :3] * [0.5, 0.25, 2], rtol=1e-5, atol=2e-7)
    assert got[..., 0].max() == pytest.approx(413.25 / 2, rel=1e-5)
    # Where there is neither light nor coverage, an offset makes none.
    nothing = ~pixels.any(axis=-1)
    assert not got[nothing].any()


def test_within_a_matte(render):
    picture = np.random.default_rng(1).random((1, 4, 3)).astype(np.float32)
    given = {"p": Image.from_array(picture), "m": Image.from_array([[0, 1, 0.5, 7]], type=Matte())}
    got = render("cdl", given, image="p", within="m", slope=[2, 3, 4]).to_array()
    full = render("cdl", {"p": given["p"]}, image="p", slope=[2, 3, 4]).to_array()
    np.testing.assert_array_equal(got[:, 0], picture[:, 0])
    np.testing.assert_array_equal(got[:, [1, 3]], full[:, [1, 3]])
    np.testing.assert_allclose(got[:, 2], (picture[:, 2] + full[:, 2]) / 2, rtol=1e-6)
