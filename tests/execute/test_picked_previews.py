"""Previews hold ids, their coverage and depth as single pixels of the full size, never means of several.

A mean of two ids is the id of a third object, and a mean of a near and a far distance is where nothing is.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import Composition, Depth, Graph, Ids, Image, Layers, Window
from stackcomp.files import exr
from stackcomp.nodes.defocus import Defocus

scales = st.sampled_from([0.5, 0.25, 1 / 3, 0.1, 0.75, 0.49]) | st.floats(0.05, 0.99)
sides = st.integers(1, 40)
#: What is added to ids, so that they are large.
LARGE = 0x7F00_0000
offsets = st.integers(-7, 7)


def preview(image: Image, scale: float) -> Image:
    graph = Graph()
    graph.add("flat", "given", size=[image.display.width, image.display.height])
    return Composition(graph).render("given", 1, scale=scale, replace={"given": image})


def numbered(window: Window, display: Window, type) -> Image:
    """A picture whose pixels have a number each, the same in all planes; in ids it is too large for float32."""
    number = np.arange(1, window.width * window.height + 1, dtype=np.uint32).reshape(window.shape)
    planes = {
        name: number + np.uint32(LARGE) if name.startswith("id") else number.astype(np.float32)
        for name in type.planes
    }
    return Image(planes, window, display, type)


@settings(max_examples=80, deadline=None)
@given(offsets, offsets, sides, sides, scales, st.sampled_from([Depth(), Ids(2)]))
def test_each_pixel_is_one_of_those_that_it_covers(x, y, width, height, scale, type):
    window = Window(x, y, x + width, y + height)
    got = preview(numbered(window, Window.of_size(48, 48), type), scale)
    assert got.window == window.scaled(scale)
    first, *others = (
        (plane - np.uint32(LARGE) if plane.dtype == np.uint32 else plane).astype(np.int64)
        for plane in got.planes.values()
    )
    for other in others:
        np.testing.assert_array_equal(other, first)  # an id and its coverage come from one pixel
    rows, columns = np.divmod(first - 1, width)
    x0, y0 = np.arange(got.window.x0, got.window.x1), np.arange(got.window.y0, got.window.y1)[:, None]
    for place, begin in ((columns + window.x0, x0), (rows + window.y0, y0)):
        assert (place + 1 > begin / scale - 1e-6).all()
        assert (place < (begin + 1) / scale + 1e-6).all()


def test_depth_at_an_edge_is_near_or_far():
    frame = Window.of_size(9, 5)
    depth = np.full(frame.shape, 9, np.float32)
    depth[:, :3] = 1
    got = preview(Image({"Z": depth}, frame, frame, Depth()), 0.5)
    assert set(got["Z"].ravel().tolist()) == {1.0, 9.0}


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """A file whose pixels alternate between two objects, at two distances, with two amounts of coverage."""
    folder = tmp_path_factory.mktemp("picked")
    frame = Window.of_size(12, 10)
    y, x = np.mgrid[0:10, 0:12]
    second = (x // 3 + y // 3) % 2 == 1
    planes = {
        "R": np.where(second, 1, 0).astype(np.float32),
        "G": np.where(second, 1, 0).astype(np.float32),
        "B": np.where(second, 1, 0).astype(np.float32),
        "depth.Z": np.where(second, 8, 2).astype(np.float32),
        "mattes.r": np.where(second, np.float32(1e30), np.float32(-3e-12)),
        "mattes.g": np.where(second, 1, 0.25).astype(np.float32),
    }
    exr.write(folder / "cg.exr", planes, window=frame, display=frame, pixel_type="float")
    graph = Graph()
    graph.add("read", "cg", path="cg.exr", encoding="ACEScg", alpha="none")
    graph.add("pick_channels", "depth", layers="cg", as_="depth", channels={"Z": "depth.Z"})
    graph.add("pick_channels", "ids", layers="cg", as_="ids", channels={"id0": "mattes.r", "cover0": "mattes.g"})
    graph.add("pick_channels", "colour", layers="cg", channels={"R": "R", "G": "G", "B": "B"})
    return Composition(graph, root=folder), planes


@pytest.mark.parametrize("scale", [0.5, 0.4, 1 / 3.5])
def test_planes_of_a_file_by_what_they_are(file, scale):
    comp, planes = file
    images = {r.node: r.image for r in comp.results(["cg", "depth", "ids", "colour"], 1, scale=scale)}
    ids = set(planes["mattes.r"].view(np.uint32).ravel().tolist())
    assert isinstance(images["cg"].type, Layers)
    assert set(images["depth"]["Z"].ravel().tolist()) == {2.0, 8.0}
    assert set(images["ids"]["id0"].ravel().tolist()) == ids
    assert set(images["ids"]["cover0"].ravel().tolist()) == {0.25, 1.0}
    second = np.float32(1e30).view(np.uint32)
    np.testing.assert_array_equal(images["ids"]["cover0"] == 1, images["ids"]["id0"] == second)
    # Channels of a file that may be such are picked too; colour is averaged, or nothing would show the difference.
    assert set(images["cg"]["depth.Z"].ravel().tolist()) == {2.0, 8.0}
    assert set(images["cg"]["mattes.g"].ravel().tolist()) == {0.25, 1.0}
    assert len(set(images["colour"]["R"].ravel().tolist())) > 2


def test_a_node_that_reads_depth_gets_no_distance_between(monkeypatch):
    frame = Window.of_size(32, 24)
    depth = np.full(frame.shape, 2, np.float32)
    depth[:, 11:] = 1e6
    graph = Graph()
    graph.add("flat", "cg", size=[32, 24], colour=0.5)
    graph.add("flat", "far", size=[32, 24])
    lens = {"focal_length": 50, "f_number": 2, "focus_distance": 2, "gate_width": 36, "largest_radius": 3}
    graph.add("defocus", "soft", image="cg", depth="far", **lens)
    received = []

    def compute(self, wanted, images, job, type):
        received.append(images["depth"]["Z"])
        return images["image"].over(wanted)

    monkeypatch.setattr(Defocus, "compute", compute)
    Composition(graph).render("soft", 1, scale=0.4, replace={"far": Image({"Z": depth}, frame, frame, Depth())})
    (plane,) = received
    assert set(plane.ravel().tolist()) == {2.0, 1e6}
