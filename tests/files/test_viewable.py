"""Pictures to look at: every type of image, and pixels that are not finite."""

import cv2
import numpy as np
import pytest

from stackcomp.data.image import Image
from stackcomp.data.port_types import (
    Colour,
    Coordinates,
    Depth,
    Encoding,
    Ids,
    Layers,
    Matte,
    Motion,
    Ratio,
)
from stackcomp.data.window import Window
from stackcomp.files import colour
from stackcomp.files.viewable import viewable

ACESCG = Encoding("ACEScg", "scene-linear")
SCREEN = Encoding("sRGB - Display", "display")


def flat(type, *values, shape=(2, 3)):
    return Image.from_array(np.broadcast_to(np.float32(values), (*shape, len(values))), type=type)


def shown(image, **options):
    picture = viewable(image, **options)
    assert picture.dtype == np.uint8
    assert picture.shape == (*image.display.shape, 3)
    return picture[0, 0].tolist()


def view(*rgb):
    """What the config's default view makes of ACEScg, as 8 bits."""
    result = colour.display_view([np.full((1, 1), value, np.float32) for value in rgb], "ACEScg")
    return [round(float(np.clip(plane[0, 0], 0, 1)) * 255) for plane in result]


def test_scene_linear_is_shown_through_the_view():
    image = flat(Colour("none", ACESCG), 0.18, 0.09, 0.36)
    assert shown(image) == view(0.18, 0.09, 0.36)
    assert shown(image, stops=1) == view(0.36, 0.18, 0.72)


def test_log_is_shown_like_its_scene_linear_light():
    log = colour.convert([np.full((2, 3), v, np.float32) for v in (0.18, 0.09, 0.36)], "ACEScg", "ACEScct")
    image = Image.from_array(np.stack(log, -1), encoding=Encoding("ACEScct", "log"))
    assert np.abs(np.subtract(shown(image, stops=-1), view(0.09, 0.045, 0.18))).max() <= 1


def test_display_colour_is_shown_unchanged():
    assert shown(flat(Colour("none", SCREEN), 0.2, 0.4, 1.5)) == [51, 102, 255]


def test_alpha_over_black_or_a_checkerboard():
    assert shown(flat(Colour("straight", SCREEN), 1, 0.5, 0, 0.5)) == [128, 64, 0]
    assert shown(flat(Colour("premultiplied", ACESCG), 0.2, 0.2, 0.2, 0.1)) == view(0.2, 0.2, 0.2)
    checks = viewable(flat(Colour("premultiplied", ACESCG), 0, 0, 0, 0, shape=(40, 40)), checker=True)
    assert len(np.unique(checks)) == 2
    assert 0 < checks.min() < checks.max() < 100
    opaque = flat(Colour("premultiplied", ACESCG), 0.2, 0.1, 0.3, 1)
    assert shown(opaque, checker=True) == shown(opaque)


def test_unknown_encodings_are_shown():
    assert shown(flat(Colour("none", Encoding("in house", "log")), 0.2, 0.4, 1)) == [51, 102, 255]
    own = shown(flat(Colour("none", Encoding("in house", "scene-linear")), 0.18, 0.18, 0.18))
    assert own[0] == own[1] == own[2] > 60


@pytest.mark.parametrize(
    ("type", "values", "expected"),
    [
        (Matte(), [0.5], [128, 128, 128]),
        (Ratio(), [0.5, 1.0, 3.0], [64, 128, 255]),
        (Coordinates(), [0.2, 0.6], [51, 153, 0]),
        (Motion(), [0.0, 0.0], [128, 128, 128]),
        (Depth(), [0.0], [0, 0, 0]),
        (Depth(), [4.0], [255, 255, 255]),
    ],
)
def test_each_type(type, values, expected):
    assert shown(flat(type, *values)) == expected


def test_near_depth_is_bright_and_far_differs_from_none():
    depth = viewable(Image.from_array(np.float32([[1, 2, 4, 1e6, 0]]), type=Depth()))[0, :, 0]
    assert all(np.diff(depth.astype(int)) < 0)
    assert depth[-1] == 0


def test_motion_follows_its_direction():
    picture = viewable(Image.from_array(np.float32([[[8, 0], [0, -8], [0, 0]]]), type=Motion()))[0].astype(int)
    assert picture[0, 0] > 250
    assert picture[0, 1] == 128
    assert picture[1, 1] < 5
    assert picture[2].tolist() == [128, 128, 128]


def test_ids_have_distinct_colours_scaled_by_coverage():
    ids = np.array([[0xF19C73FD, 0x9623511E, 0x7FC00000, 0, 0xF19C73FD]], np.uint32)
    cover = np.float32([[1, 1, 1, 1, 0.5]])
    window = Window.of_size(5, 1)
    picture = viewable(Image({"id0": ids, "cover0": cover}, window, window, Ids(1)))[0].astype(int)
    assert len({tuple(colour) for colour in picture[:3]}) == 3
    assert picture[3].tolist() == [0, 0, 0], "id 0 is nothing"
    assert np.abs(picture[4] - picture[0] / 2).max() <= 1


def test_layers_are_shown_as_rgb_or_their_first_channel():
    window = Window.of_size(1, 1)
    planes = {name: np.full((1, 1), 0.2, np.float32) for name in ("Z", "R", "G", "B")}
    image = Image(planes, window, window, Layers(tuple(planes), "none", ACESCG))
    assert shown(image) == view(0.2, 0.2, 0.2)
    one = Image({"Z": planes["Z"]}, window, window, Layers(("Z",)))
    assert shown(one) == [51, 51, 51]
    names = ("key.B", "key.G", "key.R")
    named = Image(dict.fromkeys(names, planes["Z"]), window, window, Layers(names, "none", ACESCG))
    assert shown(named) == [51, 51, 51]


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("type", [Colour("premultiplied", ACESCG), Matte(), Ratio(), Depth(), Motion()], ids=str)
def test_pixels_that_are_not_finite_are_magenta(type, odd):
    image = flat(type, *[0.5] * len(type.planes))
    before = viewable(image)
    array = image.to_array()
    array[1, 2, 0] = odd
    picture = viewable(Image.from_array(array, type=type))
    assert picture[1, 2].tolist() == [255, 0, 255]
    picture[1, 2] = before[1, 2]
    np.testing.assert_array_equal(picture, before)


def test_the_display_window_is_shown():
    overscan = Image.from_array(np.ones((6, 6)), type=Matte(), origin=(-2, -2), display=Window.of_size(6, 4))
    picture = viewable(overscan)
    assert picture.shape == (4, 6, 3)
    assert (picture[:, :4] == 255).all()
    assert (picture[:, 4:] == 0).all()
    ratio = Image.from_array(np.zeros((1, 1, 3)), type=Ratio(), display=Window.of_size(2, 1))
    assert viewable(ratio)[0].tolist() == [[0, 0, 0], [128, 128, 128]], "where there is no ratio it is 1"


def test_a_notebook_gets_a_png():
    image = flat(Matte(), 0.25)
    png = cv2.imdecode(np.frombuffer(image._repr_png_(), np.uint8), cv2.IMREAD_COLOR)
    np.testing.assert_array_equal(png, viewable(image))
