"""A picture as a mapping of planes and as an array, for numpy, pickle and xarray."""

import copy
import pickle
import sys

import numpy as np
import pytest
import xarray

from stackcomp import (
    ArgumentError,
    ChannelError,
    Colour,
    Encoding,
    Ids,
    Image,
    Layers,
    Matte,
    RequestError,
    Window,
)

ACESCG = Encoding("ACEScg", "scene-linear")
FRAME = Window.of_size(6, 4)
INSIDE = Window(1, 1, 4, 4)


@pytest.fixture
def image():
    pixels = np.arange(3 * 3 * 4, dtype=np.float32).reshape(3, 3, 4)
    return Image.from_array(pixels, encoding=ACESCG, origin=(1, 1), display=FRAME)


@pytest.fixture
def ids():
    planes = {"id0": np.full((4, 6), 0x7FC00001, np.uint32), "cover0": np.ones((4, 6), np.float32)}
    return Image(planes, FRAME, FRAME, Ids(1))


def test_it_is_a_mapping_of_planes(image):
    assert list(image) == list(image.keys()) == ["R", "G", "B", "A"]
    assert len(image) == 4
    assert [name for name, plane in image.items() if plane is image[name]] == ["R", "G", "B", "A"]
    assert len(list(image.values())) == 4
    assert "A" in image
    assert "Z" not in image
    assert image.get("Z") is None
    assert dict(**image).keys() == {"R", "G", "B", "A"}
    with pytest.raises(KeyError, match="no channel 'Z'"):
        image["Z"]


def test_pictures_are_equal_only_to_themselves(image):
    other = image.over(image.window.grow(1)).over(image.window)
    assert image == image
    assert image != other
    assert len({image, other, image}) == 2


def test_numpy_sees_height_width_channel_over_the_data_window(image):
    array = np.asarray(image)
    assert array.shape == image.shape == (3, 3, 4)
    assert array.dtype == np.float32
    np.testing.assert_array_equal(array, np.arange(36, dtype=np.float32).reshape(3, 3, 4))
    assert np.asarray(image, np.float64).dtype == np.float64
    np.testing.assert_allclose(np.mean(image, axis=(0, 1)), array.mean(axis=(0, 1)))
    # Arrays are the caller's own.
    array[...] = 0
    assert image["A"][2, 2] == 35
    with pytest.raises(ValueError, match="a copy is made"):
        np.asarray(image, copy=False)


def test_an_array_over_the_frame_is_padded(image):
    assert image.to_array().shape == (4, 6, 4)
    assert image.to_array()[0, 0].tolist() == [0, 0, 0, 0]
    assert image.to_array(INSIDE).shape == (3, 3, 4)


def test_ids_are_no_array_of_floats(ids):
    for call in (np.asarray, Image.to_array, Image.to_xarray):
        with pytest.raises(RequestError, match=r'(?s)id0 holds ids.*image\["id0"\], uint32'):
            call(ids)
    assert ids["id0"].dtype == np.uint32


def test_planes_can_be_replaced(image):
    brighter = image.with_planes(R=image["R"] * 2, G=np.zeros((3, 3)))
    np.testing.assert_array_equal(brighter["R"], image["R"] * 2)
    assert brighter["G"].dtype == np.float32
    assert brighter["B"] is image["B"]
    assert (brighter.type, brighter.window, brighter.display) == (image.type, image.window, image.display)
    assert image["R"][0, 1] == 4
    np.testing.assert_array_equal(image.with_planes({"A": np.ones((3, 3))})["A"], 1)


def test_planes_with_dots_in_their_names_are_replaced_by_a_mapping():
    layers = Image({"bulb.R": np.ones((4, 6), np.float32)}, FRAME, FRAME, Layers(("bulb.R",), "none", ACESCG))
    np.testing.assert_array_equal(layers.with_planes({"bulb.R": np.zeros((4, 6))})["bulb.R"], 0)


