"""porter_duff, against the table of W3C Compositing and Blending Level 1, and pyvips."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as arrays
from strategies import numbers

from stackcomp import Composition, Graph, Image, Window
from stackcomp.nodes.porter_duff import Mode

# Fa and Fb as W3C Compositing and Blending Level 1, section 9.1, gives them.
TABLE = {
    "clear": lambda s, b: (0, 0),
    "copy": lambda s, b: (1, 0),
    "destination": lambda s, b: (0, 1),
    "source-over": lambda s, b: (1, 1 - s),
    "destination-over": lambda s, b: (1 - b, 1),
    "source-in": lambda s, b: (b, 0),
    "destination-in": lambda s, b: (0, s),
    "source-out": lambda s, b: (1 - b, 0),
    "destination-out": lambda s, b: (0, 1 - s),
    "source-atop": lambda s, b: (b, 1 - s),
    "destination-atop": lambda s, b: (1 - b, s),
    "xor": lambda s, b: (1 - b, 1 - s),
    "plus": lambda s, b: (1, 1),
}
#: Which of the four regions neither, source only, backdrop only, both an operator shows, and whose.
REGIONS = {
    "clear": "....", "copy": ".s.s", "destination": "..bb", "source-over": ".sbs", "destination-over": ".sbb",
    "source-in": "...s", "destination-in": "...b", "source-out": ".s..", "destination-out": "..b.",
    "source-atop": "..bs", "destination-atop": ".s.b", "xor": ".sb.",
}  # fmt: skip
FRAME = Window.of_size(6, 3)


def published(operator, source, backdrop):
    source, backdrop = np.float64(source), np.float64(backdrop)
    fa, fb = TABLE[operator](source[..., 3:], backdrop[..., 3:])
    result = source * fa + backdrop * fb
    if operator == "plus":
        result[..., 3] = np.minimum(result[..., 3], 1)
    return result


def all_operators(given):
    """Every operator in one sweep: one loop to compile instead of thirteen."""
    graph = Graph()
    for name in given:
        graph.add("flat", name, size=[6, 3])
    for operator in TABLE:
        graph.add("porter_duff", operator, source="s", backdrop="b", mode=operator)
    results = Composition(graph).results(list(TABLE), 1, replace=given)
    return {result.node: result.image for result in results}


def test_all_published_operators_are_here():
    assert set(get_args(Mode)) == set(TABLE)


@pytest.mark.parametrize("operator", REGIONS)
def test_the_worked_example(operator):
    # αs = αb = .5: four regions of .25, each of which shows source, backdrop or nothing.
    s = Image.from_array(np.broadcast_to(np.float32([0.5, 0, 0, 0.5]), (3, 6, 4)))
    b = Image.from_array(np.broadcast_to(np.float32([0, 0.5, 0, 0.5]), (3, 6, 4)))
    got = all_operators({"s": s, "b": b})[operator]
    if operator == "clear":
        assert got.window.empty
        return
    shown = REGIONS[operator]
    red, green = 0.25 * shown.count("s"), 0.25 * shown.count("b")
    assert got.to_array()[1, 2].tolist() == [red, green, 0, red + green]


values = arrays.arrays(np.float32, (3, 6, 4), elements=numbers(0, 50))


@settings(max_examples=30, deadline=None)
@given(values, values, arrays.arrays(np.float32, (2, 3, 6), elements=numbers(0, 1)))
def test_the_table(source, backdrop, alphas):
    source, backdrop = source.copy(), backdrop.copy()
    source[..., 3], backdrop[..., 3] = alphas
    images = all_operators({"s": Image.from_array(source), "b": Image.from_array(backdrop)})
    for operator, image in images.items():
        expected = published(operator, source, backdrop)
        np.testing.assert_allclose(image.to_array(FRAME), expected, rtol=1e-6, atol=2e-5, err_msg=operator)


def test_windows_say_where_something_can_be(render):
    s = Image.from_array(np.full((3, 3, 4), 0.5), display=FRAME)
    b = Image.from_array(np.full((2, 3, 4), 0.25), origin=(2, 1), display=FRAME)
    images = all_operators({"s": s, "b": b})
    joined, shared = Window(0, 0, 5, 3), Window(2, 1, 3, 3)
    windows = {
        "copy": s.window, "source-out": s.window, "destination-atop": s.window, "destination": b.window,
        "destination-out": b.window, "source-atop": b.window, "source-in": shared, "destination-in": shared,
        "source-over": joined, "destination-over": joined, "xor": joined, "plus": joined,
    }  # fmt: skip
    assert images.pop("clear").window.empty
    assert {name: image.window for name, image in images.items()} == windows
    for name, image in images.items():
        # Padded with nothing to the frame, the pictures obey the table there too.
        expected = published(name, s.to_array(FRAME), b.to_array(FRAME))
        np.testing.assert_allclose(image.to_array(FRAME), expected, atol=1e-7, err_msg=name)
    # By itself each is computed over its own window only.
    for name in ("source-in", "xor"):
        alone = render("porter_duff", {"s": s, "b": b}, source="s", backdrop="b", mode=name)
        assert alone.window == images[name].window
        np.testing.assert_array_equal(alone.to_array(), images[name].to_array())


def test_a_backdrop_without_alpha_covers_where_it_has_pixels():
    s = Image.from_array(np.full((3, 4, 4), 0.5), display=FRAME)
    b = Image.from_array(np.full((3, 3, 3), 0.25), origin=(2, 0), display=FRAME)
    opaque = np.zeros((3, 6, 4))
    opaque[:, 2:5] = [0.25, 0.25, 0.25, 1]
    for name, image in all_operators({"s": s, "b": b}).items():
        assert image.type.alpha == "premultiplied"
        expected = published(name, s.to_array(FRAME), opaque)
        np.testing.assert_allclose(image.to_array(FRAME), expected, atol=1e-7, err_msg=name)


def test_disjoint_pictures_share_nothing(render):
    s = Image.from_array(np.full((3, 2, 4), 0.5), display=FRAME)
    b = Image.from_array(np.full((3, 2, 4), 0.25), origin=(4, 0), display=FRAME)
    images = all_operators({"s": s, "b": b})
    assert images["source-in"].window.empty
    assert images["source-in"].to_array().tolist() == np.zeros((3, 6, 4)).tolist()


def test_light_is_not_limited_but_coverage_is(one_pixel):
    pixels = {"s": (3, 2, 1, 0.75), "b": (4, 0, -1, 0.5)}
    assert one_pixel("porter_duff", pixels, source="s", backdrop="b", mode="plus") == [7, 2, 0, 1]


# Names of the same operators in pyvips, whose composite is float throughout.
PYVIPS = {
    "copy": "source", "source-over": "over", "source-in": "in", "source-out": "out", "source-atop": "atop",
    "destination": "dest", "destination-over": "dest-over", "destination-in": "dest-in",
    "destination-out": "dest-out", "destination-atop": "dest-atop", "xor": "xor", "plus": "add",
}  # fmt: skip


def test_pyvips_agrees():
    pyvips = pytest.importorskip("pyvips")
    rng = np.random.default_rng(5)
    source, backdrop = rng.random((2, 3, 6, 4)).astype(np.float32)
    # Low coverage, so that the sum of "plus" stays under its limit, where libvips limits colour as well.
    source[..., 3] *= 0.5
    backdrop[..., 3] *= 0.5
    for picture in (source, backdrop):
        picture[..., :3] *= picture[..., 3:]
    images = all_operators({"s": Image.from_array(source), "b": Image.from_array(backdrop)})

    def theirs(picture):
        return pyvips.Image.new_from_array(picture * np.float32(255)).copy(interpretation="srgb")

    for ours, name in PYVIPS.items():
        got = theirs(backdrop).composite2(theirs(source), name, premultiplied=True).numpy() / 255
        # In colour, libvips does not multiply an atop's upper picture by the lower one's alpha.
        planes = slice(3, 4) if ours.endswith("atop") else slice(0, 4)
        composited = images[ours].to_array(FRAME)[..., planes]
        np.testing.assert_allclose(composited, got[..., planes], atol=2e-6, err_msg=ours)
