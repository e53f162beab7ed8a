"""defocus as a node: published circles of confusion, alpha, depth along rays, tiles, previews."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render

from stackcomp import Composition, Depth, DocumentError, Graph, Image, StackcompWarning, Window

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


LENS = {"focal_length": 100, "f_number": 0.7, "focus_distance": 2, "gate_width": 36, "largest_radius": 12}


def depth_image(plane, along="axis"):
    return Image.from_array(plane, type=Depth(along))


def scene():
    """A textured board with a nearer disc, opaque."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    pixels = np.random.default_rng(3).random((*SIZE[::-1], 4)).astype(np.float32)
    pixels[..., 3] = 1
    near = np.hypot(x - 40, y - 30) < 15
    return pixels, np.where(near, 1.7, 3.0 + x / 50).astype(np.float32)


def blurred(pixels, depth, along="axis", **more):
    given = {"p": Image.from_array(pixels), "z": depth_image(depth, along)}
    options = {name: more.pop(name) for name in ("at", "window") if name in more}
    return render("defocus", given, image="p", depth="z", **options, **{**LENS, **more})


def width_of(light):
    """Diameter of an even disc, from its area over its peak."""
    return 2 * np.sqrt(light.sum(dtype=np.float64) / light.max() / np.pi)


def test_a_point_has_the_published_circle_of_confusion():
    # 85 mm f/1.4, gate 36 mm, focus 3 m, subject 5 m: 37.77 px in a frame of 1920 px (question on Computer
    # Graphics Stack Exchange); here 192 px, so 3.777 px.
    pixels = np.zeros((60, 192, 4), np.float32)
    pixels[30, 96] = [100, 100, 100, 1]
    numbers = {"focal_length": 85, "f_number": 1.4, "focus_distance": 3}
    light = blurred(pixels, np.full((60, 192), 5, np.float32), **numbers).to_array()[..., 0]
    assert light.sum(dtype=np.float64) == pytest.approx(100, rel=1e-4)
    assert width_of(light) == pytest.approx(3.777, abs=0.25)


def test_a_radius_alone_blurs_all_alike():
    pixels = np.zeros((*SIZE[::-1], 3), np.float32)
    pixels[32, 48] = 100
    light = render("defocus", {"p": Image.from_array(pixels)}, image="p", radius=7.5).to_array()[..., 0]
    assert light.sum(dtype=np.float64) == pytest.approx(100, rel=1e-4)
    assert width_of(light) == pytest.approx(15, abs=0.25)


def test_the_plane_of_focus_is_untouched_and_its_edge_clean():
    pixels, depth = scene()
    depth[depth < 2] = 2
    result = blurred(pixels, depth).to_array()
    assert np.array_equal(result[depth == 2], pixels[depth == 2])
    assert np.abs(result - pixels)[depth > 3].mean() > 0.05


def test_an_opaque_picture_stays_opaque_to_its_edges():
    result = blurred(*scene()).to_array()
    assert np.abs(result[..., 3] - 1).max() < 1e-6


def test_nothing_counts_as_infinitely_far_and_its_light_spreads():
    pixels = np.zeros((*SIZE[::-1], 4), np.float32)
    pixels[32, 48, :3] = 50
    for nothing in (0, np.inf, np.nan):
        depth = np.full(SIZE[::-1], nothing, np.float32)
        with np.errstate(all="raise"):
            given = {"p": Image.from_array(pixels), "z": depth_image(depth)}
            graph = Graph()
            for name in given:
                graph.add("flat", name, size=list(SIZE))
            graph.add("defocus", "it", image="p", depth="z", **LENS)
            quiet = {"warn": lambda node, message: None}
            (found,) = Composition(graph).results(["it"], 1, replace=given, **quiet)
        light = found.image.to_array()
        assert light[..., 0].sum(dtype=np.float64) == pytest.approx(50, rel=1e-4)
        # |S2 − S1| / S2 · f² / (N (S1 − f)) for S2 = ∞: 7.5188 mm, 20.05 px in this frame.
        assert width_of(light[..., 0]) == pytest.approx(20.05, abs=0.25)
        assert np.all(light[..., 3] == 0)


def test_depth_along_rays_is_brought_to_the_axis():
    pixels, depth = scene()
    x = (np.arange(SIZE[0]) + 0.5 - 48) * 36 / 96
    y = (np.arange(SIZE[1]) + 0.5 - 32) * 36 / 96
    ray = depth * np.sqrt(1 + (np.square(x) + np.square(y)[:, None]) / 24**2)
    wide = {"focal_length": 24, "f_number": 0.1}
    along_axis = blurred(pixels, depth, **wide).to_array()
    along_ray = blurred(pixels, ray.astype(np.float32), "ray", **wide).to_array()
    assert along_ray == pytest.approx(along_axis, abs=0.02)
    mistaken = blurred(pixels, ray.astype(np.float32), **wide).to_array()
    assert np.abs(mistaken - along_axis).max() > 0.2


def test_held_radii_are_told():
    with pytest.warns(StackcompWarning, match="held to 1 px"):
        blurred(*scene(), largest_radius=1)


@settings(max_examples=10, deadline=None)
@given(st.integers(-8, 90), st.integers(-8, 60), st.integers(1, 20))
def test_a_tile_equals_the_whole(x, y, size):
    pixels, depth = scene()
    pixels[20:30, 60:80] *= 0.4
    depth[22:28, 62:78] = 0
    whole, tile = (blurred(pixels, depth, **w) for w in ({}, {"window": Window(x, y, x + size, y + size)}))
    for channel in "RGBA":
        assert np.array_equal(tile[channel], whole.over(tile.window)[channel])


def test_a_preview_at_half_the_scale_looks_the_same():
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    pixels = np.stack([0.5 + 0.4 * np.sin(x / 6), 0.5 + 0.4 * np.cos(y / 5), 0.3 + 0 * x], axis=-1)
    given = {"p": Image.from_array(pixels)}
    whole = render("defocus", given, image="p", radius=6).to_array()
    half = render("defocus", given, image="p", radius=6, at=0.5).to_array()
    assert np.abs(half - whole.reshape(32, 2, 48, 2, 3).mean(axis=(1, 3))).max() < 0.02


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({}, 'or give "radius" alone'),
        ({"depth": "z", "focal_length": 50}, "f_number, focus_distance, gate_width are missing"),
        ({"radius": 3, "depth": "z"}, '"depth" does not'),
        ({"radius": 3, "f_number": 2}, '"f_number" does not'),
        ({"depth": "z", **LENS, "focus_distance": 0.04}, "cannot focus at 0.04 m"),
        ({"radius": -1}, "smallest value"),
        ({"radius": 1e5}, "largest value"),
    ],
)
def test_lenses_that_cannot_be_are_refused_with_a_way_out(fields, message):
    with pytest.raises(DocumentError, match=message):
        Graph().add("defocus", "it", image="p", **fields)
