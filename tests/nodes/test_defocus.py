"""defocus as a node: published circles of confusion, alpha, depth along rays, tiles, previews."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_node import render_node as render
from plain_discs import scattered

from stackcomp import Composition, Depth, DocumentError, Graph, Image, RenderError, StackcompWarning, Window
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


#: What the fast way may be off by, and the exact one.
LIMITS = {"fast": 2e-3, "exact": 1e-5}


@pytest.mark.parametrize("quality", LIMITS)
@pytest.mark.parametrize("largest", [6, 12, 30.5])
def test_a_lone_card_smaller_than_the_frame_is_the_sum_of_its_discs(largest, quality):
    picture, depth = lone_card(origin=(20, 12))
    given, fields = {"p": picture, "z": depth}, {**LENS, "largest_radius": largest, "quality": quality}
    got = render("defocus", given, image="p", depth="z", **fields)
    here = picture.window.grow(8)
    wanted = discs_of(picture, depth.over(here)["Z"], here, largest)
    for k, name in enumerate("RGBA"):
        assert np.abs(got.over(here)[name] - wanted[..., k]).max() < LIMITS[quality], name


@pytest.mark.parametrize("quality", LIMITS)
@pytest.mark.parametrize("largest", [6, 30.5])
def test_a_plate_smaller_than_the_frame_ends_as_its_discs_do(largest, quality):
    plate = Image.from_array(0.5 + np.random.default_rng(1).random((30, 40, 3)), origin=(25, 15), display=FRAME)
    depth = Image.from_array(np.full((30, 40), 4.0), type=Depth(), origin=(25, 15), display=FRAME)
    given, fields = {"p": plate, "z": depth}, {**LENS, "largest_radius": largest, "quality": quality}
    got = render("defocus", given, image="p", depth="z", **fields)
    here = plate.window.grow(8)
    wanted = discs_of(plate, np.float64(4), here, largest)
    for k, name in enumerate("RGB"):
        assert np.abs(got.over(here)[name] - wanted[..., k]).max() < LIMITS[quality], name


@pytest.mark.parametrize("quality", LIMITS)
def test_a_lone_card_that_reaches_the_border_goes_on_beyond_it(quality):
    picture, depth = (image.over(Window(0, 0, 38, 32)) for image in lone_card(origin=(-8, -6)))
    given = {"p": picture, "z": depth}
    got = render("defocus", given, image="p", depth="z", **LENS, quality=quality)
    here = Window(-12, -12, 60, 50)
    beyond = picture.over(Window(-12, -12, 38, 32), edges=True)
    wanted = discs_of(beyond, np.float64(4), here, 12)
    inside = FRAME & here
    for k, name in enumerate("RGBA"):
        off = np.abs(got.over(inside)[name] - wanted[..., k][inside.slices_in(here)]).max()
        assert off < LIMITS[quality], name
    assert got.over(inside)["A"][3, 0] == pytest.approx(1, abs=LIMITS[quality])


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


def focused_at(pixels, depth, point, along="axis", **more):
    """As `blurred`, but focused at a point."""
    given = {"p": Image.from_array(pixels), "z": depth_image(depth, along)}
    fields = {name: value for name, value in {**LENS, **more}.items() if name != "focus_distance"}
    return render("defocus", given, image="p", depth="z", focus_at=point, **fields)


@pytest.mark.parametrize("along", ["axis", "ray"])
def test_a_point_in_focus_is_the_distance_there(along):
    pixels, depth = scene()
    x, y = (np.arange(n) + 0.5 - n / 2 for n in SIZE)
    ray = np.sqrt(1 + (np.square(x) + np.square(y)[:, None]) * (36 / 96 / 100) ** 2)
    there = depth if along == "axis" else (depth * ray).astype(np.float32)
    got = focused_at(pixels, there, [40.7, 30.2], along).to_array()
    wanted = blurred(pixels, depth, focus_distance=1.7).to_array()
    assert np.abs(got - wanted).max() < (1e-6 if along == "axis" else 2e-3)


def test_a_point_in_focus_takes_a_surface_and_no_mean_of_two():
    pixels, depth = scene()
    depth[:] = np.where(np.arange(96) < 50, 1.7, 6).astype(np.float32)
    depth[:, 50] = 3.85
    depth[10:20, 48:52] = 0
    for point, distance in (([49, 30], 1.7), ([52, 30], 6), ([50.5, 30], 3.85), ([47.9, 15], 1.7)):
        got = focused_at(pixels, depth, point).to_array()
        wanted = blurred(pixels, depth, focus_distance=distance).to_array()
        assert np.abs(got - wanted).max() < 1e-6, point


def test_a_point_in_focus_may_move_and_lie_outside_of_a_tile():
    pixels, depth = scene()
    given = {"p": Image.from_array(pixels), "z": depth_image(depth)}
    fields = {name: value for name, value in LENS.items() if name != "focus_distance"}
    fields["focus_at"] = {"keys": [[0, [40, 30]], [2, [90, 60]]], "between": "linear"}
    whole = render("defocus", given, image="p", depth="z", **fields)
    for window in (Window(0, 0, 10, 8), Window(80, 50, 96, 64)):
        tile = render("defocus", given, image="p", depth="z", window=window, **fields)
        for channel in "RGBA":
            assert np.array_equal(tile[channel], whole.over(tile.window)[channel])
    # At frame 1 it lies half way.
    wanted = blurred(pixels, depth, focus_distance=float(depth[45, 65])).to_array()
    assert np.abs(whole.to_array() - wanted).max() < 1e-6


def test_a_point_without_distance_is_an_error_that_says_where():
    pixels, depth = scene()
    depth[20:30, 20:30] = [0, np.inf, np.nan, -1, 0, 0, np.inf, 0, 0, 0]
    quiet = {"warn": lambda node, message: None}
    with pytest.raises(RenderError, match=r"(?s)it.*frame 1.*\[25, 25\].*\"z\" has no distance.*focus_distance"):
        focused_at(pixels, depth, [25, 25], **quiet)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({**LENS, "focus_at": [3, 3]}, "both say what is in focus"),
        ({"focal_length": 50, "f_number": 2, "gate_width": 36}, "focus_at.* may take the place"),
        ({**LENS, "blades": 2}, "makes no opening"),
        ({**LENS, "blades": 40}, "blades"),
        ({**LENS, "roundness": 1.5}, "largest value"),
        ({**LENS, "anamorphic": 0}, "smallest value"),
        ({**LENS, "quality": "draft"}, "quality"),
    ],
)
def test_fields_that_do_not_go_together_are_refused(fields, message):
    with pytest.raises(DocumentError, match=message):
        Graph().add("defocus", "it", image="p", depth="z", **fields)


def test_a_point_outside_of_the_frame_is_found_before_a_pixel_is_read():
    graph = Graph()
    graph.add("flat", "p", size=[8, 8], colour=0.5)
    graph.add("flat", "z", size=[8, 8], as_="matte")
    keys = {"keys": [[1, [2, 2]], [4, [2, 11]]], "between": "linear"}
    graph.add("defocus", "it", image="p", depth="z", focal_length=50, f_number=2, gate_width=36, focus_at=keys)
    given = {"z": Image.from_array(np.full((8, 8), 3, np.float32), type=Depth())}
    problems = check_graph(graph.document(), Path("."), frames=(1, 2, 3, 4), given=given)[1]
    (problem,) = (problem for problem in problems if problem.severity == "error")
    assert (problem.node, problem.field, problem.rule) == ("it", "focus_at", "lens-focus")
    assert problem.message.startswith("frame 3: focus_at is [2, 8], outside of")


@pytest.mark.parametrize("quality", ["fast", "exact"])
@pytest.mark.parametrize(("near", "far", "focus"), [(1.7, 8, 8), (1.7, 8, 1.7), (1.7, 4, 2.2), (1.7, 4, 1.2)])
def test_depth_that_is_mixed_at_an_edge_draws_no_line(near, far, focus, quality):
    # An edge at an angle, colour and depth averaged over each pixel alike.
    y, x = np.mgrid[: SIZE[1] * 8, : SIZE[0] * 8] / 8
    front = (x - 0.3 * y < 40).reshape(SIZE[1], 8, SIZE[0], 8).mean(axis=(1, 3))
    pixels = np.stack([front, 1 - front, 0 * front, 1 + 0 * front], axis=-1).astype(np.float32)
    depth = (front * near + (1 - front) * far).astype(np.float32)
    quiet = {"warn": lambda node, message: None}
    lens = {**LENS, "f_number": 2.8, "focus_distance": focus, "quality": quality, **quiet}
    mixed = blurred(pixels, depth, **lens)["R"]
    # Across the edge the thing in front fades, never to rise again.
    assert np.diff(mixed[10:-10], axis=1).max() < 0.004
    clean = blurred(pixels, np.where(front >= 0.5, near, far), **lens)["R"]
    assert np.abs(mixed - clean).mean() < 0.004


def test_depth_mixed_with_nothing_takes_the_surface():
    x = np.arange(SIZE[0])
    alpha = np.broadcast_to(np.clip((x - 30) / 2, 0, 1), SIZE[::-1]).astype(np.float32)
    pixels = np.repeat(alpha[..., None], 4, axis=-1)
    wanted = blurred(pixels, np.where(alpha > 0, 4.0, 0)).to_array()
    for nothing in (0.0, 1000.0):
        depth = np.where(alpha > 0, 4 * alpha + nothing * (1 - alpha), nothing)
        assert np.abs(blurred(pixels, depth).to_array() - wanted).max() < 1e-6


@pytest.mark.parametrize("quality", ["fast", "exact"])
def test_the_shape_of_the_aperture_is_that_of_a_light_in_a_frame(quality):
    pixels = np.zeros((*SIZE[::-1], 3), np.float32)
    pixels[32, 48], pixels[32, 8], pixels[32, 88] = 100, 100, 100
    fields = {"image": "p", "radius": 9, "quality": quality}
    given = {"p": Image.from_array(pixels)}
    round_, blades, wide, cut = (
        render("defocus", given, **fields, **shape).to_array()[..., 0].astype(np.float64)
        for shape in ({}, {"blades": 5}, {"anamorphic": 0.5}, {"cat_eye": 1})
    )
    middle = slice(34, 63)
    for light in (round_, blades, wide):
        assert light[:, middle].sum() == pytest.approx(100, rel=1e-4)
        # Of the same area, so as bright.
        assert light[32, 48] == pytest.approx(round_[32, 48], rel=0.01)
    rows = np.flatnonzero(blades[:, middle].any(axis=1)) - 32
    assert -rows[0] > rows[-1]
    assert np.count_nonzero(wide[32, middle]) > 1.9 * np.count_nonzero(wide[:, 48])
    # In the middle of the frame nothing is cut; to its sides discs lose their outer part.
    assert np.array_equal(cut[:, middle] > 0.01, round_[:, middle] > 0.01)
    x = np.arange(96)
    for columns, sign in ((slice(0, 20), 1), (slice(76, 96), -1)):
        off = (cut[:, columns].sum(axis=0) @ x[columns]) / cut[:, columns].sum()
        assert sign * (off - (8 if sign > 0 else 88)) > 0.5
