"""blend, against the text of W3C Compositing and Blending Level 1, and against Pillow and pyvips."""

from __future__ import annotations

import math
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Composition, Graph, Image, Window
from stackcomp.nodes.blend import Mode
from stackcomp.nodes.blend_modes import MODES


# B(Cb, Cs) as sections 10.1.1 to 10.1.12 state it, line for line, in float64.
def multiply(b, s):
    return b * s


def screen(b, s):
    return b + s - b * s


def hard_light(b, s):
    return multiply(b, 2 * s) if s <= 0.5 else screen(b, 2 * s - 1)


def color_dodge(b, s):
    if b == 0:
        return 0
    return 1 if s == 1 else min(1, b / (1 - s))


def color_burn(b, s):
    if b == 1:
        return 1
    return 0 if s == 0 else 1 - min(1, (1 - b) / s)


def soft_light(b, s):
    if s <= 0.5:
        return b - (1 - 2 * s) * b * (1 - b)
    d = ((16 * b - 12) * b + 4) * b if b <= 0.25 else math.sqrt(b)
    return b + (2 * s - 1) * (d - b)


TEXT = {
    "normal": lambda b, s: s,
    "multiply": multiply,
    "screen": screen,
    "overlay": lambda b, s: hard_light(s, b),
    "darken": min,
    "lighten": max,
    "color-dodge": color_dodge,
    "color-burn": color_burn,
    "hard-light": hard_light,
    "soft-light": soft_light,
    "difference": lambda b, s: abs(b - s),
    "exclusion": lambda b, s: b + s - 2 * b * s,
}


def published(mode, source, backdrop):
    """Sections 5.8 and 10: Cr = (1 − αb) Cs + αb B(Cb, Cs), then source-over, of straight colour."""
    (*cs, sa), (*cb, ba) = np.float64(source), np.float64(backdrop)
    mixed = [(1 - ba) * s + ba * TEXT[mode](b, s) for b, s in zip(cb, cs, strict=True)]
    return [sa * m + (1 - sa) * ba * b for m, b in zip(mixed, cb, strict=True)] + [sa + ba * (1 - sa)]


def all_modes(given):
    """Every mode in one sweep: one loop to compile instead of twelve."""
    graph = Graph()
    for name in given:
        graph.add("flat", name, size=[3, 2])
    for mode in TEXT:
        graph.add("blend", mode, source="s", backdrop="b", mode=mode)
    return {result.node: result.image for result in Composition(graph).results(list(TEXT), 1, replace=given)}


def premultiplied(straight):
    return Image.from_array(np.concatenate([straight[..., :3] * straight[..., 3:], straight[..., 3:]], axis=-1))


def test_all_published_modes_are_here():
    assert set(get_args(Mode)) == set(TEXT) == set(MODES)


# Sixteenths: the published corner cases (0, ¼, ½, 1) come up often.
sixteenths = st.integers(0, 16).map(lambda k: k / 16)
pictures = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(0, 1) | sixteenths)


@settings(max_examples=30, deadline=None)
@given(pictures, pictures)
def test_as_published(source, backdrop):
    # Tiny coverage cannot hold a straight colour to the last bit; the law of alpha 0 has a test of its own.
    for picture in (source, backdrop):
        picture[..., 3] = np.where(picture[..., 3] < 1e-3, 1e-3, picture[..., 3])
    images = all_modes({"s": premultiplied(source), "b": premultiplied(backdrop)})
    for mode, image in images.items():
        got = image.to_array()
        for at in np.ndindex(2, 3):
            # What the mode sees is what is left after a product and a division in float32; a burn by a
            # nearly black source and a dodge by a nearly white one magnify the last bit of it.
            s, b = (held(picture[at]) for picture in (source, backdrop))
            expected = published(mode, s, b)
            loose = mode in ("color-dodge", "color-burn")
            assert got[at] == pytest.approx(expected, abs=2e-3 if loose else 3e-6), (mode, s, b)


def held(pixel):
    colour = pixel[:3] * pixel[3] / pixel[3]
    return np.append(colour, pixel[3])


@pytest.mark.parametrize(
    ("mode", "expected"),
    [
        # Backdrop .25, source .75, both opaque: worked by hand from the published formulas.
        ("normal", 0.75),
        ("multiply", 0.1875),
        ("screen", 0.8125),
        ("overlay", 0.375),
        ("darken", 0.25),
        ("lighten", 0.75),
        ("color-dodge", 1),
        ("color-burn", 0),
        ("hard-light", 0.625),
        ("soft-light", 0.375),
        ("difference", 0.5),
        ("exclusion", 0.625),
    ],
)
def test_by_hand(mode, expected):
    assert MODES[mode](0.75, 0.75, 0.75, 1, 0.25, 0.25, 0.25, 1) == (expected, expected, expected, 1)
    # Half covered by the source: the mean of that and the backdrop.
    half = MODES[mode](0.375, 0.375, 0.375, 0.5, 0.25, 0.25, 0.25, 1)
    assert half == ((expected + 0.25) / 2,) * 3 + (1,)


lights = arrays.arrays(np.float32, (2, 3, 4), elements=numbers(-1, 60))


@settings(max_examples=30, deadline=None)
@given(lights, pictures)
def test_light_without_coverage_is_added(light, other):
    light[..., 3] = 0
    bare, backdrop = Image.from_array(light), premultiplied(other)
    for mode, image in all_modes({"s": bare, "b": backdrop}).items():
        np.testing.assert_array_equal(image.to_array(), light + backdrop.to_array(), err_msg=mode)
    for mode, image in all_modes({"s": backdrop, "b": bare}).items():
        expected = backdrop.to_array() + light * (1 - backdrop.to_array()[..., 3:])
        np.testing.assert_allclose(image.to_array(), expected, rtol=1e-6, atol=1e-5, err_msg=mode)


