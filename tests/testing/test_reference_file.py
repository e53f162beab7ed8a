import json

import numpy as np
import pytest

from stackcomp import Colour, Depth, Encoding, Ids, Image, Layers, Matte, Ratio, Window
from stackcomp.compare import EXACT, Tolerance, compare_pictures
from stackcomp.errors import FileError
from stackcomp.files import exr
from stackcomp.files import mark as marks
from stackcomp.files.mark import Mark
from stackcomp.testing.node_records import NodeRecord
from stackcomp.testing.reference_file import (
    Request,
    pixel_type_for,
    read_reference,
    write_reference,
)

ACESCG = Encoding("ACEScg", "scene-linear")
REQUEST = Request("final", 1001, 0.5, (4, 3, 8, 6))
WINDOW, FRAME = Window(-2, 1, 6, 7), Window.of_size(20, 10)


def picture(type, seed=0):
    rng = np.random.default_rng(seed)
    planes = {
        name: rng.integers(0, 2**32, WINDOW.shape).astype(np.uint32)
        if isinstance(type, Ids) and name.startswith("id")
        else rng.normal(0.5, 1, WINDOW.shape).astype(np.float32)
        for name in type.planes
    }
    return Image(planes, WINDOW, FRAME, type)


@pytest.mark.parametrize(
    "type",
    [
        Colour("premultiplied", ACESCG),
        Colour("none", Encoding("sRGB - Display", "display")),
        Matte(),
        Ratio(),
        Depth(),
        Ids(ranks=2),
        Layers(channels=("beauty.R", "depth.Z", "A")),
    ],
    ids=lambda type: type.name,
)
def test_every_type_is_kept_to_the_bit(type, tmp_path):
    path = tmp_path / "it.exr"
    image = picture(type)
    if not isinstance(type, Ids):
        next(iter(image.planes.values()))[0, :3] = np.nan, np.inf, -np.inf
    nodes = (NodeRecord.of("plate", "read", picture(Matte(), 1)), NodeRecord.of("final", "over", image))
    write_reference(path, image, REQUEST, nodes)
    found = read_reference(path, image)
    assert compare_pictures(image, found.image, EXACT).equal
    assert (found.type, found.request) == (str(type), REQUEST)
    assert [record.as_dict() for record in found.nodes] == [record.as_dict() for record in nodes]
    assert marks.read(path) == Mark("reference")
    # No name of a machine's folder or moment is in it.
    first = path.read_bytes()
    write_reference(path, image, REQUEST, nodes)
    assert path.read_bytes() == first
    assert str(tmp_path).encode() not in first


def test_an_empty_window_is_not_a_black_pixel(tmp_path):
    path = tmp_path / "it.exr"
    nothing = Window(4, 4, 4, 4)
    empty = Image({"A": np.zeros((0, 0), np.float32)}, nothing, FRAME, Matte())
    write_reference(path, empty, REQUEST, ())
    assert read_reference(path, empty).image.window == nothing
    assert compare_pictures(empty, read_reference(path, empty).image).equal
    black = Image({"A": np.zeros((1, 1), np.float32)}, Window(0, 0, 1, 1), FRAME, Matte())
    assert not compare_pictures(black, read_reference(path, black).image).equal


def test_another_type_is_seen(tmp_path):
    path = tmp_path / "it.exr"
    straight, tied = (picture(Colour(alpha, ACESCG)) for alpha in ("straight", "premultiplied"))
    write_reference(path, straight, REQUEST, ())
    found = read_reference(path, tied)
    assert found.type == "straight colour in ACEScg (scene-linear)"
    assert not compare_pictures(tied, found.image).equal


@pytest.mark.parametrize(
    ("type", "small", "brightest", "stored"),
    [
        (Colour("none", ACESCG), 1e-3, 1.0, "half"),
        (Colour("none", ACESCG), 9e-4, 1.0, "float"),
        (Colour("none", ACESCG), 1e-3, 70000.0, "float"),
        (Colour("none", ACESCG), 1e-3, np.nan, "half"),
        (Matte(), 1e-2, 1.0, "half"),
        (Depth(), 1e-2, 1.0, "float"),
        (Layers(channels=("R",)), 1e-2, 1.0, "float"),
    ],
)
def test_half_where_the_tolerance_has_room(type, small, brightest, stored):
    image = picture(type)
    next(iter(image.planes.values()))[2, 2] = brightest
    assert pixel_type_for(image, Tolerance(small=small)) == stored
    assert pixel_type_for(image, {"": Tolerance(small=small)}) == stored


def test_a_channel_with_a_tolerance_of_its_own_is_not_rounded_beyond_it():
    wide = Tolerance(small=1)
    image = picture(Colour("premultiplied", ACESCG))
    assert pixel_type_for(image, {"*": wide}) == "half"
    assert pixel_type_for(image, {"*": wide, "A": EXACT}) == "float"
    assert pixel_type_for(image, {"*": EXACT, **dict.fromkeys("RGBA", wide)}) == "half"


def test_half_takes_no_more_than_half_of_the_tolerance(tmp_path):
    values = np.linspace(0, 3, WINDOW.height * WINDOW.width, dtype=np.float32).reshape(WINDOW.shape)
    image = Image({"A": values}, WINDOW, FRAME, Matte())
    write_reference(tmp_path / "it.exr", image, REQUEST, (), pixel_type="half")
    found = read_reference(tmp_path / "it.exr", image).image
    assert compare_pictures(image, found, Tolerance(small=5e-4, share=0, hard=5e-4)).equal
    assert not compare_pictures(image, found, Tolerance(small=1e-4, share=0)).equal


def test_any_file_with_the_channels_is_an_expected_picture(tmp_path):
    image = picture(Colour("none", ACESCG))
    path = tmp_path / "it.exr"
    exr.write(path, image.planes, window=WINDOW, display=FRAME, pixel_type="float")
    found = read_reference(path, image)
    assert compare_pictures(image, found.image, EXACT).equal
    assert (found.type, found.request, found.nodes) == ("", None, ())


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "7", "null", '{"node": "a"}', '{"node": "a", "frame": "b", "scale": 1, "window": [1]}'],
)
def test_attributes_that_cannot_be_understood(text, tmp_path):
    image = picture(Matte())
    path = tmp_path / "it.exr"
    more = {"stackcomp/reference": text, "stackcomp/nodes": text}
    exr.write(path, image.planes, window=WINDOW, display=FRAME, pixel_type="float", metadata=more)
    found = read_reference(path, image)
    assert (found.request, found.nodes) == (None, ())


def test_records_that_cannot_be_understood(tmp_path):
    image = picture(Matte())
    record = NodeRecord.of("a", "flat", image).as_dict()
    for damage in ({"planes": {"A": "AAAA"}}, {"window": [1]}, {"planes": 3}):
        path = tmp_path / "it.exr"
        more = {"stackcomp/nodes": json.dumps([{**record, **damage}])}
        exr.write(path, image.planes, window=WINDOW, display=FRAME, pixel_type="float", metadata=more)
        assert read_reference(path, image).nodes == ()


def test_damaged_files(tmp_path):
    path = tmp_path / "it.exr"
    image = picture(Matte())
    write_reference(path, image, REQUEST, ())
    path.write_bytes(path.read_bytes()[:-40])
    assert marks.read(path) is None
    with pytest.raises(FileError):
        read_reference(path, image)
