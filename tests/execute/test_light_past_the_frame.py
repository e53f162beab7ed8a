"""Light that spreads is cut where nobody sees it: beyond the frame and beyond all overscan that came in.

A glow of 300 pixels radius reaches some thousand pixels, and defocus after it further still. Only the windows
tell: pictures would be the same, and cost a hundred times as much.
"""

from __future__ import annotations

import numpy as np
import pytest

from stackcomp import KINDS, Colour, Composition, Encoding, Graph, Image, Matte, Window
from stackcomp.files import exr
from stackcomp.nodes.base import AreaNode

FRAME = Window.of_size(64, 48)
LINEAR = Colour("premultiplied", Encoding("ACEScg", "scene-linear"))
#: Where a lamp's pixels lie.
LAMPS = {
    "whole frame": FRAME,
    "at the edge": Window(60, 0, 64, 5),
    "across the corner": Window(-6, -5, 3, 3),
    "overscan all round": FRAME.grow(9),
    "outside": Window(90, 10, 96, 15),
}
KINDS_THAT_SPREAD = {
    "glow": {"radius": 300},
    "defocus": {"radius": 200},
    "soft_matte": {"grow": 150, "feather": 100},
    "extend_edges": {"distance": 400},
    "motion_blur": {"motion": "moves", "largest_length": 800},
}


@pytest.fixture
def computed(monkeypatch):
    """Windows that area kinds are asked to compute, and those of their inputs, by kind; nothing is computed."""
    windows: list[tuple[str, Window, list[Window]]] = []

    def compute(self, wanted, images, job, type):
        windows.append((self.kind, wanted, [image.window for image in images.values()]))
        display = next(iter(images.values())).display
        return Image({name: np.ones(wanted.shape, np.float32) for name in type.planes}, wanted, display, type)

    for kind in KINDS_THAT_SPREAD:
        monkeypatch.setattr(KINDS[kind], "compute", compute)
    return windows


def lamp(window: Window, type) -> Image:
    return Image({name: np.ones(window.shape, np.float32) for name in type.planes}, window, FRAME, type)


def test_no_kind_that_spreads_is_left_out():
    own_windows = {name for name, kind in KINDS.items() if issubclass(kind, AreaNode) and "domain" in vars(kind)}
    # Softening reaches a few pixels. Placed and warped pictures lie where they were put, a clean patch ends with
    # its backdrop, what is restored with its pictures, and what is painted with its strokes.
    elsewhere = {"soften", "place", "lens_warp", "coordinate_warp", "clean_patch", "restore", "stroke_matte"}
    assert own_windows == {*KINDS_THAT_SPREAD, *elsewhere}
    assert all(KINDS[name].spreads for name in KINDS_THAT_SPREAD)


@pytest.mark.parametrize("scale", [1.0, 0.5])
@pytest.mark.parametrize("where", LAMPS)
@pytest.mark.parametrize("kind", KINDS_THAT_SPREAD)
def test_only_frame_and_overscan_are_computed(kind, where, scale, computed):
    """Behind it stands a node that looks far beyond the frame, and would ask for all that there is."""
    window, graph = LAMPS[where], Graph()
    if kind == "soft_matte":
        graph.add("flat", "lamp", size=[64, 48], as_="matte")
        graph.add(kind, "spread", matte="lamp", **KINDS_THAT_SPREAD[kind])
        graph.add("soft_matte", "behind", matte="spread", **KINDS_THAT_SPREAD["soft_matte"])
    else:
        graph.add("flat", "lamp", size=[64, 48])
        if kind == "motion_blur":
            graph.add("pick_channels", "moves", layers="lamp", as_="motion", channels={"dx": 700, "dy": 90})
        graph.add(kind, "spread", image="lamp", **KINDS_THAT_SPREAD[kind])
        graph.add("defocus", "behind", image="spread", **KINDS_THAT_SPREAD["defocus"])
    given = {"lamp": lamp(window, Matte() if kind == "soft_matte" else LINEAR)}
    image = Composition(graph).render("behind", 1, scale=scale, replace=given)
    shown = (FRAME | window).scaled(scale)
    assert len(computed) == 2
    for _, wanted, _ in computed:
        assert wanted in shown
        assert FRAME.scaled(scale) in wanted
    assert image.window in shown
    if kind == "glow":  # the others look at neighbours beyond, where the picture goes on
        assert all(part in shown for part in computed[0][2])


def test_reaches_do_not_add_up_along_a_chain(computed):
    graph = Graph()
    graph.add("flat", "lamp", size=[64, 48])
    graph.add("glow", "halo", image="lamp", radius=300)
    graph.add("exposure", "dimmed", image="halo", stops=-1)
    graph.add("defocus", "soft", image="dimmed", radius=200)
    graph.add("glow", "again", image="soft", radius=300)
    graph.add("place", "moved", image="again", move=[20, 0])
    graph.add("glow", "last", image="moved", radius=300)
    Composition(graph).render("last", 1, replace={"lamp": lamp(LAMPS["overscan all round"], LINEAR)})
    assert len(computed) == 4
    # The picture that is moved is read where it moves from, which is beyond its left edge no farther than that.
    assert all(wanted in FRAME.grow(9 + 20) for _, wanted, _ in computed)


def test_a_delivered_file_is_the_frame_with_the_overscan_that_came_in(computed, tmp_path):
    overscan = FRAME.grow(9)
    planes = {name: np.ones(overscan.shape, np.float32) for name in "RGBA"}
    exr.write(tmp_path / "cg.exr", planes, window=overscan, display=FRAME)
    graph = Graph(frames="1")
    graph.add("read", "cg", path="cg.exr", encoding="ACEScg")
    graph.add("glow", "halo", image="cg", radius=300)
    graph.add("deliver", "out", image="halo", path="out.exr")
    Composition(graph, root=tmp_path).deliver()
    assert exr.read(tmp_path / "out.exr").window == overscan
    assert [wanted for _, wanted, _ in computed] == [overscan]
