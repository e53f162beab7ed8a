import io

import numpy as np
import OpenImageIO
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image as PillowImage

from stackcomp import (
    ArgumentError,
    ChannelError,
    Colour,
    Coordinates,
    Depth,
    Encoding,
    Ids,
    Image,
    Layers,
    Matte,
    Motion,
    Ratio,
    Window,
)
from stackcomp.data.image import all_finite

FRAME = Window.of_size(4, 3)
ACESCG = Encoding("ACEScg", "scene-linear")


def numbered(channels: int, window: Window = FRAME) -> np.ndarray:
    return np.arange(window.height * window.width * channels, dtype=np.float32).reshape(*window.shape, channels)


@pytest.mark.parametrize(
    ("channels", "options", "expected"),
    [
        (3, {}, Colour("none", ACESCG)),
        (4, {}, Colour("premultiplied", ACESCG)),
        (4, {"alpha": "straight"}, Colour("straight", ACESCG)),
        (3, {"encoding": Encoding("ACEScct", "log")}, Colour("none", Encoding("ACEScct", "log"))),
        (1, {"type": Matte()}, Matte()),
        (3, {"type": Ratio()}, Ratio()),
        (1, {"type": Depth("ray")}, Depth("ray")),
        (2, {"type": Motion()}, Motion()),
        (2, {"type": Coordinates()}, Coordinates()),
    ],
)
def test_from_array(channels, options, expected):
    array = numbered(channels)
    image = Image.from_array(array, **options)
    assert image.type == expected
    assert image.channels == expected.planes
    assert image.window == image.display == FRAME
    for k, name in enumerate(image):
        assert image[name].dtype == np.float32
        assert image[name].flags.c_contiguous
        np.testing.assert_array_equal(image[name], array[..., k])
    np.testing.assert_array_equal(image.to_array(), array)


def test_two_axes_are_one_plane():
    image = Image.from_array([[0, 1], [0.5, 0.25]], type=Matte())
    assert image["A"].tolist() == [[0, 1], [0.5, 0.25]]


@pytest.mark.parametrize("channels", [1, 4])
def test_the_array_stays_the_callers(channels):
    array = numbered(channels)
    image = Image.from_array(array, type=Matte() if channels == 1 else None)
    before = image.to_array().copy()
    array[:] = -1
    np.testing.assert_array_equal(image.to_array(), before)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.uint32])
