"""Previews at a lower scale: what is constant stays so, at every scale and size, wherever a picture ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import (
    Colour,
    Composition,
    Coordinates,
    Encoding,
    Graph,
    Image,
    Layers,
    Matte,
    Motion,
    Ratio,
    Window,
)
from stackcomp.files import exr

ACESCG = Encoding("ACEScg", "scene-linear")
sides = st.integers(1, 40)
scales = st.sampled_from([0.5, 0.25, 1 / 3, 0.1, 0.75, 0.49]) | st.floats(0.05, 1)
few = settings(max_examples=60, deadline=None)


def small(image: Image, scale: float) -> Image:
    graph = Graph()
    graph.add("flat", "p", size=[image.display.width, image.display.height])
    return Composition(graph).render("p", 1, scale=scale, replace={"p": image})


def constant(type, window: Window, display: Window, value: float = 0.5) -> Image:
    planes = {name: np.full(window.shape, value, np.float32) for name in type.planes}
    return Image(planes, window, display, type)


@pytest.mark.slow
@few
@given(sides, sides, scales, st.sampled_from([Colour("premultiplied", ACESCG), Colour("none", ACESCG),
                                              Colour("straight", ACESCG), Matte(), Ratio()]))  # fmt: skip
def test_a_constant_picture_stays_constant(width, height, scale, type):
    frame = Window.of_size(width, height)
    for window in (frame, frame.grow(3), Window(-1, 0, width + 5, height)):
        got = small(constant(type, window, frame), scale)
        assert got.window == window.scaled(scale)
        for plane in got.planes.values():
            np.testing.assert_allclose(plane, 0.5, rtol=3e-7)


@pytest.mark.slow
@few
@given(st.integers(0, 9), st.integers(0, 9), sides, sides, scales)
def test_where_it_ends_inside_the_frame_it_goes_over_into_what_is_outside(x, y, width, height, scale):
    frame = Window.of_size(60, 60)
    window = Window(x + 1, y + 1, x + 1 + width, y + 1 + height)
    # A shadow of 1 changes nothing, whatever part of the frame it covers; one of .5 never darkens more than that.
    got = small(constant(Ratio(), window, frame, 1.0), scale)
    assert all((plane == 1).all() for plane in got.planes.values())
    half = small(constant(Ratio(), window, frame), scale)["R"]
    assert half.min() >= np.float32(0.5) * (1 - 1e-6)
    # A plate without alpha is covered wherever it has pixels, so none of it is mixed with nothing.
    plate = small(constant(Colour("none", ACESCG), window, frame), scale)
    np.testing.assert_allclose(plate["R"], 0.5, rtol=3e-7)
    # Coverage that ends there is that share of the pixel, and premultiplied light with it.
    cg = small(constant(Colour("premultiplied", ACESCG), window, frame), scale)
    np.testing.assert_array_equal(cg["R"], cg["A"])
    area = cg["A"].sum(dtype=np.float64) / 0.5
    assert area == pytest.approx(window.width * window.height * scale**2, rel=1e-5)


def test_by_hand_a_shadow_in_the_middle_of_the_frame_and_odd_sizes():
    frame = Window.of_size(5, 5)
    plate = constant(Colour("none", ACESCG), frame, frame)
    shadow = constant(Ratio(), Window(1, 1, 4, 4), frame, 0.5)
    graph = Graph()
    for name in ("plate", "shadow"):
        graph.add("flat", name, size=[5, 5])
    graph.add("multiply_shadow", "shaded", backdrop="plate", shadow="shadow")
    got = Composition(graph).render("shaded", 1, scale=0.5, replace={"plate": plate, "shadow": shadow})
    # Ratios: the corner pixel is a quarter shadow, 7/8; the middle all shadow; the last row has no shadow.
    expected = np.array([[0.875, 0.75, 1], [0.75, 0.5, 1], [1, 1, 1]]) * 0.5
    np.testing.assert_allclose(got["R"], expected, rtol=1e-6)


def test_motion_is_counted_in_pixels_of_the_preview_and_places_are_not():
    frame = Window.of_size(7, 6)
    motion = small(constant(Motion(), frame, frame, 4.0), 0.5)
    np.testing.assert_allclose(motion["dx"], 2)
    places = small(constant(Coordinates(), Window(1, 1, 6, 5), frame, 0.25), 0.5)
    np.testing.assert_allclose(places["s"], 0.25)


def test_layers_of_a_file_come_at_the_scale_asked_for(tmp_path):
    window, display = Window(-1, 0, 6, 5), Window.of_size(5, 5)
    y, x = np.mgrid[0:5, 0:7].astype(np.float32)
    planes = {"R": x, "G": y, "B": x + y, "A": np.ones_like(x), "Z": 10 * y + x, "id00.R": x}
    ids = (np.arange(35, dtype=np.uint32).reshape(5, 7) + 7) << 20
    exr.write(tmp_path / "a.exr", {**planes, "id": ids}, window=window, display=display, pixel_type="float")
    graph = Graph()
    graph.add("read", "file", path="a.exr", encoding="ACEScg")
    graph.add("pick_channels", "colour", layers="file")
    graph.add("pick_channels", "depth", layers="file", as_="depth")
    comp = Composition(graph, root=tmp_path)
    found = {r.node: r.image for r in comp.results(["file", "colour", "depth"], 1, scale=0.5)}
    file, colour, depth = found["file"], found["colour"], found["depth"]
    assert isinstance(file.type, Layers)
    assert file.window == colour.window == window.scaled(0.5)
    assert file.display == colour.display == display.scaled(0.5)
    for name in "RGBA":
        np.testing.assert_array_equal(file[name], colour[name])
    np.testing.assert_array_equal(file["Z"], depth["Z"])
    # What may be ids is picked, never averaged.
    assert set(file["id"].ravel().tolist()) <= set(ids.ravel().tolist())
    assert set(file["id00.R"].ravel().tolist()) <= set(x.ravel().tolist())
    part = comp.render("file", 1, scale=0.5, window=(2, 2, 2, 3))
    assert part.window == Window(1, 1, 2, 3)
    np.testing.assert_array_equal(part["R"], file.over(part.window)["R"])
