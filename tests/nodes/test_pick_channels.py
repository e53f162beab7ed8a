"""pick_channels: the right planes under the right names, shared and not copied; findings for wrong channels."""

from __future__ import annotations

import re

import numpy as np
import pytest

from stackcomp import (
    CheckError,
    Composition,
    Coordinates,
    Depth,
    DocumentError,
    Graph,
    Ids,
    Image,
    Layers,
    Matte,
    Motion,
    Ratio,
    Window,
)
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.files import exr
from stackcomp.review.dump import dump

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
        ({"layer": "light"}, '"f" has no layer "light"'),
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
    with pytest.raises(
        CheckError, match=r'(?s)the colour space of its colours is not declared.*give "encoding" here'
    ):
        render("pick_channels", {"p": matte}, layers="p", channels=dict.fromkeys("RGB", "A"))


def _findings(render, file, **fields):
    with pytest.raises(CheckError) as caught:
        render("pick_channels", {"f": file}, layers="f", **fields)
    return [(problem.field, problem.message, problem.way_out) for problem in caught.value.problems]


def test_a_slip_in_the_layer_is_one_finding_at_the_layer(render, file):
    assert _findings(render, file, as_="ratio", layer="shadwo") == [
        ("layer", '"f" has no layer "shadwo"', 'did you mean "shadow"?')
    ]
    slip = {plane: f"shdow.{plane}" for plane in "RGB"}
    assert _findings(render, file, as_="ratio", channels=slip) == [
        ("channels.R", '"f" has no layer "shdow", but shdow.R, shdow.G, shdow.B are required',
         'did you mean "shadow"?')
    ]  # fmt: skip


def test_a_layer_without_the_planes_is_one_finding_too(render, file):
    ((field, message, way_out),) = _findings(render, file, as_="depth", layer="shadow")
    assert field == "layer"
    assert message == 'layer "shadow" of "f" has no Z; it has B, G, R'
    assert way_out == 'name them with "channels"'


#: Metres in a unit: SI prefixes, and the international foot (NIST, U.S. Survey Foot: 1 foot = 0.3048 m exactly).
UNITS = [("mm", 0.001), ("cm", 0.01), ("m", 1), ("ft", 0.3048), (0.3048, 0.3048), (2, 2), (None, 1)]
DISTANCES = np.array([[0, 1, 2.5, 1234.567], [np.inf, -np.inf, np.nan, -3]], np.float32)


@pytest.fixture
def distances():
    window = Window(0, 0, 4, 2)
    return Image({"Z": DISTANCES}, window, window, Layers(("Z",)))


@pytest.mark.parametrize(("unit", "metres"), UNITS, ids=str)
@pytest.mark.parametrize("along", ["axis", "ray"])
@pytest.mark.parametrize("fused", [True, False])
def test_depth_becomes_metres(render, distances, unit, metres, along, fused):
    fields = {"as_": "depth", "along": along, "unit": unit}
    got = render("pick_channels", {"f": distances}, layers="f", fused=fused, **fields)
    assert got.type == Depth(along)
    assert got["Z"].dtype == np.float32
    with np.errstate(invalid="ignore"):
        np.testing.assert_array_equal(got["Z"], (DISTANCES.astype(np.float64) * metres).astype(np.float32))
    np.testing.assert_array_equal(distances["Z"], DISTANCES)
    assert np.shares_memory(got["Z"], distances["Z"]) == (metres == 1)


def test_ten_feet_are_3_048_metres(render, distances):
    got = render("pick_channels", {"f": distances}, layers="f", as_="depth", unit="ft", channels={"Z": 10})
    assert np.all(got["Z"] == np.float32(3.048))


def test_depth_past_the_range_of_numbers_is_infinite_or_nothing(render):
    window = Window(0, 0, 3, 1)
    file = Image({"Z": np.array([[3e38, 1e-44, 7]], np.float32)}, window, window, Layers(("Z",)))
    with np.errstate(all="raise"):
        large = render("pick_channels", {"f": file}, layers="f", as_="depth", unit=1000)["Z"]
        small = render("pick_channels", {"f": file}, layers="f", as_="depth", unit="mm")["Z"]
    assert large.tolist() == [[np.inf, np.float32(np.float64(np.float32(1e-44)) * 1000), 7000]]
    assert small.tolist() == [[np.float32(3e35), 0, np.float32(0.007)]]