@pytest.mark.parametrize("said", [{"encoding": "sRGB - Display"}, {"type": Matte(), "integers": "scaled"}])
def test_unsigned_integers_are_scaled_by_their_range(dtype, said):
    most = np.iinfo(dtype).max
    array = np.array([[0, 1, most // 3, most]], dtype)
    image = Image.from_array(array[..., None].repeat(3, -1) if "encoding" in said else array, **said)
    # Exact, and rounded once.
    expected = (array.astype(np.float64) / most).astype(np.float32)
    np.testing.assert_array_equal(next(iter(image.planes.values())), expected)


def test_eight_bits_are_what_an_independent_library_makes_of_them(tmp_path):
    array = np.random.default_rng(2).integers(0, 256, (4, 5, 3), np.uint8)
    PillowImage.fromarray(array).save(tmp_path / "o.png")
    seen = OpenImageIO.ImageBuf(str(tmp_path / "o.png")).get_pixels("float")
    np.testing.assert_allclose(Image.from_array(array, encoding="sRGB - Display").to_array(), seen, rtol=1e-7)


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int64])
def test_integers_as_they_are_where_that_is_said(dtype):
    image = Image.from_array(np.array([[0, 2, 100]], dtype), type=Depth(), integers="plain")
    assert image["Z"].tolist() == [[0, 2, 100]]


def test_booleans_are_a_matte():
    image = Image.from_array(np.array([[True, False]]), type=Matte())
    assert image["A"].tolist() == [[1, 0]]


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
def test_floats_are_taken_as_they_are(dtype):
    array = np.array([[np.nan, np.inf, -np.inf, -0.25, 1024]], dtype)
    for said in ({}, {"integers": "scaled"}):
        np.testing.assert_array_equal(Image.from_array(array, type=Matte(), **said)["A"], array.astype(np.float32))


RGB = np.zeros((2, 2, 3))


@pytest.mark.parametrize(
    ("array", "options", "words"),
    [
        (
            RGB.astype(np.uint8),
            {},
            r"integers \(uint8\), and their meaning is not given.*\n.*sRGB - Display.*255 is 1.*plain",
        ),
        (RGB.astype(np.uint16), {"type": Ratio()}, "65535 is 1"),
        (RGB[..., 0].astype(np.uint8), {"type": Matte()}, "their meaning is not given"),
        (RGB.astype(np.int64), {}, "signed integers .*which have no value for 1"),
        (RGB.astype(np.int8), {"encoding": "ACEScg"}, "signed integers"),
        ([[0, 1], [1, 0]], {"type": Matte()}, "signed integers"),
        (RGB.astype(bool), {}, "only a matte takes"),
        (RGB.astype(complex), {}, "an array of complex numbers is not a picture"),
        (RGB.astype(object), {}, "an array of Python objects is not a picture"),
        (np.array([["a"]]), {}, "an array of text is not a picture"),
        (np.array([["2020-01-01"]], "M8[D]"), {}, "an array of dates"),
        (np.zeros((2, 2), [("x", "f4")]), {}, "an array of records"),
        (np.ma.masked_array(RGB, mask=RGB == 0), {}, "masked"),
        ([[1.0], [1.0, 2.0]], {}, "it is not an array"),
        (None, {}, "None is not a picture"),
        (np.full((1, 1, 3), 1e39), {}, "beyond ±3.4e38"),
        (RGB, {"integers": "scale"}, "'scale' is not known"),
        (RGB, {"encoding": "ACESgc"}, 'no colour space "ACESgc".*did you mean "ACEScg"'),
        (RGB, {"encoding": "ACEScg", "type": Matte()}, "goes with colour"),
        (RGB, {"type": Matte}, r"Matte is a class\n  give one of its values: Matte"),
        (RGB, {"type": "matte"}, "'matte' is not a type of picture"),
        (RGB, {"alpha": "wet"}, "'wet' is not known"),
        (RGB, {"origin": 3}, "3 is not a corner"),
        (RGB, {"origin": (0.5, 1)}, "0.5 is not a whole number of pixels"),
        (RGB, {"display": "full"}, "'full' is not a window"),
        (Image.from_array(RGB), {}, "it is an Image already"),
    ],
)
def test_arrays_whose_meaning_is_not_plain(array, options, words):
    with pytest.raises(ArgumentError, match=words) as caught:
        Image.from_array(array, **options)
    assert isinstance(caught.value, ValueError)
    assert all(problem.way_out for problem in caught.value.problems)


def test_names_and_numbers_for_encodings_and_windows():
    by_name = Image.from_array(RGB, encoding="acescct", display="-1,-1,4,4")
    assert by_name.type == Colour("none", Encoding("ACEScct", "log"))
    assert by_name.display == Window(-1, -1, 3, 3)
    assert Image({"A": np.zeros((2, 3), np.float32)}, (1, 2, 3, 2), "0,0,9,9", Matte()).window == Window(
        1, 2, 4, 4
    )
    assert by_name.over((0, 0, 1, 2)).window == Window(0, 0, 1, 2)
    assert by_name.to_array("0,0,1,2").shape == (2, 1, 3)


def test_planes_come_in_the_order_of_the_type():
    planes = {name: np.full(FRAME.shape, k, np.float32) for k, name in enumerate("BGR")}
    image = Image(planes, FRAME, FRAME, Colour("none", ACESCG))
    assert image.channels == ("R", "G", "B")
    assert image.to_array()[0, 0].tolist() == [2, 1, 0]


def test_origin_and_display():
    image = Image.from_array(numbered(1), type=Matte(), origin=(-2, 5), display=Window.of_size(10, 10))
    assert image.window == Window(-2, 5, 2, 8)
    assert image.display == Window.of_size(10, 10)
    assert image.to_array().shape == (10, 10, 1)
    assert image.to_array()[5, 0, 0] == 2.0  # two columns lie left of the frame
    assert image.to_array()[0].max() == 0


@pytest.mark.parametrize(
    ("shape", "options", "words"),
    [
        ((3, 4), {}, "type="),
        ((3, 4, 5), {}, "planes R, G, B, but the array has 5 channels"),
        ((3, 4, 4), {"type": Colour("none", ACESCG)}, "has planes R, G, B, but the array has 4 channels"),
        ((3, 4, 4), {"alpha": "wet"}, "premultiplied"),
        ((4,), {}, r"shape \(4,\)"),
        ((1, 3, 4, 4), {}, "shape"),
        ((3, 4, 2), {"type": Ids(1)}, "bit patterns"),
    ],
)
def test_arrays_that_do_not_fit(shape, options, words):
    with pytest.raises(ValueError, match=words):
        Image.from_array(np.zeros(shape, np.float32), **options)


@pytest.mark.parametrize(
    ("plane", "words"),
    [
        (np.zeros((2, 2), np.float32), "its window is"),
        (np.zeros((3, 4), np.float64), "float64"),
        (np.zeros((4, 3), np.float32).T, "contiguous"),
    ],
)
def test_planes_that_do_not_fit(plane, words):
    with pytest.raises(ValueError, match=words):
        Image({"A": plane}, FRAME, FRAME, Matte())


def test_channels_by_name():
    image = Image.from_array(numbered(3))
    assert "R" in image
    assert "A" not in image
    with pytest.raises(KeyError, match=r"no channel 'A'\n  there are R, G, B"):
        image["A"]


small = st.builds(
    lambda x, y, w, h: Window(x, y, x + w, y + h),
    st.integers(-6, 6),
    st.integers(-6, 6),
    st.integers(0, 9),
    st.integers(0, 9),
)


@given(small, small, st.booleans(), st.sampled_from([Matte(), Ratio()]))
def test_over_any_window(own, wanted, edges, type):
    """Pixel by pixel: from the picture where it has one, else its nearest, else what its type has outside."""
    array = numbered(len(type.planes), own) + 2
    image = Image.from_array(array, type=type, origin=(own.x0, own.y0), display=FRAME)
    over = image.over(wanted, edges=edges)
    assert over.window == wanted
    assert over.display == FRAME
    for k, name in enumerate(type.planes):
        plane = over[name]
        assert plane.shape == wanted.shape
        assert plane.flags.c_contiguous
        for y in range(wanted.y0, wanted.y1):
            for x in range(wanted.x0, wanted.x1):
                near_x, near_y = min(max(x, own.x0), own.x1 - 1), min(max(y, own.y0), own.y1 - 1)
                inside = not own.empty and (near_x, near_y) == (x, y)
                taken = inside or (edges and not own.empty)
                expected = array[near_y - own.y0, near_x - own.x0, k] if taken else type.outside
                assert plane[y - wanted.y0, x - wanted.x0] == expected


def test_a_ratio_is_one_outside_and_all_else_nothing():
    wide = FRAME.grow(1)
    assert Image.from_array(numbered(3), type=Ratio()).over(wide)["R"][0, 0] == 1
    assert Image.from_array(numbered(4)).over(wide)["A"][0, 0] == 0


@given(st.tuples(*[st.integers(-5, 5)] * 2), st.tuples(*[st.integers(0, 11)] * 2))
def test_outermost_pixels_go_on_to_any_window(corner, size):
    image = Image.from_array(numbered(1)[..., 0], type=Matte())
    window = Window(corner[0], corner[1], corner[0] + size[0], corner[1] + size[1])
    # numpy's own padding, of more than any window sees.
    padded = np.pad(image["A"], 20, mode="edge")
    expected = padded[20 + window.y0 : 20 + window.y1, 20 + window.x0 : 20 + window.x1]
    assert np.array_equal(image.over(window, edges=True)["A"], expected)


def test_over_writes_to_nobody():
    image = Image.from_array(numbered(4))
    for plane in image.planes.values():
        plane.flags.writeable = False
    before = image.to_array()
    image.over(FRAME.grow(2))
    image.over(FRAME.grow(2), edges=True)
    image.over(Window(1, 1, 3, 2))
    image.to_array(FRAME.grow(1))
    np.testing.assert_array_equal(image.to_array(), before)
    assert image.over(FRAME) is image


def test_many_channels_are_counted_not_listed():
    names = tuple(f"layer{k}.R" for k in range(40))
    planes = {name: np.zeros(FRAME.shape, np.float32) for name in names}
    image = Image(planes, FRAME, FRAME, Layers(names))
    assert repr(image).startswith("<Image layers of a file (40 channels): layer0.R, layer1.R, ")
    assert "and 28 more; 4×3 at (0, 0)>" in repr(image)
    assert len(repr(image)) < 300
    with pytest.raises(
        ChannelError, match=r"no channel 'layer3\.r'\n  there are .* and 28 more; did you mean"
    ) as caught:
        image["layer3.r"]
    assert isinstance(caught.value, KeyError)


def test_words():
    image = Image.from_array(numbered(4))
    assert repr(image) == "<Image premultiplied colour in ACEScg (scene-linear): R, G, B, A; 4×3 at (0, 0)>"
    assert repr(image.over(Window(1, 0, 3, 2))).endswith("; 2×2 at (1, 0) in a frame of 4×3 at (0, 0)>")


@pytest.mark.parametrize(
    "image",
    [
        Image.from_array(numbered(4) / 48),
        Image.from_array(numbered(3) / 36, encoding=Encoding("ACEScct", "log")),
        Image.from_array(numbered(1) / 12, type=Matte()),
        Image.from_array(numbered(1), type=Depth()),
        Image.from_array(numbered(3), type=Ratio()),
        Image.from_array(numbered(2), type=Motion()),
        Image.from_array(numbered(3) * np.nan),
        Image.from_array(numbered(4), origin=(100, 100), display=FRAME),
    ],
    ids=lambda image: image.type.name,
)
def test_notebooks_get_a_png_of_the_frame(image):
    found = PillowImage.open(io.BytesIO(image._repr_png_()))
    assert found.format == "PNG"
    assert found.size == (4, 3)


def test_nothing_to_show():
    nothing = Window(0, 0, 0, 0)
    assert Image({"A": np.zeros((0, 0), np.float32)}, nothing, nothing, Matte())._repr_png_() is None


@pytest.mark.parametrize(
    ("values", "finite"),
    [
        ((3e38, 3e38), True),
        ((3e38, -3e38), True),
        ((np.inf, 1), False),
        ((np.inf, -np.inf), False),
        ((np.nan, 1), False),
    ],
)
def test_infinity_and_what_is_no_number_are_found_and_large_numbers_are_neither(values, finite):
    plane = np.zeros((40, 50), np.float32)
    plane[3, 7], plane[39, 49] = values
    assert all_finite(plane) == finite