def test_where_one_picture_ends_the_other_goes_on(render):
    frame = Window.of_size(4, 1)
    s = Image.from_array([[[0.2, 0.2, 0.2, 0.5]] * 2], display=frame)
    b = Image.from_array([[[0.5, 0.5, 0.5]] * 2], origin=(1, 0), display=frame)
    got = render("blend", {"s": s, "b": b}, source="s", backdrop="b", mode="multiply")
    assert got.window == Window(0, 0, 3, 1)
    assert got.channels == ("R", "G", "B", "A")
    assert got["R"][0].tolist() == pytest.approx([0.2, 0.35, 0.5])  # .5·.4·.5 + .5·.5 in the middle
    assert got["A"][0].tolist() == [0.5, 1, 1]


class TestBeyondOne:
    """What the class text says about scene-linear light; no source beside it."""

    ANY = st.floats(-5, 50)
    UNIT = st.floats(0, 1)

    @staticmethod
    def opaque(mode, b, s):
        return MODES[mode](s, s, s, 1, b, b, b, 1)[0]

    @given(ANY, ANY)
    def test_modes_that_hold_for_any_value(self, b, s):
        for mode in ("normal", "multiply", "darken", "lighten", "difference"):
            assert self.opaque(mode, b, s) == pytest.approx(TEXT[mode](b, s))

    @given(st.floats(1, 50), ANY)
    def test_the_brighter_and_the_difference(self, bright, s):
        for b, other in ((bright, s), (s, bright)):
            assert self.opaque("screen", b, other) == pytest.approx(max(b, other))
            assert self.opaque("exclusion", b, other) == pytest.approx(abs(b - other))

    @given(st.floats(1, 50) | st.floats(-5, 0), ANY)
    def test_a_backdrop_that_stays(self, b, s):
        for mode in ("color-dodge", "color-burn", "soft-light"):
            assert self.opaque(mode, b, s) == b

    @given(UNIT, st.floats(1, 50))
    def test_a_source_that_is_limited(self, b, s):
        for mode in ("color-dodge", "color-burn", "soft-light"):
            assert self.opaque(mode, b, s) == self.opaque(mode, b, 1)
            assert self.opaque(mode, b, -s) == self.opaque(mode, b, 0)

    @given(UNIT)
    def test_no_step_at_one(self, value):
        tiny = 1e-9
        for mode in MODES:
            for b, s in ((1, value), (value, 1)):
                if (mode, b < 1) in (("color-dodge", True), ("color-burn", True)):
                    continue  # the published formula itself has a step there
                here = self.opaque(mode, b, s)
                above = self.opaque(mode, b + tiny * (b == 1), s + tiny * (s == 1))
                assert above == pytest.approx(here, abs=1e-7), mode

    @given(ANY)
    def test_neutral_sources_change_nothing(self, b):
        neutral = {"multiply": 1, "screen": 0, "color-dodge": 0, "color-burn": 1, "soft-light": 0.5,
                   "hard-light": 0.5, "difference": 0, "exclusion": 0}  # fmt: skip
        for mode, s in neutral.items():
            expected = abs(b) if mode == "difference" or (mode == "exclusion" and b > 1) else b
            assert self.opaque(mode, b, s) == pytest.approx(expected), mode


def test_pillow_agrees_on_opaque_pictures():
    from PIL import Image as Pillow
    from PIL import ImageChops

    theirs = {
        "multiply": ImageChops.multiply, "screen": ImageChops.screen, "overlay": ImageChops.overlay,
        "hard-light": ImageChops.hard_light, "darken": ImageChops.darker, "lighten": ImageChops.lighter,
        "difference": ImageChops.difference,
    }  # fmt: skip
    rng = np.random.default_rng(8)
    source, backdrop = rng.integers(0, 256, (2, 2, 3, 3), np.uint8)
    s, b = (np.dstack([picture / 255, np.ones((2, 3))]) for picture in (source, backdrop))
    images = all_modes({"s": Image.from_array(s), "b": Image.from_array(b)})
    for mode, function in theirs.items():
        made = np.asarray(function(Pillow.fromarray(backdrop), Pillow.fromarray(source)))
        difference = np.abs(images[mode].to_array()[..., :3] * 255 - made)
        assert difference.max() <= 1.6, mode  # their 8-bit arithmetic cuts off twice


def test_pyvips_agrees_on_opaque_pictures():
    # With partial coverage libvips multiplies by both alphas once more than the standard says, so not there.
    pyvips = pytest.importorskip("pyvips")
    theirs = {
        "multiply": "multiply", "screen": "screen", "overlay": "overlay", "darken": "darken",
        "lighten": "lighten", "color-dodge": "colour-dodge", "color-burn": "colour-burn",
        "hard-light": "hard-light", "soft-light": "soft-light", "difference": "difference",
        "exclusion": "exclusion",
    }  # fmt: skip
    source, backdrop = np.random.default_rng(9).random((2, 2, 3, 4)).astype(np.float32)
    source[..., 3] = backdrop[..., 3] = 1
    images = all_modes({"s": Image.from_array(source), "b": Image.from_array(backdrop)})

    def vips(picture):
        return pyvips.Image.new_from_array(picture * np.float32(255)).copy(interpretation="srgb")

    for mode, name in theirs.items():
        expected = vips(backdrop).composite2(vips(source), name).numpy() / 255
        np.testing.assert_allclose(images[mode].to_array(), expected, atol=2e-6, err_msg=mode)
