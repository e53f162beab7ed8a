"""``stackcomp track``: what it writes and prints, and the demo's plate against its cameras."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from moving_plate import LENS, lens_at, write_plate
from PIL import Image as Picture

from stackcomp.files.track_file import read_track
from stackcomp.kernels.point_fit import apply, fit

DEMO = Path(__file__).parents[2] / "demo_shot" / "wide"
# Points of the bench top around the rig, in frame 1003.
BENCH = {
    "joint_back": (309.5, 160.5),
    "joint_side": (366.5, 182.5),
    "chip": (44.5, 212.5),
    "shaving": (413.5, 229.5),
    "rope": (87.5, 159.5),
    "shadow": (353.5, 205.5),
}


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plate")
    write_plate(folder)
    return folder


def places(path, name):
    return {
        int(frame): None if place is None else place[:2] for frame, place in read_track(path).points[name].items()
    }


def test_it_writes_the_track_and_says_what_became_of_each_point(run, plate, tmp_path):
    to = tmp_path / "lens.json"
    done = run(
        "track",
        plate / "plate.{frame:04d}.exr",
        "--frames",
        "1-5",
        "--at",
        "lens=70.4,60.2",
        "--at",
        "80,90",
        "--to",
        to,
        "--encoding",
        "ACEScct",
    )
    assert done.exit_code == 1
    lines = done.stdout.splitlines()
    assert lines[0].split() == ["point", "found", "lost", "at", "disagreement,", "mean", "largest"]
    assert lines[1].split()[:5] == ["lens", "4", "of", "5", "4"]
    assert lines[2].startswith("p1 ")
    assert lines[-1] == str(to)
    assert "lost: lens (4), p1 (4); the file holds null there" in done.stderr
    track = read_track(to)
    assert (track.width, track.height, track.reference, track.frames) == (160, 160, 1, {1, 2, 3, 4, 5})
    assert json.loads(to.read_text())["program"].startswith("stackcomp ")
    found = places(to, "lens")
    assert found[4] is None
    for frame in (1, 2, 3, 5):
        assert found[frame] == pytest.approx(lens_at(frame), abs=0.03)


def test_json_and_no_loss(run, plate, tmp_path):
    to = tmp_path / "lens.json"
    done = run(
        "track",
        plate / "plate.%04d.exr",
        "--frames",
        "1-3",
        "--frame",
        2,
        "--at",
        "71.2,59.9",
        "--to",
        to,
        "--encoding",
        "ACEScct",
        "--json",
    )
    assert done.exit_code == 0
    record = json.loads(done.stdout)
    assert (record["command"], record["frame"], record["frames"], record["written"]) == (
        "track",
        2,
        [1, 2, 3],
        str(to),
    )
    assert record["all_lost_at"] is None
    (point,) = record["points"]
    assert (point["point"], point["found"], point["lost"]) == ("p1", 3, "")
    assert 0 <= point["mean_disagreement"] <= point["largest_disagreement"] < 0.05
    assert places(to, "p1")[1] == pytest.approx(LENS, abs=0.03)


def test_a_file_of_the_sequence_names_the_sequence_and_a_track_may_be_written_again(run, plate, tmp_path):
    arguments = (
        "track",
        plate / "plate.0002.exr",
        "--frames",
        "1-3",
        "--at",
        "70.4,60.2",
        "--to",
        tmp_path / "t.json",
        "--encoding",
        "ACEScct",
    )
    assert run(*arguments).exit_code == 0
    assert run(*arguments).exit_code == 0
    (tmp_path / "t.json").write_text('{"stackcomp_track": 1}')
    refused = run(*arguments)
    assert refused.exit_code == 2
    assert "which stackcomp did not write" in refused.stderr


@pytest.mark.slow
def test_the_picture_shows_the_points(run, plate, tmp_path):
    for name, count in (("all.png", 1), ("one.{frame}.png", 3)):
        done = run(
            "track",
            plate / "plate.{frame:04d}.exr",
            "--frames",
            "1,2,4",
            "--at",
            "lens=70.4,60.2",
            "--to",
            tmp_path / "t.json",
            "--encoding",
            "ACEScct",
            "--picture",
            tmp_path / name,
        )
        assert done.exit_code == 1
        assert len(done.stdout.splitlines()) == 2 + 1 + count
    drawn = {frame: np.asarray(Picture.open(tmp_path / f"one.{frame}.png")).astype(int) for frame in (1, 4)}
    assert drawn[1].shape == (1280, 1280, 3)
    line = np.array([255, 214, 120])
    # The square around the point, 8 times as large; at frame 4 the point is lost, and there is no square.
    column, row = round((70.4 - 15.5) * 8), round(60.2 * 8)
    seen = {
        frame: np.abs(picture[row + 40, column - 3 : column + 4] - line).sum(axis=1).min()
        for frame, picture in drawn.items()
    }
    assert seen[1] < 10
    assert seen[4] > 100


def test_smoothing_is_asked_for(run, plate, tmp_path):
    to = tmp_path / "t.json"
    for more in ((), ("--smooth", "5")):
        run(
            "track",
            plate / "plate.{frame:04d}.exr",
            "--frames",
            "1-5",
            "--at",
            "70.4,60.2",
            "--to",
            to,
            "--encoding",
            "ACEScct",
            *more,
        )
        assert read_track(to).positions(1)["p1"] == pytest.approx(LENS, abs=0.03)


def test_the_demo_plate_against_the_cameras_homographies(run, tmp_path):
    """Tracked from the plate alone, with its grain; the homographies come from the cameras of the render."""
    to = tmp_path / "bench.json"
    given = [word for name, (x, y) in BENCH.items() for word in ("--at", f"{name}={x},{y}")]
    done = run(
        "track",
        DEMO / "plate.{frame}.exr",
        "--frames",
        "1001-1005",
        "--frame",
        1003,
        *given,
        "--to",
        to,
        "--encoding",
        "ACEScct",
    )
    assert done.exit_code == 0, done.stderr
    shot = json.loads((DEMO / "shot.json").read_text())
    truth = {frame: np.array(nine).reshape(3, 3) for frame, nine in shot["bench"]["keys"]}
    corners = np.array(shot["patch_corners"])
    track = read_track(to)
    source = [track.positions(1003)[name] for name in BENCH]
    for frame, homography in truth.items():
        found = fit(source, [track.positions(frame)[name] for name in BENCH])
        off = np.hypot(*(apply(found, corners) - apply(homography, corners)).T)
        assert off.max() < 0.1, frame
