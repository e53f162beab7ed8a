"""defocus as a node: published circles of confusion, alpha, depth along rays, tiles, previews."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render
from plain_discs import scattered

from stackcomp import Composition, Depth, DocumentError, Graph, Image, StackcompWarning, Window
from stackcomp.check.check_graph import check_graph
from stackcomp.kernels.lens import spread_radius

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)


LENS = {"focal_length": 100, "f_number": 0.7, "focus_distance": 2, "gate_width": 36, "largest_radius": 12}


def depth_image(plane, along="axis"):
    return Image.from_array(np.float32(plane), type=Depth(along))


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
            (result,) = Composition(graph).results(["it"], 1, replace=given, **quiet)
        light = result.image.to_array()
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


def test_limited_radii_are_reported():
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


def lone_card(origin):
    """A soft-edged card with a hole in a window smaller than the frame, and depth 4 m where it covers."""
    alpha = np.zeros((36, 44), np.float32)
    alpha[4:30, 6:38] = 1
    alpha[14:20, 18:27] = 0
    for axis in (0, 1):
        alpha = sum(np.roll(alpha, k, axis) * share for k, share in ((-1, 0.25), (0, 0.5), (1, 0.25)))
    light = (0.2 + np.random.default_rng(5).random((*alpha.shape, 3))) * alpha[..., None]
    pixels = np.concatenate([light, alpha[..., None]], axis=-1).astype(np.float32)
    depth = Image.from_array(np.where(alpha > 0, 4.0, 0.0), type=Depth(), origin=origin, display=FRAME)
    return Image.from_array(pixels, origin=origin, display=FRAME), depth


def discs_of(picture, depth, here, largest):
    """The plain sum of discs over a window, with that lens."""
    names = ("focus_distance", "focal_length", "f_number", "gate_width")
    spread = spread_radius(depth, *(LENS[name] for name in names), SIZE[0])
    planes = [picture.over(here)[name] for name in picture]
    planes += [np.zeros_like(planes[0])] * (4 - len(planes))
    return scattered(planes, np.broadcast_to(spread, here.shape), largest)[0]


@pytest.mark.parametrize("largest", [6, 12, 30.5])
def test_a_lone_card_smaller_than_the_frame_is_the_sum_of_its_discs(largest):
    picture, depth = lone_card(origin=(20, 12))
    given = {"p": picture, "z": depth}
    got = render("defocus", given, image="p", depth="z", **{**LENS, "largest_radius": largest})
    here = picture.window.grow(8)
    wanted = discs_of(picture, depth.over(here)["Z"], here, largest)
    for k, name in enumerate("RGBA"):
        assert np.abs(got.over(here)[name] - wanted[..., k]).max() < 1e-5, name


@pytest.mark.parametrize("largest", [6, 30.5])
def test_a_plate_smaller_than_the_frame_ends_as_its_discs_do(largest):
    plate = Image.from_array(0.5 + np.random.default_rng(1).random((30, 40, 3)), origin=(25, 15), display=FRAME)
    depth = Image.from_array(np.full((30, 40), 4.0), type=Depth(), origin=(25, 15), display=FRAME)
    given = {"p": plate, "z": depth}
    got = render("defocus", given, image="p", depth="z", **{**LENS, "largest_radius": largest})
    here = plate.window.grow(8)
    wanted = discs_of(plate, np.float64(4), here, largest)
    for k, name in enumerate("RGB"):
        assert np.abs(got.over(here)[name] - wanted[..., k]).max() < 1e-5, name


def test_a_lone_card_that_reaches_the_border_goes_on_beyond_it():
    picture, depth = (image.over(Window(0, 0, 38, 32)) for image in lone_card(origin=(-8, -6)))
    got = render("defocus", {"p": picture, "z": depth}, image="p", depth="z", **LENS)
    here = Window(-12, -12, 60, 50)
    beyond = picture.over(Window(-12, -12, 38, 32), edges=True)
    wanted = discs_of(beyond, np.float64(4), here, 12)
    inside = FRAME & here
    for k, name in enumerate("RGBA"):
        assert np.abs(got.over(inside)[name] - wanted[..., k][inside.slices_in(here)]).max() < 1e-5, name
    assert got.over(inside)["A"][3, 0] == pytest.approx(1, abs=1e-5)


def test_a_window_of_one_pixel_is_that_pixel_of_the_whole():
    picture, depth = lone_card(origin=(20, 12))
    whole = render("defocus", {"p": picture, "z": depth}, image="p", depth="z", **LENS)
    for x, y in ((22, 20), (18, 16), (40, 30), (60, 45)):
        tile = render("defocus", {"p": picture, "z": depth}, image="p", depth="z", window=(x, y, 1, 1), **LENS)
        for name in "RGBA":
            assert tile[name] == whole.over(tile.window)[name]


@pytest.mark.parametrize("odd", [0, -3, np.nan, np.inf, -np.inf, 1e-42, 1e-30, 3e38])
@pytest.mark.parametrize("along", ["axis", "ray"])
def test_odd_depth_makes_no_odd_pixels(odd, along):
    pixels, depth = scene()
    pixels[:20] = 0
    pixels[5:8, 10:40, :3] = 3
    depth[:40:3, ::4] = odd
    messages = []
    given = {"p": Image.from_array(pixels), "z": depth_image(depth, along)}
    options = {**LENS, "warn": lambda node, message: messages.append(message)}
    with np.errstate(all="raise"):
        whole = render("defocus", given, image="p", depth="z", **options)
    tile = render("defocus", given, image="p", depth="z", window=Window(30, 20, 31, 21), **options)
    assert all("taken as 0" in message or "held to 12 px" in message for message in messages)
    for name in "RGBA":
        assert np.isfinite(whole[name]).all()
        assert tile[name] == whole.over(tile.window)[name]
    assert whole["A"].min() >= 0
    assert whole["A"].max() <= 1 + 1e-6


def focus_warnings(depth, coverage=None, **more):
    """Warnings about the focus distance when a picture of that depth is rendered."""
    pixels = np.ones((*SIZE[::-1], 4), np.float32)
    if coverage is not None:
        pixels *= coverage[..., None]
    messages = []
    options = {name: more.pop(name) for name in ("window", "at") if name in more}
    blurred(
        pixels, depth.astype(np.float32), warn=lambda node, message: messages.append(message), **options, **more
    )
    return [message for message in messages if "focus_distance" in message]


def test_a_focus_far_from_all_depth_is_reported_with_both_numbers():
    depth = np.linspace(2.1, 8.4, SIZE[0]) * np.ones(SIZE[::-1])
    wide = {"focal_length": 24, "f_number": 16, "largest_radius": 2}
    (message,) = focus_warnings(depth, focus_distance=3000, **wide)
    assert message.startswith('focus_distance is 3000 m, but the depth picture "z" holds 2.1 to 8.4 m: ')
    assert '"unit" at the pick_channels node' in message
    # A file in millimetres without "unit", and a preview of it.
    (message,) = focus_warnings(depth * 1000, focus_distance=3, **wide)
    assert "3 m" in message
    assert "2100 to 8400 m" in message
    assert len(focus_warnings(depth, focus_distance=3000, at=0.5, **wide)) == 1
    (message,) = focus_warnings(np.full(SIZE[::-1], 5), focus_distance=0.2, **wide)
    assert "holds 5 m" in message


@pytest.mark.parametrize("focus", [0.22, 1.5, 4, 9, 80])
def test_a_rack_of_focus_says_nothing(focus):
    depth = np.linspace(2.1, 8.4, SIZE[0]) * np.ones(SIZE[::-1])
    assert not focus_warnings(depth, focus_distance=focus, focal_length=24, f_number=16, largest_radius=2)


def test_only_depth_of_what_is_covered_counts_and_only_of_the_whole():
    coverage = np.zeros(SIZE[::-1], np.float32)
    coverage[20:40, 30:60] = 1
    depth = np.where(coverage > 0, 4, 1e6)
    wide = {"focal_length": 24, "f_number": 16, "largest_radius": 2}
    assert len(focus_warnings(depth, coverage, focus_distance=100, **wide)) == 1
    assert not focus_warnings(depth, focus_distance=100, **wide)
    # A tile may hold but a part of what stands at many distances.
    assert not focus_warnings(depth, coverage, focus_distance=100, window=Window(0, 0, 50, 64), **wide)
    # Without any depth there is nothing to compare with.
    assert not focus_warnings(0 * depth, coverage, focus_distance=100, **wide)


def warned(**fields):
    """Warnings about a node before a pixel is read."""
    graph = Graph()
    graph.add("flat", "p", size=list(SIZE))
    graph.add("flat", "z", size=list(SIZE))
    graph.add("pick_channels", "depth", layers="z", as_="depth", channels={"Z": "R"})
    graph.add("defocus", "it", image="p", depth="depth", **{**LENS, **fields})
    return [str(problem) for problem in Composition(graph).check() if problem.rule == "unit"]


def test_lengths_in_a_wrong_unit_are_warned_of():
    assert warned(focal_length=1, focus_distance=200) == []
    (message,) = warned(focal_length=0.05)
    assert '"focal_length" is 0.05 mm, shorter' in message
    assert "write 50" in message
    (message,) = warned(focus_distance=3000)
    assert '"focus_distance" is 3000 m, farther' in message
    assert "write 3" in message
    assert len(warned(focal_length=0.035, focus_distance=2500)) == 2
    keys = {"keys": [[1, 2], [5, 199], [9, 1500], [12, 4000]]}
    (message,) = warned(focus_distance=keys)
    assert "is 1500 m at frame 9" in message


@pytest.mark.parametrize(("frames", "first"), [((1, 2, 3), None), ((1, 2, 3, 4, 5), 4), ((5, 9), 5)])
def test_a_focus_that_keys_bring_into_the_lens_is_refused_at_its_frame(frames, first):
    graph = Graph()
    graph.add("flat", "plate", size=[8, 8], colour=0.5)
    graph.add("flat", "z", size=[8, 8], as_="matte")
    lens = {"focal_length": 50, "f_number": 2, "gate_width": 36}
    keys = {"keys": [[1, 2.0], [4, 0.04]], "between": "linear"}
    graph.add("defocus", "soft", image="plate", depth="z", focus_distance=keys, **lens)
    given = {"z": Image.from_array(np.full((8, 8), 3, np.float32), type=Depth())}
    problems = check_graph(graph.document(), Path("."), frames=frames, given=given)[1]
    assert [(p.node, p.field, p.rule) for p in problems if p.severity == "error"] == (
        [] if first is None else [("soft", "focus_distance", "lens-focus")]
    )
    if first is not None:
        assert problems[0].message.startswith(f"frame {first}: a lens of 50 mm cannot focus at 0.04 m")
