"""Nodes that look at neighbours hold at most four frames beside the pictures that came in.

A frame is RGBA float32 of the picture's size. What numpy allocates is counted, so a picture of a quarter of
each side will do; its lengths in pixels are a quarter too. The same at full size, by what the operating system
counts, is part of the benchmarks.
"""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pytest
from slow_cases import few_fast

from stackcomp import KINDS, Colour, Composition, Depth, Encoding, Graph, Image, Matte, Window
from stackcomp.nodes.base import AreaNode, PixelNode

WIDTH, HEIGHT = 960, 540
LINEAR = Colour("premultiplied", Encoding("ACEScg", "scene-linear"))
TYPES = {"cg": LINEAR, "plate": LINEAR, "depth": Depth(), "matte": Matte()}
LENS = {"focal_length": 50, "f_number": 4, "focus_distance": 0.6, "gate_width": 36, "largest_radius": 2}
LEANING = [1, 0.05, 3, 0, 1, 2, 0, 0.0004, 1]
TURN = {"turn": 5, "pivot": [480, 270]}

#: Nodes in order; each is called by its place: n0, n1, …
CHAINS: dict[str, list[tuple[str, dict[str, Any]]]] = {
    "glow": [("glow", {"image": "cg", "radius": 5})],
    "large glow": [("glow", {"image": "cg", "radius": 50, "threshold": 0.4, "knee": 0.2, "output": "moved"})],
    "glow within": [("glow", {"image": "cg", "radius": 5, "matte": "matte", "within": "matte"})],
    "defocus": [("defocus", {"image": "cg", "radius": 1})],
    "defocus by depth": [("defocus", {"image": "cg", "depth": "depth", **LENS})],
    "soft_matte": [("soft_matte", {"matte": "matte", "grow": 1, "feather": 1, "curve": 1.5})],
    "place": [("place", {"image": "cg", "scale": 0.9, **TURN})],
    "place, horizon": [("place", {"image": "cg", "homography": [1, 0, 0, 0, 1, 0, 0, -0.0025, 1]})],
    "place, larger": [("place", {"image": "cg", "scale": 2, "pivot": [0, 0]})],
    "clean_patch": [
        (
            "clean_patch",
            {"backdrop": "plate", "patch": "cg", "matte": "matte", "feather": 2, "homography": LEANING},
        )
    ],
    "stroke_matte": [
        (
            "stroke_matte",
            {"matte": "matte", "strokes": [{"radius": 20, "softness": 0.5, "points": [[100, 100], [700, 300]]}]},
        )
    ],
    "extend_edges": [("extend_edges", {"image": "plate", "matte": "matte"})],
    "contact_shade": [("contact_shade", {"image": "cg", "matte": "matte", "offset": [2, 1], "softness": 2})],
    "match_grain": [
        ("match_grain", {"image": "cg", "matte": "matte", "grain_floor": [0.1, 0.1, 0.1], "grain_size": [1, 1, 1]})
    ],
    "soften": [("soften", {"image": "cg", "radius": 0.6})],
    "light_wrap": [("light_wrap", {"image": "cg", "backdrop": "plate", "reach": 3})],
    "lens_warp": [("lens_warp", {"image": "cg", "direction": "distort", "focal": [900, 900], "k1": -0.1})],
    "coordinate_warp": [
        ("ramp", {"like": "cg", "direction": "down", "first": [0, 0.9, 0], "last": [1, 0.1, 0]}),
        ("pick_channels", {"layers": "n0", "as_": "coordinates", "channels": {"s": "R", "t": "G"}}),
        ("coordinate_warp", {"image": "plate", "coordinates": "n1"}),
    ],
    "motion_blur": [
        ("pick_channels", {"layers": "cg", "as_": "motion", "channels": {"dx": "R", "dy": 12}}),
        ("motion_blur", {"image": "cg", "motion": "n0"}),
    ],
    "chain": [
        ("exposure", {"image": "cg", "stops": 1}),
        ("glow", {"image": "n0", "radius": 5}),
        ("defocus", {"image": "n1", "radius": 1}),
        ("place", {"image": "n2", **TURN}),
        ("over", {"source": "n3", "backdrop": "plate"}),
    ],
    "long chain": [
        ("glow", {"image": "cg", "radius": 5}),
        ("place", {"image": "n0", **TURN}),
        ("glow", {"image": "n1", "radius": 2, "falloff": "gaussian"}),
        ("exposure", {"image": "n2", "stops": -0.5}),
        ("place", {"image": "n3", "move": [120, 0]}),
        ("glow", {"image": "n4", "radius": 12}),
        ("defocus", {"image": "n5", "radius": 0.8}),
        ("place", {"image": "n6", "move": [-120, 0]}),
        ("over", {"source": "n7", "backdrop": "plate"}),
        ("glow", {"image": "n8", "radius": 3, "amount": 0.5}),
    ],
}


def pictures(nodes: list[tuple[str, dict[str, Any]]], window: Window) -> dict[str, Image]:
    used = {value for _, fields in nodes for value in fields.values() if isinstance(value, str)}
    random = np.random.default_rng(4)
    return {
        name: Image({c: random.random(window.shape, np.float32) for c in type.planes}, window, window, type)
        for name, type in TYPES.items()
        if name in used
    }


def frames_held(nodes: list[tuple[str, dict[str, Any]]], width: int, height: int) -> float:
    window = Window.of_size(width, height)
    given = pictures(nodes, window)
    graph = Graph(frames="1")
    for name in given:
        graph.add("flat", name, size=[width, height], as_="matte" if name == "matte" else "colour")
    for k, (kind, fields) in enumerate(nodes):
        graph.add(kind, f"n{k}", **fields)
    composition = Composition(graph)
    tracemalloc.start()
    try:
        results = composition.results([f"n{len(nodes) - 1}"], 1, replace=given, warn=lambda *_: None)
        image = next(iter(results)).image
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert any(plane.any() for plane in image.planes.values())
    return peak / (width * height * 16)


def test_every_area_kind_is_measured():
    measured = {kind for nodes in CHAINS.values() for kind, _ in nodes}
    # Kinds that may be fused work a row at a time.
    areas = {
        name for name, kind in KINDS.items() if issubclass(kind, AreaNode) and not issubclass(kind, PixelNode)
    }
    assert areas <= measured


@pytest.mark.parametrize("name", few_fast(CHAINS, 8))
def test_at_most_four_frames_are_held(name):
    nodes = CHAINS[name]
    # What is loaded and compiled at the first use is not a picture.
    frames_held(nodes, 96, 54)
    held = frames_held(nodes, WIDTH, HEIGHT)
    assert 0.2 < held < 4
