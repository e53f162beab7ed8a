"""``stackcomp track``: what it says of mistakes, and what it never does."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from moving_plate import write_grey, write_plate
from skimage import data

from stackcomp.data.window import Window
from stackcomp.files import exr
from stackcomp.files.track_file import read_track


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plate")
    write_plate(folder, range(1, 4))
    return folder


def tracked(run, plate, to, frames, at, *more):
    """Track an ACEScct plate."""
    return run("track", plate, "--frames", frames, "--at", at, "--to", to, "--encoding", "ACEScct", *more)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"--at": "70"}, '--at: "70" is not a point'),
        ({"--at": "lens=70,x"}, '--at: "lens=70,x" is not a point'),
        ({"--at": "=70,60"}, "is not a point"),
        ({"--at": "nan,60"}, "is not a point"),
        (
            {"--at": "500,60"},
            'the point "p1" at 500,60 lies outside of the picture, which reaches from 0,0 to 160,160',
        ),
        ({"--frames": "1"}, "--frames: 1 is one frame, and points are tracked over two or more"),
        ({"--frames": "1-x"}, '--frames: "1-x"'),
        ({"--frames": "1-9"}, "there is no file of frames 4-9"),
        ({"--frame": "9"}, "--frame: 9 is not one of the frames 1-3"),
        ({"--pattern": "30"}, "--pattern: 30 is out of range"),
        ({"--pattern": "5"}, "give an odd number, 7 to 255"),
        ({"--search": "0"}, "--search: 0 is out of range"),
        ({"--disagreement": "0"}, "--disagreement: 0 is out of range"),
        ({"--smooth": "4"}, "--smooth: 4 is out of range"),
        ({"--to": "t.txt"}, '--to: "t.txt" does not end in .json'),
        ({"--picture": "t.jpg"}, '--picture: "t.jpg" does not end in .png'),
        ({"--encoding": "ACEScctt"}, "ACEScctt"),
        ({"--encoding": None}, "its header does not say the colour space"),
        ({"plate": "plate.exr"}, "plate.exr is not the file of a sequence with frames 1-3"),
        ({"plate": "plat.{frame:04d}.exr"}, 'did you mean "plate.{frame:04d}.exr"?'),
        ({"plate": "plate.{frme}.exr"}, "only the frame number may be in braces"),
    ],
)
def test_mistakes(run, plate, tmp_path, change, said):
    options = {"--frames": "1-3", "--at": "70.4,60.2", "--to": str(tmp_path / "t.json"), "--encoding": "ACEScct"}
    path = plate / change.pop("plate", "plate.{frame:04d}.exr")
    words = [word for key, value in (options | change).items() if value is not None for word in (key, value)]
    done = run("track", path, *words)
    assert done.exit_code == 2
    assert said in done.stderr.replace("\n  ", " — ")
    assert not (tmp_path / "t.json").exists()


def test_two_points_of_one_name_and_names_that_are_taken(run, plate, tmp_path):
    base = (
        "track",
        plate / "plate.{frame:04d}.exr",
        "--frames",
        "1-2",
        "--to",
        tmp_path / "t.json",
        "--encoding",
        "ACEScct",
    )
    done = run(*base, "--at", "a=70,60", "--at", "a=80,60")
    assert done.exit_code == 2
    assert 'there is another point "a"' in done.stderr
    assert run(*base, "--at", "70,60", "--at", "p1=80,90").exit_code == 0
    assert list(read_track(tmp_path / "t.json").points) == ["p2", "p1"]


def test_frames_that_differ_in_size_or_have_no_colour(run, tmp_path):
    picture = data.camera()[:80, :80] / 255
    write_grey(tmp_path / "p.1.exr", picture)
    write_grey(tmp_path / "p.2.exr", picture[:60])
    window = Window.of_size(80, 80)
    exr.write(
        tmp_path / "p.3.exr", {"Z": picture.astype(np.float32)}, window=window, display=window, pixel_type="float"
    )
    done = tracked(run, tmp_path / "p.{frame}.exr", tmp_path / "t.json", "1-3", "40,40")
    assert done.exit_code == 2
    assert "p.2.exr: the frame is 80×60" in done.stderr
    assert "p.3.exr has no R G B, but Z" in done.stderr


def test_a_damaged_frame(run, tmp_path):
    picture = data.camera()[:80, :80] / 255
    for frame in (1, 2):
        write_grey(tmp_path / f"p.{frame}.exr", picture)
    whole = (tmp_path / "p.2.exr").read_bytes()
    (tmp_path / "p.2.exr").write_bytes(whole[: len(whole) // 2])
    done = tracked(run, tmp_path / "p.{frame}.exr", tmp_path / "t.json", "1-2", "40,40")
    assert done.exit_code == 1
    assert "p.2.exr" in done.stderr
    assert not (tmp_path / "t.json").exists()


def test_the_plate_is_never_written_over(run, plate, tmp_path):
    name = plate / "plate.{frame:04d}.exr"
    done = tracked(run, name, tmp_path / "t.json", "1-2", "70,60", "--picture", tmp_path)
    assert done.exit_code == 2
    other = tmp_path / "foreign.json"
    other.write_text("{}")
    done = run("track", name, "--frames", "1-2", "--at", "70,60", "--to", other, "--encoding", "ACEScct")
    assert done.exit_code == 2
    assert "replace" in done.stderr
    assert other.read_text() == "{}"


def test_without_opencv_the_extra_is_named(run, plate, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "cv2", None)
    done = tracked(run, plate / "plate.{frame:04d}.exr", tmp_path / "t.json", "1-2", "70,60")
    assert done.exit_code == 2
    assert "tracking needs OpenCV" in done.stderr
    assert "pip install 'stackcomp[track]'" in done.stderr


def test_a_cut_is_supposed_where_no_point_is_found_any_more(run, tmp_path):
    pictures = {1: data.camera(), 2: data.camera(), 3: data.coins()[:160, :160], 4: data.coins()[:160, :160]}
    for frame, picture in pictures.items():
        write_grey(tmp_path / f"p.{frame}.exr", (picture[60:220, 120:280] if frame < 3 else picture) / 255)
    done = run(
        "track",
        tmp_path / "p.{frame}.exr",
        "--frames",
        "1-4",
        "--at",
        "70.4,60.2",
        "--at",
        "80,90",
        "--to",
        tmp_path / "t.json",
        "--encoding",
        "ACEScct",
    )
    assert done.exit_code == 1
    assert "no point is found from frame 3 on: is there a cut?" in done.stderr
