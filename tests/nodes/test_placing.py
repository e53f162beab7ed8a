"""Placing by tracks and cameras: against homographies, a scene of known shape, and across scales and tiles."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp import CheckError, Composition, Depth, DocumentError, Graph, Image, Window
from stackcomp.check.check_graph import check_graph
from stackcomp.data import arguments
from stackcomp.files.camera_file import write_camera
from stackcomp.files.track_file import track_text
from stackcomp.kernels.pinhole import Camera
from stackcomp.kernels.point_fit import apply

SIZE = (96, 64)
FRAME = Window.of_size(*SIZE)
FLOOR = {"point": [0.2, 3, 0], "normal": [0, 0, 1]}
TURNED = np.array([[1.1, 0.05, -8], [-0.04, 1.05, -3], [0.0004, 0.0008, 1]])

SHOT = {"camera": "c.json", "still_frame": 1}


def camera(position, look_at, focal_length=30.0, shift=(0.0, 0.0)):
    """A camera at a place, upright, that looks at another."""
    forward = np.subtract(look_at, position) / np.linalg.norm(np.subtract(look_at, position))
    right = np.cross(forward, [0, 0, 1])
    right /= np.linalg.norm(right)
    to_world = np.eye(4)
    to_world[:3, :3] = np.column_stack([right, np.cross(forward, right), forward])
    to_world[:3, 3] = position
    return Camera(to_world, focal_length, (36.0, 24.0), shift)


#: The still was taken at frame 1; the camera moves on.
CAMERAS = {
    1: camera([0, 0, 1.5], [0, 3, 0]),
    2: camera([0.4, 0.2, 1.4], [0.1, 3, 0.1], 33, (0.4, -0.2)),
    3: camera([-0.7, -0.1, 2.6], [0.1, 2.9, 0], 28),
}


def texture(points):
    """Colour of the world at points ``(…, 3)``."""
    x, y, z = np.moveaxis(points, -1, 0)
    waves = [np.sin(4 * x + 1.5 * z), np.cos(3 * y - z), np.sin(2.5 * (x + y) + z)]
    return (0.5 + 0.3 * np.stack(waves, axis=-1)).astype(np.float32)


def pixels_of(window, scale=1.0):
    y, x = np.mgrid[window.y0 : window.y1, window.x0 : window.x1]
    return np.stack([x + 0.5, y + 0.5], axis=-1) / scale


def floor_seen(which, window=FRAME):
    """The floor z = 0 in a camera: points, metres along the axis; NaN above the horizon."""
    rays = which.rays(pixels_of(window), *SIZE)
    depth = np.where(rays[..., 2] < -1e-9, -which.position[2] / np.minimum(rays[..., 2], -1e-9), np.nan)
    return which.position + depth[..., None] * rays, depth


def box_seen(which, window=FRAME):
    """The floor with a wall of 0.5 m height across it at y = 2.6: points and depth."""
    points, depth = floor_seen(which, window)
    rays = which.rays(pixels_of(window), *SIZE)
    to_wall = (2.6 - which.position[1]) / rays[..., 1]
    hit = which.position + to_wall[..., None] * rays
    wall = (hit[..., 2] > 0) & (hit[..., 2] < 0.5) & (np.abs(hit[..., 0]) < 0.6) & (to_wall > 0)
    wall &= ~(depth < to_wall)
    return np.where(wall[..., None], hit, points), np.where(wall, to_wall, depth)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    write_camera(folder / "camera.json", CAMERAS)
    points = {"a": (20, 15), "b": (70, 12), "c": (75, 50), "d": (18, 48)}
    followed = {name: {1: (*at, 0.0), 2: (*apply(TURNED, [at])[0], 0.0), 3: None} for name, at in points.items()}
    (folder / "track.json").write_text(track_text(SIZE, 1, followed))
    return folder


def render(folder, kind, given, frame=2, at=1.0, window=None, frames="1-2", **fields):
    graph = Graph(frames=frames)
    for name, image in given.items():
        graph.add("flat", name, size=[image.display.width, image.display.height])
    graph.add(kind, "it", **fields)
    executor = Composition(graph, root=folder).executor(["it"], frames=[frame], replace=given)
    region = None if window is None else arguments.window(window)
    return next(iter(executor.results(frame, window=region, scale=at, warn=lambda *_: None))).image


def still(seen=floor_seen, window=FRAME):
    points, _ = seen(CAMERAS[1], window)
    colour = np.where(np.isfinite(points), texture(np.nan_to_num(points)), 0).astype(np.float32)
    return Image.from_array(colour, origin=(window.x0, window.y0), display=FRAME)


def depth_image(metres, along="axis", window=FRAME):
    plane = np.asarray(metres, np.float32)
    return Image.from_array(plane, type=Depth(along), origin=(window.x0, window.y0), display=FRAME)


def frame_of(folder, **fields):
    return {"camera": "camera.json", "still_frame": 1, **fields}


def inside(image, by=4):
    covered = (image.over(FRAME).to_array(FRAME)[..., :3].min(axis=-1) > 0.1).astype(np.uint8)
    return cv2.erode(covered, np.ones((2 * by + 1,) * 2), borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0


def test_a_track_is_the_homography_of_its_points(folder):
    given = {"p": still()}
    expected = render(folder, "place", given, image="p", homography=TURNED.ravel().tolist())
    result = render(folder, "place", given, image="p", track="track.json")
    assert np.abs(result.to_array() - expected.to_array()).max() < 1e-4
    plate = {"plate": Image.from_array(np.zeros((*SIZE[::-1], 3), np.float32)), **given}
    result = render(folder, "clean_patch", plate, backdrop="plate", patch="p", track="track.json", points=["a"])
    place = render(folder, "place", given, image="p", track="track.json", points=["a"])
    assert np.abs(result.to_array() - place.over(FRAME).to_array(FRAME)).max() < 1e-6


def test_a_camera_and_a_plane_are_the_homography_of_that_camera(folder):
    size = tuple(map(float, SIZE))
    nine = CAMERAS[1].plane_homography(CAMERAS[2], FLOOR["point"], FLOOR["normal"], size)
    given = {"p": still()}
    expected = render(folder, "place", given, image="p", homography=nine.ravel().tolist())
    result = render(folder, "place", given, image="p", **frame_of(folder, plane=FLOOR))
    assert np.abs(result.to_array() - expected.to_array()).max() < 1e-5


@pytest.mark.parametrize("frame", [1, 2, 3])
def test_a_floor_stays_where_it_is_in_the_world(folder, frame):
    result = render(
        folder, "place", {"p": still()}, frame, frames="1-3", image="p", **frame_of(folder, plane=FLOOR)
    )
    truth = texture(np.nan_to_num(floor_seen(CAMERAS[frame])[0]))
    # Far away the texture is finer than pixels.
    where = inside(result) & (np.nan_to_num(floor_seen(CAMERAS[frame])[1], nan=99) < 5)
    assert where.sum() > 500
    assert np.abs(result.over(FRAME).to_array(FRAME) - truth)[where].max() < 0.02


@pytest.mark.parametrize("along", ["axis", "ray"])
@pytest.mark.parametrize("frame", [2, 3])
def test_a_set_is_covered_wherever_the_still_saw_it(folder, frame, along):
    points, metres = box_seen(CAMERAS[frame])
    _, before = box_seen(CAMERAS[1])
    if along == "ray":
        metres = metres * np.linalg.norm(CAMERAS[frame].rays(pixels_of(FRAME), *SIZE), axis=-1)
        before = before * np.linalg.norm(CAMERAS[1].rays(pixels_of(FRAME), *SIZE), axis=-1)
    given = {"p": still(box_seen), "z": depth_image(metres, along), "before": depth_image(before, along)}
    fields = frame_of(folder, depth="z", still_depth="before")
    result = render(folder, "place", given, frame, frames="1-3", image="p", **fields)
    result = result.over(FRAME).to_array(FRAME)
    # What the still's camera saw, worked out here from the scene alone.
    seen, away = CAMERAS[1].project(points.reshape(-1, 3), *SIZE)
    rays = np.nan_to_num(seen).reshape(*SIZE[::-1], 2)
    in_frame = (
        (rays[..., 0] > 4) & (rays[..., 0] < SIZE[0] - 4) & (rays[..., 1] > 4) & (rays[..., 1] < SIZE[1] - 4)
    )
    to_wall = (2.6 - CAMERAS[1].position[1]) / (points - CAMERAS[1].position)[..., 1]
    crossing = CAMERAS[1].position + to_wall[..., None] * (points - CAMERAS[1].position)
    behind = (
        (to_wall < 0.98) & (crossing[..., 2] > 0) & (crossing[..., 2] < 0.5) & (np.abs(crossing[..., 0]) < 0.6)
    )
    kernel = np.ones((5, 5), np.uint8)
    surely_hidden = cv2.erode(behind.astype(np.uint8), kernel) > 0
    assert frame == 2 or surely_hidden.sum() > 10
    assert not result[surely_hidden].any()
    edge = cv2.dilate(behind.astype(np.uint8), kernel) > 0
    jump = cv2.morphologyEx(np.nan_to_num(metres).astype(np.float32), cv2.MORPH_GRADIENT, kernel) > 0.3
    surely_seen = in_frame & ~edge & ~jump & np.isfinite(metres) & (away.reshape(SIZE[::-1]) < 6)
    assert surely_seen.sum() > 800
    assert np.abs(result - texture(np.nan_to_num(points)))[surely_seen].max() < 0.06
    without = {name: image for name, image in given.items() if name != "before"}
    fields = frame_of(folder, depth="z")
    unhidden = render(folder, "place", without, frame, frames="1-3", image="p", **fields)
    assert frame == 2 or unhidden.over(FRAME).to_array(FRAME)[surely_hidden].any()


def test_depth_of_a_plane_is_the_plane(folder):
    _, metres = floor_seen(CAMERAS[2])
    given = {"p": still(), "z": depth_image(metres)}
    by_plane = render(folder, "place", {"p": still()}, image="p", **frame_of(folder, plane=FLOOR))
    by_depth = render(folder, "place", given, image="p", **frame_of(folder, depth="z"))
    where = inside(by_plane)
    away = np.abs(by_plane.over(FRAME).to_array(FRAME) - by_depth.over(FRAME).to_array(FRAME))
    assert away[where].max() < 0.01


def test_nothing_lies_above_the_horizon(folder):
    """The sky of the still, behind which the plane would lie, is not mapped to the sky of the frame."""
    cameras = {1: camera([0, 0, 1.5], [0, 30, 1.2]), 2: camera([0.3, 0.2, 1.4], [0, 30, 1.2])}
    write_camera(folder / "level.json", cameras)
    white = Image.from_array(np.ones((*SIZE[::-1], 3), np.float32))
    fields = {"camera": "level.json", "still_frame": 1, "plane": FLOOR}
    result = render(folder, "place", {"p": white}, image="p", **fields).over(FRAME).to_array(FRAME)[..., 0]
    _, metres = floor_seen(cameras[2])
    sky = ~np.isfinite(metres)
    assert 1000 < sky.sum() < 5000
    assert not result[:-2][sky[2:]].any()
    assert (result[-24:-14, 30:-30] > 0.99).all()


def test_overscan_of_a_still_is_of_use(folder):
    large = FRAME.grow(20, 10)
    small, wide = ({"p": still(window=window)} for window in (FRAME, large))
    fields = frame_of(folder, plane=FLOOR)
    expected = render(folder, "place", small, 3, frames="3", image="p", **fields)
    result = render(folder, "place", wide, 3, frames="3", image="p", **fields)
    where = inside(expected)
    away = np.abs(result.over(FRAME).to_array(FRAME) - expected.over(FRAME).to_array(FRAME))
    assert away[where].max() < 1e-6
    assert inside(result).sum() > where.sum() + 300
    points, metres = floor_seen(CAMERAS[3])
    truth = texture(np.nan_to_num(points))
    near = np.nan_to_num(metres, nan=99) < 5
    assert np.abs(result.over(FRAME).to_array(FRAME) - truth)[inside(result) & near].max() < 0.02


@pytest.mark.parametrize("way", ["track", "plane", "depth"])
def test_a_preview_at_half_the_scale_looks_the_same(folder, way):
    _, metres = floor_seen(CAMERAS[2])
    given = {"p": still(), "like": Image.from_array(np.zeros((*SIZE[::-1], 3), np.float32))}
    fields = {"track": {"track": "track.json"}, "plane": frame_of(folder, plane=FLOOR)}.get(way)
    if fields is None:
        given["z"] = depth_image(metres)
        fields = frame_of(folder, depth="z")
    whole = render(folder, "place", given, image="p", like="like", **fields).over(FRAME)
    half = render(folder, "place", given, image="p", like="like", at=0.5, **fields)
    small = FRAME.scaled(0.5)
    means = whole.to_array(FRAME).reshape(SIZE[1] // 2, 2, SIZE[0] // 2, 2, 3).mean(axis=(1, 3))
    assert half.display == small
    assert np.abs(half.over(small).to_array(small) - means)[4:-4, 4:-4].mean() < 0.012


@pytest.mark.parametrize("scale", [0.5, 0.3])
@pytest.mark.parametrize("way", ["plane", "depth"])
def test_a_preview_of_odd_size_puts_everything_at_its_place(tmp_path, way, scale):
    """A still whose colours are its coordinates tells where pixels come from; sizes do not divide by the scale."""
    size, of_still = (75, 53), (25, 17)
    frame, around = Window.of_size(*size), Window.of_size(*of_still).grow(20)
    cameras = {1: camera([0, 0, 1.5], [0, 3, 0]), 2: camera([0.3, 0.1, 1.4], [0.1, 3, 0], 40)}
    write_camera(tmp_path / "camera.json", cameras)
    pixels = pixels_of(around).astype(np.float32)[..., [0, 1, 1]]
    places = Image.from_array(pixels, origin=(-20, -20), display=Window.of_size(*of_still))
    small = frame.scaled(scale)
    rays = cameras[2].rays(pixels_of(small, scale), *size)
    points = cameras[2].position - cameras[2].position[2] / rays[..., 2:] * rays
    seen, _ = cameras[1].project(points.reshape(-1, 3), *of_still)
    like = Image.from_array(np.zeros((*size[::-1], 3), np.float32))
    given, fields = {"p": places, "like": like}, frame_of(tmp_path, plane=FLOOR, like="like")
    if way == "depth":
        whole = cameras[2].rays(pixels_of(frame), *size)
        metres = Image.from_array((-cameras[2].position[2] / whole[..., 2]).astype(np.float32), type=Depth())
        given, fields = {**given, "z": metres}, frame_of(tmp_path, depth="z", like="like")
    result = render(tmp_path, "place", given, image="p", at=scale, **fields).over(small).to_array(small)
    away = np.abs(result[..., :2] - seen.reshape(*small.shape, 2))
    # In full-size pixels.
    assert away[2:-2, 2:-2].max() < 0.1


def test_through_a_plane_no_more_is_read_and_kept_than_what_is_seen(folder):
    graph = Graph(frames="2")
    graph.add("flat", "p", size=list(SIZE))
    graph.add("place", "it", image="p", **frame_of(folder, plane=FLOOR))
    checked, problems = check_graph(graph.document(), folder, wanted=["it"])
    assert not problems
    node = checked.ready("it", 2, 1.0, {})
    domains = {"image": FRAME}
    tile = Window(40, 40, 48, 48)
    needed = node.needs(tile, domains, 2)["image"]
    seen = CAMERAS[2].plane_homography(CAMERAS[1], FLOOR["point"], FLOOR["normal"], SIZE)
    corners = apply(seen, [(40, 40), (48, 40), (48, 48), (40, 48)])
    assert (np.array([needed.x0, needed.y0]) <= corners.min(axis=0)).all()
    assert (np.array([needed.x1, needed.y1]) >= corners.max(axis=0)).all()
    assert needed.width * needed.height < 0.2 * FRAME.width * FRAME.height
    assert node.domain(domains, checked.nodes["it"].types).width < 3 * FRAME.width


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 80), st.integers(0, 50), st.integers(1, 30), st.sampled_from(["plane", "depth"]))
def test_a_tile_equals_the_whole(folder, x, y, size, way):
    _, metres = box_seen(CAMERAS[2])
    given, fields = {"p": still()}, frame_of(folder, plane=FLOOR)
    if way == "depth":
        given |= {"z": depth_image(metres), "before": depth_image(box_seen(CAMERAS[1])[1])}
        fields = frame_of(folder, depth="z", still_depth="before")
    whole = render(folder, "place", given, image="p", **fields).over(FRAME)
    tile = Window(x, y, x + size, y + size) & FRAME
    result = render(folder, "place", given, image="p", window=tile, **fields)
    for name in "RGB":
        assert np.array_equal(result.over(tile)[name], whole.over(tile)[name])


def test_depth_that_is_not_there_is_nothing(folder):
    _, metres = floor_seen(CAMERAS[2])
    metres = metres.copy()
    metres[20:50:3] = [[0], [np.inf], [-1], [np.nan], [1e38]] * 2
    given = {"p": still(), "z": depth_image(metres)}
    result = render(folder, "place", given, image="p", **frame_of(folder, depth="z")).over(FRAME).to_array(FRAME)
    assert np.isfinite(result).all()
    assert not result[20:50:3][[0, 2, 3, 5, 7, 8]].any()
    cropped = Window(30, 20, 60, 40)
    part = replace(given["z"].over(cropped), window=cropped)
    result = render(folder, "place", {**given, "z": part}, image="p", **frame_of(folder, depth="z"))
    assert result.window in cropped


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"camera": "c.json", "still_frame": 1}, 'neither of "plane" and "depth"'),
        ({"camera": "c.json", "still_frame": 1, "plane": FLOOR, "depth": "z"}, 'both of "plane" and "depth"'),
        ({"camera": "c.json", "plane": FLOOR}, 'without "still_frame"'),
        ({"plane": FLOOR}, '"plane" without a "camera"'),
        ({"depth": "z"}, '"depth" without a "camera"'),
        (
            {"camera": "c.json", "still_frame": 1, "plane": FLOOR, "still_depth": "z"},
            '"still_depth" without "depth"',
        ),
        ({"camera": " ", "still_frame": 1, "plane": FLOOR}, "without a name"),
        ({"camera": "c.json", "still_frame": 1, "plane": FLOOR, "track": "t.json"}, '"track" and "camera"'),
        (
            {"camera": "c.json", "still_frame": 1, "plane": {"point": [0, 0, 0], "normal": [0, 0, 0]}},
            "no direction",
        ),
        ({"camera": "c.json", "still_frame": 1, "plane": FLOOR, "move": [1, 2]}, '"camera" and "move" both set'),
        ({"track": "t.json", "turn": 4, "pivot": [0, 0]}, '"track" and "turn" both set'),
        ({**SHOT, "depth": "z", "still_depth": "y", "tolerance": -1}, "smallest value"),
        ({**SHOT, "depth": "z", "tolerance": 0.1}, '"tolerance" without "still_depth"'),
    ],
)
def test_what_does_not_fit_is_refused(fields, message):
    with pytest.raises(DocumentError, match=message):
        Graph().add("place", "it", image="p", **fields)


def found(folder, fields, frames="1-2", given=None, frame=2):
    with pytest.raises(CheckError) as refused:
        render(folder, "place", given or {"p": still()}, frame, frames=frames, image="p", **fields)
    (problem,) = refused.value.problems
    return problem


def test_check_finds_what_is_wrong_with_cameras_before_a_pixel_is_read(folder):
    plane = {"plane": FLOOR}
    problem = found(folder, {"camera": "none.json", "still_frame": 1, **plane})
    assert (problem.rule, problem.field) == ("camera-file", "camera")
    problem = found(folder, {"camera": "camera.json", "still_frame": 9, **plane})
    assert (problem.rule, problem.field) == ("camera-frames", "still_frame")
    assert "frame 9" in problem.message
    problem = found(folder, {"camera": "camera.json", "still_frame": 1, **plane}, frames="2-4", frame=4)
    assert problem.rule == "camera-frames"
    assert "frame 4" in problem.message
    through = {"plane": {"point": CAMERAS[2].position.tolist(), "normal": [0, 0, 1]}}
    problem = found(folder, {"camera": "camera.json", "still_frame": 1, **through})
    assert problem.rule == "camera-plane"
    assert "the camera of frame 2" in problem.message
    behind = {"plane": {"point": [0, -5, 0], "normal": [0, 1, 0]}}
    problem = found(folder, {"camera": "camera.json", "still_frame": 1, **behind})
    assert problem.rule == "camera-plane"
    assert "the still's camera has the plane" in problem.message
    assert "behind it" in problem.message
    (folder / "bad.json").write_text(json.dumps({"stackcomp_camera": 1, "frames": {}}))
    assert found(folder, {"camera": "bad.json", "still_frame": 1, **plane}).rule == "camera-file"


def test_sizes_of_depths_must_fit(folder):
    small = Image.from_array(np.ones((9, 9), np.float32), type=Depth())
    like = Image.from_array(np.ones((*SIZE[::-1], 3), np.float32))
    given = {"p": still(), "z": small, "like": like}
    problem = found(folder, frame_of(folder, depth="z", like="like"), given=given)
    assert (problem.rule, problem.field) == ("resolution", "depth")
    given = {"p": still(), "z": depth_image(np.ones(SIZE[::-1])), "before": small}
    problem = found(folder, frame_of(folder, depth="z", still_depth="before"), given=given)
    assert (problem.rule, problem.field) == ("resolution", "still_depth")


def test_files_are_inputs(folder):
    node = Graph(frames="1-2")
    node.add("flat", "p", size=[9, 9])
    node.add("place", "it", image="p", **frame_of(folder, plane=FLOOR))
    placed = node.document().nodes["it"]
    assert placed.files(1, Path("/tmp")) == [Path("/tmp/camera.json")]
    assert not placed.still