@pytest.mark.parametrize(
    ("planes", "error", "message"),
    [
        ({"Z": np.ones((3, 3))}, ChannelError, "no channel 'Z'"),
        ({"R": np.ones((3, 4))}, ArgumentError, r'plane "R" is \(3, 4\), but its window is \(3, 3\)'),
        ({"R": "bright"}, ArgumentError, "not an array of numbers"),
        ({"R": None}, ArgumentError, "is "),
        ([1, 2], ArgumentError, "list is not a mapping"),
    ],
)
def test_planes_that_do_not_fit_are_refused(image, planes, error, message):
    with pytest.raises(error, match=message):
        image.with_planes(planes)


@pytest.mark.parametrize(
    ("names", "type"),
    [
        ("RGB", Colour("premultiplied", ACESCG)),
        ("RGBA", Colour("none", ACESCG)),
        ("", Matte()),
        ("AZ", Matte()),
        ("Z", Matte()),
        ("RZ", Layers(("R", "G"), "none", ACESCG)),
    ],
)
def test_a_wrong_set_of_planes_is_refused_when_the_picture_is_made(names, type):
    planes = {name: np.zeros((4, 6), np.float32) for name in names}
    with pytest.raises(ArgumentError, match="has planes"):
        Image(planes, FRAME, FRAME, type)


def test_of_a_files_layers_some_channels_are_enough():
    image = Image({"G": np.zeros((4, 6), np.float32)}, FRAME, FRAME, Layers(("R", "G"), "none", ACESCG))
    assert list(image) == ["G"]


def test_read_only_planes_can_be_used(image):
    planes = {name: plane.copy() for name, plane in image.items()}
    for plane in planes.values():
        plane.flags.writeable = False
    fixed = Image(planes, image.window, image.display, image.type)
    np.testing.assert_array_equal(fixed.to_array(), image.to_array())
    assert np.asarray(fixed).flags.writeable
    assert not np.asarray(fixed["R"]).flags.writeable
    fixed.with_planes(R=fixed["R"] + 1)
    assert Image.from_array(fixed["R"], type=Matte())["A"] is not fixed["R"]


@pytest.mark.parametrize("copied", [copy.copy, copy.deepcopy, lambda image: pickle.loads(pickle.dumps(image))])
def test_it_can_be_copied_and_sent(image, copied):
    other = copied(image)
    np.testing.assert_array_equal(other.to_array(), image.to_array())
    assert (other.type, other.window, other.display) == (image.type, image.window, image.display)


def test_xarray_gets_names_and_places(image):
    array = image.to_xarray()
    assert isinstance(array, xarray.DataArray)
    assert array.dims == ("y", "x", "channel")
    assert float(array.sel(x=2, y=3, channel="B")) == image["B"][2, 1]
    assert array.x.values.tolist() == [1, 2, 3]
    assert array.attrs == {
        "type": "colour", "encoding": str(ACESCG), "alpha": "premultiplied", "display": [0, 0, 6, 4]
    }  # fmt: skip


def test_without_xarray_the_way_out_is_named(image, monkeypatch):
    monkeypatch.setitem(sys.modules, "xarray", None)
    with pytest.raises(RequestError, match=r"(?s)xarray is not installed.*stackcomp\[xarray\]"):
        image.to_xarray()


@pytest.mark.parametrize("dtype", ["lantern", "no\nnumbers"])
def test_types_that_numpy_does_not_know_are_refused(image, dtype):
    with pytest.raises(RequestError, match="dtype: "):
        image.__array__(dtype)


def test_ids_are_replaced_by_ids_only(ids):
    with pytest.raises(ArgumentError, match="give an array of uint32"):
        ids.with_planes(id0=np.zeros((4, 6)))
    assert ids.with_planes(id0=np.zeros((4, 6), np.uint32))["id0"].max() == 0


def test_a_window_beyond_openexrs_range_is_refused(tmp_path):
    from stackcomp import FileError

    far = Window(2**40, 0, 2**40 + 2, 2)
    image = Image({"A": np.ones((2, 2), np.float32)}, far, FRAME, Matte())
    with pytest.raises(FileError, match="beyond 32 bits"):
        image.save(tmp_path / "far.exr")
