"""Camera files: what they hold, frames between frames, and mistakes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation, Slerp

from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError
from stackcomp.files.camera_file import camera_at, gate_problem, read_camera, write_camera
from stackcomp.kernels.pinhole import Camera

ROOT = Path(__file__).parents[2]
LEVEL = [[1, 0, 0, 0], [0, 0, 1, -2], [0, -1, 0, 0.5], [0, 0, 0, 1]]


def frame(**changes):
    return {"to_world": LEVEL, "focal_length": 35, "gate": [36, 20.25], **changes}


def written(path, frames, **more):
    path.write_text(json.dumps({"stackcomp_camera": 1, "frames": frames, **more}))
    return path


def test_what_stands_in_a_file(tmp_path):
    path = written(tmp_path / "camera.json", {"1001": frame(), "-3": frame(shift=[0.5, -1])}, about="the bench")
    held = read_camera(path)
    assert held.about == "the bench"
    assert held.numbers == (-3, 1001)
    camera = camera_at(path, 1001)
    assert camera.to_world.tolist() == LEVEL
    assert (camera.focal_length, camera.gate, camera.shift) == (35, (36, 20.25), (0, 0))
    assert held.at(-3).shift == (0.5, -1)


def test_what_is_written_is_read(tmp_path):
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("xyz", (10, 20, 30), degrees=True).as_matrix()
    turn[:3, 3] = (1 / 3, -0.0, 1e-9)
    cameras = {
        1002: Camera(turn, 50.0, (24.0, 13.5), (-0.0, 0.25)),
        999: Camera(np.array(LEVEL), 35.0, (36.0, 24.0)),
    }
    write_camera(tmp_path / "to" / "camera.json", cameras, "Bootsbauer's bench")
    held = read_camera(tmp_path / "to" / "camera.json")
    assert held.numbers == (999, 1002)
    np.testing.assert_array_equal(held.at(1002).to_world, turn)
    assert held.at(1002).shift == (0, 0.25)
    assert "-0.0," not in (tmp_path / "to" / "camera.json").read_text()


def test_a_camera_that_mirrors_is_not_written(tmp_path):
    with pytest.raises(ValueError, match="mirrors"):
        write_camera(tmp_path / "camera.json", {1: Camera(np.diag([1.0, 1, -1, 1]), 35, (36, 24))})
    assert not list(tmp_path.iterdir())


def test_between_two_frames_the_camera_turns_evenly(tmp_path):
    turned = np.eye(4)
    turned[:3, :3] = Rotation.from_euler("xyz", (100, 20, 30), degrees=True).as_matrix()
    turned[:3, 3] = (1, 2, 3)
    path = written(
        tmp_path / "c.json",
        {"7": frame(), "8": frame(to_world=turned.tolist(), focal_length=45, gate=[36, 24], shift=[1, 0])},
    )
    between = camera_at(path, 7.25)
    both = Slerp([7, 8], Rotation.from_matrix([np.array(LEVEL, float)[:3, :3], turned[:3, :3]]))
    np.testing.assert_allclose(between.to_world[:3, :3], both(7.25).as_matrix(), atol=1e-12)
    np.testing.assert_allclose(between.position, [0.25, -1.0, 1.125])
    assert between.focal_length == 37.5
    assert between.gate == (36, pytest.approx(20.25 + 3.75 / 4))
    assert between.shift == (0.25, 0)


@pytest.mark.parametrize("number", [1000, 1003, 1002.5])
def test_a_frame_that_is_not_there_is_not_guessed(tmp_path, number):
    path = written(tmp_path / "c.json", {"1001": frame(), "1002": frame()})
    with pytest.raises(FileError, match=r"the file holds no camera for frame 100[03] — it has frames 1001-1002"):
        camera_at(path, number)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"1001": frame(focal_length=0)}, '/frames/1001/focal_length: .* is 0, below the smallest value 1e-06'),
        ({"1001": frame(gate=[36])}, "/frames/1001/gate"),
        ({"1001": frame(gate=[1e-300, 1e-300])}, "/frames/1001/gate/0: .* 1e-300"),
        ({"1001": frame(focal_length=1e300)}, "/frames/1001/focal_length: .* 1e.300"),
        ({"1001": frame(shift=[0, -1e300])}, "/frames/1001/shift/1: .* -1e.300"),
        ({"1001": frame(to_world=[[1, 0, 0, 1e308], *LEVEL[1:]])}, "/frames/1001/to_world/0/3"),
        ({"1001": frame(gate=[36, -1])}, "/frames/1001/gate/1: .* is -1, below the smallest value"),
        ({"1001": frame(to_world=LEVEL[:3])}, "/frames/1001/to_world"),
        ({"1001": frame(to_world=np.diag([2, 2, 2, 1]).tolist())}, r"columns have the lengths \[2.0, 2.0, 2.0\]"),
        ({"1001": frame(to_world=np.diag([1, 1, -1, 1]).tolist())}, "mirrors the world"),
        ({"1001": frame(to_world=np.transpose(LEVEL).tolist())}, "exchange rows and columns"),
        ({"1001": frame(to_world=[*LEVEL[:3], [0, 0, 0, 2]])}, r"the last row \[0.0, 0.0, 0.0, 2.0\]"),
        ({"1001": frame(focal=35)}, "/frames/1001/focal"),
        ({}, "holds no frame"),
        ({"one": frame()}, 'has the key "one", which is not a frame number'),
        ({"0007": frame()}, 'has the key "0007"'),
        ({"1001.5": frame()}, "not a frame number"),
        ({"1001": [1]}, "which is a list"),
    ],
)  # fmt: skip
def test_mistakes_are_named(tmp_path, fields, said):
    with pytest.raises(FileError, match=said):
        read_camera(written(tmp_path / "c.json", fields))


def test_another_json_file_is_told_from_a_camera(tmp_path):
    (tmp_path / "c.json").write_text("[1]")
    with pytest.raises(FileError, match="the file holds a list, not an object — a camera is written"):
        read_camera(tmp_path / "c.json")


def test_digits_that_were_rounded_are_a_rotation_still(tmp_path):
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("xyz", (10, 20, 30), degrees=True).as_matrix()
    read_camera(written(tmp_path / "c.json", {"1": frame(to_world=np.round(turn, 4).tolist())}))
    with pytest.raises(FileError, match="does not only turn and move"):
        read_camera(written(tmp_path / "d.json", {"1": frame(to_world=np.round(turn, 2).tolist())}))


@pytest.mark.parametrize(
    ("size", "said"),
    [
        ((1920, 1080), None),
        ((1919, 1080), None),
        ((96, 54), None),
        ((1920, 1200), r"gate of 36 × 20.25 mm, but a frame of 1920×1200 pixels has the shape of 36 × 22.5 mm"),
        ((2048, 1080), r"36 × 18.984 mm"),
        ((1, 1), r"36 × 36 mm"),
    ],
)
def test_a_gate_of_another_shape_than_the_picture_is_said(size, said):
    # 16:9 to begin with; a difference of one pixel is rounding.
    problem = gate_problem(
        Camera(np.eye(4), 35, (36, 20.25)), Window(-8, 4, size[0] - 8, size[1] + 4), "the camera"
    )
    if said is None:
        assert problem is None
        return
    assert (problem.rule, problem.severity, problem.field) == ("camera-gate", "warning", "camera")
    assert re.search(said, problem.message)


@pytest.mark.parametrize("shot", ["wide", "close", "lamp"])
def test_the_cameras_of_the_demo_move_the_bench_as_its_homographies_say(shot):
    # The homographies were made from the cameras of the path tracer's scene, by other code.
    folder = ROOT / "demo_shot" / shot
    facts = json.loads((folder / "shot.json").read_text())
    held, size = read_camera(folder / "camera.json"), (facts["width"], facts["height"])
    still = held.at(facts["truth_frame"])
    for number, nine in facts["bench"]["keys"]:
        matrix = still.plane_homography(held.at(number), [0, 0, 0], [0, 0, 1], size)
        np.testing.assert_allclose(matrix / matrix[2, 2], np.reshape(nine, (3, 3)), atol=1e-6)


def test_a_bad_value_says_the_way_out(tmp_path):
    held = read_camera(written(tmp_path / "c.json", {"5": frame()}))
    with pytest.raises(BadValueError, match="it has frame 5; add the frame, or render frames that it has"):
        held.at(6)
