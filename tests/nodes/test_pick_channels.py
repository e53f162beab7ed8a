"""pick_channels: the right planes under the right names, shared instead of copied, and every wrong wish told."""

from __future__ import annotations

import re

import numpy as np
import pytest

from stackcomp import CheckError, Coordinates, Depth, Ids, Image, Layers, Matte, Motion, Ratio, Window
from stackcomp.port_types import Colour, Encoding

ACESCG = Encoding("ACEScg", "scene-linear")
CHANNELS = ("A", "B", "G", "R", "Z", "id", "cover", "shadow.B", "shadow.G", "shadow.R", "u", "v")


@pytest.fixture
def file():
    """What a read node gives: each channel filled with its number."""
    window = Window(-1, 0, 3, 2)
    planes = {name: np.full(window.shape, k, np.float32) for k, name in enumerate(CHANNELS)}
    type = Layers(CHANNELS, "premultiplied", ACESCG)
    return Image(planes, window, Window.of_size(4, 2), type)


def values(image):
    return {name: float(plane[0, 0]) for name, plane in image.planes.items()}


def test_colour_by_its_own_names(render, file):
    got = render("pick_channels", {"f": file}, layers="f")
    assert values(got) == {"R": 3, "G": 2, "B": 1, "A": 0}
    assert got.type == Colour("premultiplied", ACESCG)
    assert (got.window, got.display) == (file.window, file.display)


def test_nothing_is_copied(render, file):
    got = render("pick_channels", {"f": file}, layers="f", as_="matte", channels={"A": "Z"})
    assert np.shares_memory(got["A"], file["Z"])
    np.testing.assert_array_equal(file["Z"], np.full((2, 4), 4))


def test_a_layer(render, file):
    got = render("pick_channels", {"f": file}, layers="f", as_="ratio", layer="shadow")
    assert (got.type, values(got)) == (Ratio(), {"R": 9, "G": 8, "B": 7})
    colour = render("pick_channels", {"f": file}, layers="f", layer="shadow")
    assert colour.type == Colour("none", ACESCG)


@pytest.mark.parametrize(
    ("fields", "type", "expected"),
    [
        ({"as_": "matte"}, Matte(), {"A": 0}),
        ({"as_": "matte", "channels": {"A": "cover"}}, Matte(), {"A": 6}),
        ({"as_": "depth"}, Depth(), {"Z": 4}),
        ({"as_": "depth", "along": "ray"}, Depth("ray"), {"Z": 4}),
        ({"as_": "motion", "channels": {"dx": "u", "dy": "v"}}, Motion(), {"dx": 10, "dy": 11}),
        ({"as_": "coordinates", "channels": {"s": "u", "t": 0.5}}, Coordinates(), {"s": 10, "t": 0.5}),
        ({"channels": {"R": "Z", "G": 0.25, "B": "R"}}, Colour("none", ACESCG), {"R": 4, "G": 0.25, "B": 3}),
        ({"alpha": "none"}, Colour("none", ACESCG), {"R": 3, "G": 2, "B": 1}),
        ({"alpha": "straight"}, Colour("straight", ACESCG), {"R": 3, "G": 2, "B": 1, "A": 0}),
        ({"encoding": "ACEScct"}, Colour("premultiplied", Encoding("ACEScct", "log")), None),
    ],
)
def test_what_it_is(render, file, fields, type, expected):
    got = render("pick_channels", {"f": file}, layers="f", **fields)
    assert got.type == type
    assert tuple(got.planes) == type.planes
    if expected is not None:
        assert values(got) == expected


def test_ids_keep_their_bits(render):
    # torus = 4053562365 = f19c73fd in the open ID-matte specification, stored as the bits of a float32; and
    # f41e5296 with the exponent of a NaN, which no arithmetic would leave alone.
    bits = np.array([[4053562365, 0x7F8E5296]], np.uint32)
    file = Image(
        {"id": bits.view(np.float32), "cover": np.ones((1, 2), np.float32)},
        Window.of_size(2, 1), Window.of_size(2, 1), Layers(("id", "cover")),
    )  # fmt: skip
    got = render("pick_channels", {"f": file}, layers="f", as_="ids", channels={"id0": "id", "cover0": "cover"})
    assert got.type == Ids(1)
    assert got["id0"].dtype == np.uint32
    np.testing.assert_array_equal(got["id0"], bits)
    assert bits.view(np.float32)[0, 0] == pytest.approx(-1.54943624832e30)


def test_from_other_pictures(render):
    picture = Image.from_array([[[1, 2, 3, 0.5]]], alpha="straight")
    got = render("pick_channels", {"p": picture}, layers="p", channels={"R": "B", "G": "G", "B": "R", "A": "A"})
    assert (got.type, values(got)) == (picture.type, {"R": 3, "G": 2, "B": 1, "A": 0.5})
    ratio = Image.from_array([[[1.0, 2, 3]]], type=Ratio())
    assert render("pick_channels", {"p": ratio}, layers="p").type == Colour("none", ACESCG)
    matte = Image.from_array([[0.5]], type=Matte())
    got = render("pick_channels", {"p": matte}, layers="p", encoding="ACEScg", channels=dict.fromkeys("RGB", "A"))
    assert values(got) == {"R": 0.5, "G": 0.5, "B": 0.5}


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"channels": {"R": "shadwo.R", "G": "G", "B": "B"}}, 'no channel "shadwo.R".*did you mean "shadow.R"'),
        ({"layer": "light"}, 'no channel "light.R"'),
        ({"channels": {"R": "R", "G": "G"}}, 'colour needs a plane B, which "channels" leaves out'),
        ({"channels": {"R": "R", "G": "G", "B": "B", "Y": "R"}}, "colour has no plane Y.*its planes are R G B A"),
        ({"as_": "ids", "channels": {"id0": "id"}}, "ids are id0 cover0 id1 cover1"),
        ({"as_": "ids"}, "ids are id0 cover0 id1 cover1"),
        ({"encoding": "ACESgc"}, 'no colour space "ACESgc"'),
        ({"alpha": "straight", "channels": {"R": "R", "G": "G", "B": "B"}}, "no plane A is chosen"),
    ],
)
def test_wrong_wishes(render, file, fields, message):
    with pytest.raises(CheckError) as caught:
        render("pick_channels", {"f": file}, layers="f", **fields)
    assert re.search(message, str(caught.value), re.DOTALL)


def test_no_colour_space_known(render):
    matte = Image.from_array([[0.5]], type=Matte())
    with pytest.raises(CheckError, match=r'(?s)nobody says which colour space.*give "encoding" here'):
        render("pick_channels", {"p": matte}, layers="p", channels=dict.fromkeys("RGB", "A"))