def depth_file(folder):
    window = Window(0, 0, 16, 10)
    plane = np.arange(160, dtype=np.float32).reshape(10, 16)
    planes = {"R": plane, "G": plane, "B": plane, "A": plane * 0 + 1, "depth.Z": plane * 10}
    exr.write(folder / "cg.1.exr", planes, window=window, display=window, pixel_type="float")
    graph = Graph(frames="1")
    graph.add("read", "cg", path="cg.{frame}.exr", encoding="ACEScg")
    graph.add("pick_channels", "depth", layers="cg", as_="depth", layer="depth", unit="cm")
    lens = {"focal_length": 50, "f_number": 8, "focus_distance": 7, "gate_width": 36}
    graph.add("defocus", "soft", image="cg", depth="depth", **lens)
    return graph, plane * 10


def test_depth_of_a_file_is_scaled_once_in_renders_previews_tiles_and_dumps(tmp_path):
    graph, centimetres = depth_file(tmp_path)
    comp = Composition(graph, root=tmp_path)
    metres = (centimetres.astype(np.float64) * 0.01).astype(np.float32)
    np.testing.assert_allclose(comp.render("depth", 1)["Z"], metres, rtol=1e-7)
    half = comp.render("depth", 1, scale=0.5)["Z"]
    assert half.shape == (5, 8)
    assert np.isin(half, comp.render("depth", 1)["Z"]).all()
    tile = comp.render("depth", 1, window=(3, 2, 5, 4))
    np.testing.assert_allclose(tile["Z"], metres[2:6, 3:8], rtol=1e-7)
    dump(comp, 1, tmp_path / "d", warn=lambda *_: None)
    (written,) = (tmp_path / "d").glob("*depth*.exr")
    np.testing.assert_allclose(exr.read(written).planes["Z"], metres, rtol=1e-7)


def test_what_defocus_gets_from_a_file_in_centimetres_is_metres(tmp_path):
    graph, centimetres = depth_file(tmp_path)
    comp = Composition(graph, root=tmp_path)
    got = comp.render("soft", 1)
    metres = Image.from_array((centimetres.astype(np.float64) * 0.01).astype(np.float32), type=Depth())
    # A picture that stands in for the node is what comes out of it: it is not scaled again.
    given = comp.render("soft", 1, replace={"depth": metres})
    for name in "RGBA":
        np.testing.assert_allclose(got[name], given[name], rtol=1e-5)
    assert np.abs(comp.render("cg", 1)["R"] - got["R"]).max() > 0.01


@pytest.mark.parametrize(
    ("unit", "message"),
    [
        ("inch", '"unit" is "inch", which is not one of its choices'),
        ("M", '"unit" is "M", which is not one'),
        (0, '"unit" is 0, not a number above 0'),
        (-2.5, '"unit" is -2.5, not a number above 0'),
        (True, '"unit" is true, which is a truth value'),
        ([1], r'"unit" is \[1\], which is a list'),
        ({"keys": [[1, 2]]}, '"unit" is .*, which is an object'),
    ],
)
def test_units_that_there_are_not(unit, message):
    with pytest.raises(DocumentError, match=message) as caught:
        Graph().add("pick_channels", "it", layers="f", as_="depth", unit=unit)
    assert 'choose from "mm", "cm", "m", "ft", or give the number of metres in the unit' in str(caught.value)


@pytest.mark.parametrize("as_", ["colour", "matte", "ratio"])
def test_a_unit_is_for_depth_alone(render, file, as_):
    with pytest.raises(CheckError, match=f'"unit" is for depth, but "as" is "{as_}"'):
        render("pick_channels", {"f": file}, layers="f", as_=as_, unit="m")
