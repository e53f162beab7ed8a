"""convert_colour, against OpenColorIO itself and colour-science, with coverage and light without."""

from __future__ import annotations

import warnings

import numpy as np
import PyOpenColorIO
import pytest

from stackcomp import CheckError, Composition, Graph, Image
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.files.colour import DEFAULT_CONFIG

REC709 = "Linear Rec.709 (sRGB)"
ACESCG = Encoding("ACEScg", "scene-linear")


@pytest.fixture(scope="module")
def science():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def by_opencolorio(picture, source, target):
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig(DEFAULT_CONFIG)
    pixels = np.array(picture, np.float32, order="C")
    # Without optimisation its powers are those of the C library, not the fast ones.
    processor = config.getProcessor(source, target)
    processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_NONE).applyRGB(pixels)
    return pixels


def picture(seed=0, low=0.0):
    return np.random.default_rng(seed).uniform(low, 2, (6, 8, 3)).astype(np.float32)


def encoded(pixels, name, family, alpha="none"):
    return Image.from_array(pixels, type=Colour(alpha, Encoding(name, family)))


@pytest.mark.parametrize("target", ["ACES2065-1", REC709, "ACEScct", "ARRI LogC4", "sRGB - Display"])
def test_opencolorio_agrees(render, target):
    pixels = picture(low=-0.2)
    got = render("convert_colour", {"p": Image.from_array(pixels)}, image="p", to=target)
    assert got.type.encoding.name == target
    expected = by_opencolorio(pixels, "ACEScg", target)
    np.testing.assert_allclose(got.to_array(), expected, rtol=2e-6, atol=2e-6)


def test_published_pixels(one_pixel):
    # OpenColorIO's built-in configs on (.5, .4, .3); ACEScct of 18 % grey by colour-science.
    pixel = {"p": (0.5, 0.4, 0.3)}
    for target, expected in (
        ("ACES2065-1", (0.453158318, 0.394926025, 0.299297345)),
        (REC709, (0.578830986, 0.388029190, 0.282302431)),
    ):
        assert one_pixel("convert_colour", pixel, image="p", to=target) == pytest.approx(expected, abs=2e-7)
    grey = one_pixel("convert_colour", {"p": (0.18,) * 3}, image="p", to="ACEScct")
    assert grey == pytest.approx([0.4135884025] * 3, abs=2e-7)


def test_colour_science_agrees(render, science):
    pixels = picture(3)
    ap0 = render("convert_colour", {"p": Image.from_array(pixels)}, image="p", to="ACES2065-1").to_array()
    spaces = science.RGB_COLOURSPACES
    theirs = science.RGB_to_RGB(np.float64(pixels), spaces["ACEScg"], spaces["ACES2065-1"], None)
    np.testing.assert_allclose(ap0, theirs, atol=5e-7)
    cct = render("convert_colour", {"p": Image.from_array(pixels)}, image="p", to="ACEScct").to_array()
    theirs = science.models.log_encoding_ACEScct(np.float64(pixels))
    np.testing.assert_allclose(cct, theirs, atol=1e-6)


def test_the_working_space_is_where_it_goes(render):
    # A plate as a camera recorded it, back to light.
    pixels = 0.1 + picture(1) / 4
    got = render("convert_colour", {"p": encoded(pixels, "ACEScct", "log")}, image="p")
    assert got.type == Colour("none", ACESCG)
    np.testing.assert_allclose(got.to_array(), by_opencolorio(pixels, "ACEScct", "ACEScg"), rtol=2e-6, atol=1e-5)
    same = Image.from_array(pixels)
    np.testing.assert_array_equal(render("convert_colour", {"p": same}, image="p").to_array(), pixels)


def test_there_and_back():
    graph = Graph()
    graph.add("flat", "p", size=[8, 6])
    graph.add("convert_colour", "log", image="p", to="ACEScct")
    graph.add("convert_colour", "light", image="log")
    pixels = picture(2)
    got = Composition(graph).render("light", 1, replace={"p": Image.from_array(pixels)}).to_array()
    np.testing.assert_allclose(got, pixels, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize(("target", "atol"), [(REC709, 1e-6), ("ACEScct", 2e-6)])
def test_premultiplied_colour_is_converted_as_straight(render, target, atol):
    straight = picture(4)
    alpha = np.random.default_rng(5).uniform(0.1, 1, (6, 8, 1)).astype(np.float32)
    image = Image.from_array(np.concatenate([straight * alpha, alpha], axis=-1))
    got = render("convert_colour", {"p": image}, image="p", to=target)
    assert got.type.alpha == "premultiplied"
    expected = by_opencolorio(straight, "ACEScg", target) * alpha
    np.testing.assert_allclose(got.to_array()[..., :3], expected, atol=atol, rtol=2e-6)
    np.testing.assert_array_equal(got.to_array()[..., 3:], alpha)


def test_straight_colour_is_converted_as_it_is(render):
    pixels = np.concatenate([picture(6), np.full((6, 8, 1), 0.5)], axis=-1)
    image = Image.from_array(pixels, alpha="straight")
    got = render("convert_colour", {"p": image}, image="p", to="ACEScct").to_array()
    np.testing.assert_allclose(got[..., :3], by_opencolorio(pixels[..., :3], "ACEScg", "ACEScct"), atol=1e-6)


def test_light_without_coverage(render, candle):
    pixels = candle.to_array()
    bare = pixels[..., 3] == 0
    linear = render("convert_colour", {"p": candle}, image="p", to=REC709).to_array()
    expected = by_opencolorio(pixels[..., :3], "ACEScg", REC709)
    np.testing.assert_allclose(linear[bare][:, :3], expected[bare], rtol=2e-6, atol=2e-6)
    assert linear[..., 0].max() == pytest.approx(616.0937, abs=1e-3)
    # Through a curve it keeps what it has beyond black, so that nothing comes from nothing.
    log = render("convert_colour", {"p": candle}, image="p", to="ACEScct").to_array()
    curve = by_opencolorio(pixels[..., :3], "ACEScg", "ACEScct")
    black = by_opencolorio(np.zeros((1, 1, 3)), "ACEScg", "ACEScct")[0, 0]
    np.testing.assert_allclose(log[bare][:, :3], curve[bare] - black, atol=1e-6)
    nothing = render("convert_colour", {"p": Image.from_array(np.zeros((1, 1, 4)))}, image="p", to="ACEScct")
    assert nothing.to_array().tolist() == [[[0, 0, 0, 0]]]


def test_an_unknown_space_gets_the_nearest_names(render):
    with pytest.raises(CheckError, match=r'(?s)no colour space "ACESgc".*did you mean "ACEScg"'):
        render("convert_colour", {"p": Image.from_array(picture())}, image="p", to="ACESgc")


@pytest.mark.parametrize("alpha", [0.0, 2**-10, 0.25, 1.0])
def test_there_and_back_through_log_is_the_same_for_every_alpha(alpha, render):
    light = [0.0, 0.001, 0.18, 1.0, 400.0]
    pixels = np.array([[[v * (alpha or 1), v * (alpha or 1), 0, alpha] for v in light]], np.float32)
    logged = render("convert_colour", {"image": Image.from_array(pixels)}, image="image", to="ACEScct")
    back = render("convert_colour", {"image": logged}, image="image", to="ACEScg")
    np.testing.assert_allclose(back.to_array(), pixels, rtol=2e-5, atol=1e-7)
