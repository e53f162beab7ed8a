"""multiply_shadow: differential rendering as a ratio (Debevec 1998), over for coverage-style passes, and knobs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import CheckError, Image, Matte, Ratio, Window
from stackcomp.data.port_types import Colour, Encoding

few = settings(max_examples=40, deadline=None)
lights = numbers(2**-8, 40)
plates = arrays.arrays(np.float32, (2, 3, 3), elements=lights)
ratios = arrays.arrays(np.float32, (2, 3, 3), elements=numbers(0, 3))
mattes = arrays.arrays(np.float32, (2, 3), elements=numbers(0, 1))


@pytest.fixture(scope="module")
def shade(render):
    def compute(plate, shadow, **fields):
        pass_ = shadow if isinstance(shadow, Image) else Image.from_array(shadow, type=Ratio())
        given = {"p": plate if isinstance(plate, Image) else Image.from_array(plate), "q": pass_}
        return render("multiply_shadow", given, backdrop="p", shadow="q", **fields).to_array()

    return compute


def reference(plate, ratio, gamma=1, density=1, floor=0, tint=(0, 0, 0), black=(0, 0, 0)):
    """The class text, in order, in float64."""
    plate, q = np.float64(plate), np.float64(ratio)
    q = np.maximum(1 + (q**gamma - 1) * density, floor)
    q = q + (1 - np.minimum(q, 1)) * tint
    return (plate - black) * q + black


@few
@given(plates, plates)
def test_debevecs_identity(shade, joint, alone):
    # Differential rendering: what the set looks like with the CG, over without, times the plate; where the
    # plate is the render without, that is the joint render.
    got = shade(alone, joint / alone)
    np.testing.assert_allclose(got, joint, rtol=2e-6)


def test_deep_shadows_keep_their_digits(shade):
    assert shade([[[1000.0] * 3]], [[[1e-6] * 3]])[0, 0] == pytest.approx([1e-3] * 3, rel=2e-6)


@few
@given(plates, ratios, st.floats(0.25, 4), st.floats(0, 3), st.floats(0, 1),
       st.tuples(*[st.floats(0, 1)] * 3), st.tuples(*[st.floats(-0.01, 0.01)] * 3))  # fmt: skip
def test_the_order_of_operations(shade, plate, ratio, gamma, density, floor, tint, black):
    knobs = {"gamma": gamma, "density": density, "floor": floor, "tint": list(tint), "black": list(black)}
    expected = reference(plate, ratio, gamma, density, floor, tint, black)
    scale = plate * (1 + density * ratio**gamma)
    assert (np.abs(shade(plate, ratio, **knobs) - expected) / (scale + 1e-3)).max() < 5e-6


def test_by_hand(shade):
    # ½² = ¼, at density ½: ⅝; half of the missing ⅜ comes back: 13/16 of 2.
    got = shade([[[2.0] * 3]], [[[0.5] * 3]], gamma=2, density=0.5, tint=0.5)
    assert got.tolist() == [[[pytest.approx(1.625, rel=1e-6)] * 3]]


@pytest.mark.slow
@few
@given(plates, mattes)
def test_black_with_alpha_is_laid_over(shade, render, plate, alpha):
    pixels = np.zeros((2, 3, 4))
    pixels[..., 3] = alpha
    shadow = Image.from_array(pixels)
    over = render("over", {"s": shadow, "b": Image.from_array(plate)}, source="s", backdrop="b").to_array()
    np.testing.assert_allclose(shade(plate, shadow), over, rtol=3e-6, atol=3e-6)


@few
@given(plates, ratios)
def test_knobs_at_rest_only_multiply(shade, plate, ratio):
    np.testing.assert_allclose(shade(plate, ratio), plate * ratio, rtol=3e-6, atol=1e-6)
    np.testing.assert_array_equal(shade(plate, ratio, density=0), plate)
    np.testing.assert_allclose(shade(plate, np.ones((2, 3, 3))), plate, rtol=3e-7)
    # A floor or a tint of 1: no shadow is left, light thrown by the CG stays.
    for full in ({"floor": 1.0}, {"tint": 1.0}):
        np.testing.assert_allclose(shade(plate, ratio, **full), plate * np.maximum(ratio, 1), rtol=3e-6)


@few
@given(plates, arrays.arrays(np.float32, (2, 3, 3), elements=numbers(0, 1)),
       st.sampled_from(["gamma", "density", "floor", "tint"]),
       st.tuples(st.floats(0.01, 1), st.floats(0.01, 1)).filter(lambda pair: pair[0] < pair[1]))  # fmt: skip
def test_knobs_are_monotone(shade, plate, ratio, knob, pair):
    less, more = (shade(plate, ratio, **{knob: value}) for value in pair)
    # More gamma or density darkens a shadow, more floor or tint lifts it.
    darker, brighter = (more, less) if knob in ("gamma", "density") else (less, more)
    assert (darker <= brighter * (1 + 4e-6)).all()
    assert (brighter <= plate * (1 + 4e-6)).all()


@few
@given(arrays.arrays(np.float32, (2, 3, 3), elements=numbers(0, 1)))
def test_no_shadow_goes_below_the_plates_black(shade, ratio):
    plate = np.full((2, 3, 3), 0.5, np.float32)
    got = shade(plate, ratio, black=0.01)
    assert got.min() >= 0.01 - 1e-7
    assert shade(plate, ratio * 0, black=0.01) == pytest.approx(np.full((2, 3, 3), 0.01))


def test_a_coverage_passs_own_colour_is_added(shade):
    # A blue-ish shadow: premultiplied colour .05 with alpha .5 over 1.
    shadow = Image.from_array([[[0, 0, 0.05, 0.5]]])
    assert shade([[[1.0] * 3]], shadow)[0, 0] == pytest.approx([0.5, 0.5, 0.55])
    assert shade([[[1.0] * 3]], shadow, density=0.5)[0, 0] == pytest.approx([0.75, 0.75, 0.775])


def test_beyond_the_pass_there_is_no_shadow(shade):
    plate = Image.from_array(np.ones((1, 3, 3)))
    ratio = Image.from_array(np.full((1, 1, 3), 0.5), type=Ratio(), origin=(1, 0), display=plate.display)
    assert shade(plate, ratio, black=0.1)[0, :, 0].tolist() == [1, pytest.approx(0.55), 1]
    # And beyond the plate there is no plate, whatever its black.
    small = Image.from_array(np.ones((1, 1, 3)), display=Window.of_size(3, 1))
    wide = np.full((1, 3, 3), 0.5)
    assert shade(small, wide, black=0.1)[0, :, 0].tolist() == [pytest.approx(0.55), 0, 0]


def test_premultiplied_backdrops_keep_their_alpha(shade):
    plate = Image.from_array([[[0.25, 0.25, 0.25, 0.5]]])
    got = shade(plate, [[[0.5] * 3]], black=0.1)
    # Straight .5, its part above .1 halved: .3; times alpha.
    assert got[0, 0] == pytest.approx([0.15, 0.15, 0.15, 0.5])


def test_refusals(render):
    ratio = Image.from_array(np.ones((1, 1, 3)), type=Ratio())
    log = Image.from_array(np.ones((1, 1, 3)), type=Colour("none", Encoding("ACEScct", "log")))
    with pytest.raises(CheckError, match="scene-linear"):
        render("multiply_shadow", {"p": log, "q": ratio}, backdrop="p", shadow="q")
    matte = Image.from_array(np.ones((1, 1)), type=Matte())
    plate = Image.from_array(np.ones((1, 1, 3)))
    with pytest.raises(CheckError, match='port "shadow" requires a ratio or premultiplied colour'):
        render("multiply_shadow", {"p": plate, "q": matte}, backdrop="p", shadow="q")
