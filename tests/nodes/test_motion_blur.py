"""motion_blur as a node: directions, exposure, alpha, tiles, previews, warnings."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node
from scipy import ndimage

from stackcomp import Composition, Depth, DocumentError, Graph, Image, Matte, Motion, StackcompWarning, Window
from stackcomp.kernels import motion_blur as kernel

SIZE = (96, 64)


def moving(dx, dy, size=SIZE):
    return Image.from_array(np.full((*size[::-1], 2), [dx, dy], np.float32), type=Motion())


def square(alpha=1.0):
    """A lit square of ten pixels, premultiplied."""
    pixels = np.zeros((*SIZE[::-1], 4), np.float32)
    pixels[26:36, 40:50] = [0.5 * alpha, 0.3 * alpha, 0.2 * alpha, alpha]
    return pixels


def blurred(pixels, motion, **more):
    given = {"p": Image.from_array(pixels), "m": motion}
    if "depth" in more:
        given["z"] = Image.from_array(np.float32(more["depth"]), type=Depth())
        more["depth"] = "z"
    return render_node("motion_blur", given, image="p", motion="m", **more)


def middle(image):
    """Centre of the light, in pixels of the frame."""
    light = np.float64(image["G"])
    x, y = np.meshgrid(np.arange(image.window.x0, image.window.x1), np.arange(image.window.y0, image.window.y1))
    return np.array([(light * x).sum(), (light * y).sum()]) / light.sum() + 0.5


def extent(image):
    """Columns and rows that hold light."""
    return [int(np.count_nonzero(image["A"].max(axis=axis) > 1e-6)) for axis in (0, 1)]


@pytest.mark.parametrize(
    ("fields", "moved"),
    [
        ({}, (0, 0)),
        ({"shutter_centre": 0.25}, (5, 2)),
        ({"shutter_centre": 0.25, "vertical": "up"}, (5, -2)),
        ({"shutter_centre": -0.5, "shutter": 360}, (-10, -4)),
        ({"shutter_centre": 0.5, "shutter": 0}, (10, 4)),
    ],
)
def test_light_lies_where_the_thing_was_while_the_shutter_was_open(fields, moved):
    result = blurred(square(), moving(20, 8), **fields)
    assert middle(result) == pytest.approx(np.array([45, 31]) + moved, abs=0.02)
    length = fields.get("shutter", 180) / 360
    assert extent(result)[0] == pytest.approx(10 + 20 * length, abs=1)
    assert extent(result)[1] == pytest.approx(10 + 8 * length, abs=1)
    assert result["G"].sum() == pytest.approx(30, rel=1e-5)
    assert result["A"].sum() == pytest.approx(100, rel=1e-5)


def test_a_layer_stays_premultiplied_and_goes_over_any_plate():
    # A straight edge passes: the share of the time, by hand. 20 pixels of path, from 10 before to 10 behind.
    result = blurred(square(), moving(40, 0))
    covered = [result["A"][30, x] for x in (31, 35, 44, 50, 55, 59)]
    assert covered == pytest.approx([0.1, 0.3, 0.5, 0.45, 0.2, 0.0], abs=0.03)
    np.testing.assert_allclose(result["R"], 0.5 * result["A"], atol=1e-6)
    graph = Graph()
    for name in ("p", "plate", "m"):
        graph.add("flat", name, size=list(SIZE))
    graph.add("motion_blur", "it", image="p", motion="m")
    graph.add("over", "comp", source="it", backdrop="plate")
    plate = ndimage.gaussian_filter(np.random.default_rng(1).random((*SIZE[::-1], 3)), (1, 1, 0)).astype(
        np.float32
    )
    given = {"p": Image.from_array(square()), "plate": Image.from_array(plate), "m": moving(40, 0)}
    comp = Composition(graph).render("comp", 1, replace=given).to_array()
    # The mean of 200 composites, the square at its place of each moment (scipy moves it).
    mean = np.zeros_like(plate, np.float64)
    for k in range(200):
        moved = ndimage.shift(square().astype(np.float64), (0, (k + 0.5) / 10 - 10, 0), order=1)
        mean += (moved[..., :3] + plate * (1 - moved[..., 3:])) / 200
    assert np.abs(comp - mean).max() < 0.025


def test_a_still_picture_and_a_closed_shutter_change_nothing():
    pixels = np.random.default_rng(2).normal(size=(*SIZE[::-1], 4)).astype(np.float32)
    for motion, fields in ((moving(0, 0), {}), (moving(30, 9), {"shutter": 0}), (moving(30, 9), {"amount": 0})):
        result = blurred(pixels, motion, **fields).over(Window.of_size(*SIZE)).to_array()
        assert np.array_equal(result, pixels)


def test_a_picture_without_alpha_keeps_its_borders_and_brightness():
    pixels = np.full((*SIZE[::-1], 3), 0.7, np.float32)
    result = blurred(pixels, moving(50, -30))
    assert result.channels == ("R", "G", "B")
    np.testing.assert_allclose(result.to_array(), 0.7, rtol=1e-6)


def test_a_picture_that_ends_within_the_frame_fades_out():
    part = Window(30, 20, 60, 40)
    picture = Image.from_array(np.ones((20, 30, 4), np.float32), origin=(30, 20), display=Window.of_size(*SIZE))
    result = render_node("motion_blur", {"p": picture, "m": moving(40, 0)}, image="p", motion="m")
    assert part in result.window
    assert result["A"].sum() == pytest.approx(600, rel=1e-5)
    assert result.over(Window(25, 30, 26, 31))["A"][0, 0] == pytest.approx(0.28, abs=0.05)


def test_light_without_coverage_moves_and_covers_nothing():
    pixels = square(0.0)
    pixels[26:36, 40:50, :3] = [3, 2, 1]
    result = blurred(pixels, moving(24, 0))
    assert result["R"].sum() == pytest.approx(300, rel=1e-5)
    assert result["R"][30].max() < 3
    assert not result["A"].any()


def test_depth_says_who_is_in_front():
    pixels = np.zeros((*SIZE[::-1], 4), np.float32)
    pixels[...] = [0, 0, 1, 1]
    pixels[20:44, 44:52] = [1, 0, 0, 1]
    motion = np.zeros((*SIZE[::-1], 2), np.float32)
    motion[..., 0] = 40
    motion[20:44, 44:52] = 0
    depth = np.full(SIZE[::-1], 5.0)
    depth[20:44, 44:52] = 2
    followed = Image.from_array(motion, type=Motion())
    sharp = blurred(pixels, followed, depth=depth)
    assert np.array_equal(sharp.to_array(), pixels)
    assert blurred(pixels, followed)["R"][30, 47] < 0.9
    assert np.array_equal(
        blurred(pixels, followed, depth=np.where(depth == 5, 5, 0))["B"], blurred(pixels, followed)["B"]
    )


@pytest.mark.parametrize("source", ["colour", "layers", "given"])
def test_a_preview_at_half_the_scale_looks_the_same(source, tmp_path):
    pixels = ndimage.zoom(square(), (2, 2, 1), order=0)
    size = (2 * SIZE[0], 2 * SIZE[1])
    graph = Graph(frames="1")
    graph.add("flat", "p", size=list(size))
    given = {"p": Image.from_array(pixels)}
    numbers = {"as_": "motion", "channels": {"dx": 40, "dy": 12}}
    if source == "colour":
        graph.add("pick_channels", "m", layers="p", **numbers)
    elif source == "layers":
        Image.from_array(pixels).save(tmp_path / "a.exr")
        graph.add("read", "file", path="a.exr", encoding="ACEScg")
        graph.add("pick_channels", "m", layers="file", **numbers)
    else:
        graph.add("flat", "m", size=list(size))
        given["m"] = moving(40, 12, size)
    graph.add("motion_blur", "it", image="p", motion="m")
    composition = Composition(graph, root=tmp_path)
    whole, half = (composition.render("it", 1, scale=scale, replace=given) for scale in (1.0, 0.5))
    whole = whole.over(Window.of_size(*size)).to_array()
    small = whole.reshape(SIZE[1], 2, SIZE[0], 2, 4).mean(axis=(1, 3))
    assert np.abs(half.over(Window.of_size(*SIZE)).to_array() - small).max() < 0.03


@settings(max_examples=8, deadline=None)
@given(st.integers(-20, 90), st.integers(-20, 60), st.integers(1, 30))
def test_a_tile_equals_the_whole(x, y, size):
    draw = np.random.default_rng(3)
    pixels = draw.random((*SIZE[::-1], 4)).astype(np.float32)
    motion = np.kron(draw.uniform(-90, 90, (4, 6, 2)), np.ones((16, 16, 1)))
    motion = Image.from_array(np.float32(motion), type=Motion())
    whole, tile = (
        blurred(pixels, motion, largest_length=60, warn=lambda *_: None, **more)
        for more in ({}, {"window": Window(x, y, x + size, y + size)})
    )
    for channel in "RGBA":
        assert np.array_equal(tile[channel], whole.over(tile.window)[channel])


@pytest.mark.parametrize("place", [(40, 26), (0, 0), (86, 54), (40, 54)])
@pytest.mark.parametrize("alpha", ["premultiplied", "none"])
def test_what_is_still_is_copied_and_what_moves_is_as_if_all_were_computed(place, alpha, monkeypatch):
    """The reference: all of the frame given to the kernel, with the widest margin, as one picture."""
    draw = np.random.default_rng(8)
    pixels = draw.random((*SIZE[::-1], 4 if alpha == "premultiplied" else 3)).astype(np.float32)
    x, y = place
    motion = np.zeros((*SIZE[::-1], 2), np.float32)
    motion[y : y + 10, x : x + 10] = [11, -7]
    given = []

    whole = kernel.motion_blur

    def noted(planes, *more):
        given.append(planes[0].shape)
        return whole(planes, *more)

    around = kernel.margin(200, -0.25, 0.25)
    padded = [np.pad(pixels[..., k], around, mode="edge") for k in range(pixels.shape[2])]
    padded += [np.ones_like(padded[0])] * (4 - len(padded))
    moved = [np.pad(motion[..., k], around, mode="edge") for k in range(2)]
    wanted, _ = whole(padded, moved, None, -0.25, 0.25, 200)
    monkeypatch.setattr(kernel, "motion_blur", noted)
    result = blurred(pixels, Image.from_array(motion, type=Motion()))
    for name, plane in zip("RGBA", wanted, strict=True):
        if name in result.channels:
            assert np.array_equal(result[name], plane)
    assert len(given) == 1
    assert given[0][0] * given[0][1] < SIZE[0] * SIZE[1]


def test_within_limits_it_to_a_matte():
    matte = np.zeros((*SIZE[::-1], 1), np.float32)
    matte[:, 48:] = 1
    given = {"p": Image.from_array(square()), "m": moving(40, 0), "w": Image.from_array(matte, type=Matte())}
    result = render_node("motion_blur", given, image="p", motion="m", within="w").over(Window.of_size(*SIZE))
    assert np.array_equal(result.to_array()[:, :48], square()[:, :48])
    assert np.array_equal(result["A"][:, 48:], blurred(square(), moving(40, 0)).over(result.window)["A"][:, 48:])


def test_motion_that_is_too_long_is_reported_with_frame_place_and_length():
    motion = np.zeros((*SIZE[::-1], 2), np.float32)
    motion[30, 45] = [3e6, 4e6]
    messages = []
    fields = {"warn": lambda node, message: messages.append(message), "frame": 7, "largest_length": 50}
    result = blurred(square(), Image.from_array(motion, type=Motion()), **fields)
    wanted = "frame 7: motion of 5e+06 px per frame at (45, 30) is held to 50 px (largest_length)"
    assert messages == [wanted]
    assert np.isfinite(result.to_array()).all()
    # Where nothing is, motion is of no interest.
    motion[:] = 0
    motion[0, 0] = 1e6
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        blurred(square(), Image.from_array(motion, type=Motion()))


def test_motion_that_is_not_finite_is_none_and_reported():
    motion = np.full((*SIZE[::-1], 2), np.nan, np.float32)
    motion[..., 1] = np.inf
    # Pixels that the file has are counted, not those that are made of them beyond the frame.
    with pytest.warns(StackcompWarning, match=f": {2 * SIZE[0] * SIZE[1]} values .* not finite"):
        result = blurred(square(), Image.from_array(motion, type=Motion()))
    assert np.array_equal(result.over(Window.of_size(*SIZE)).to_array(), square())


@pytest.mark.parametrize(
    ("fields", "message"),
    [({"shutter": 721}, "720"), ({"largest_length": -1}, "largest_length"), ({"vertical": "left"}, "vertical")],
)
def test_wrong_numbers_are_refused(fields, message):
    with pytest.raises(DocumentError, match=message):
        blurred(square(), moving(1, 1), **fields)
