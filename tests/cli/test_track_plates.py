"""``stackcomp track`` on plates of several kinds: light and log, windows, stills, pixels that are no numbers."""

from __future__ import annotations

import json

import numpy as np
import pytest
from moving_plate import photograph, write_grey, write_plate
from PIL import Image as Picture

from stackcomp.data.window import Window
from stackcomp.files import exr
from stackcomp.files.track_file import read_track


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plate")
    write_plate(folder)
    return folder


def places(path):
    """Of the one point, by frame."""
    (found,) = read_track(path).points.values()
    return {int(frame): None if place is None else place[:2] for frame, place in found.items()}


def test_the_file_that_names_the_sequence_may_be_of_another_frame(run, plate, tmp_path):
    to = tmp_path / "t.json"
    base = ("--frames", "1-3", "--at", "70.4,60.2", "--to", to, "--encoding", "ACEScct")
    assert run("track", plate / "plate.0005.exr", *base).exit_code == 0
    assert read_track(to).frames == {1, 2, 3}


def test_pixels_that_are_not_finite_are_counted(run, tmp_path):
    for frame in (1, 2, 3):
        picture = photograph().astype(np.float32)
        picture[40:60:frame, 100] = np.nan if frame > 1 else 0.5
        write_grey(tmp_path / f"p.{frame}.exr", picture)
    base = ("track", tmp_path / "p.{frame}.exr", "--frames", "1-3", "--at", "70.4,60.2")
    base += ("--to", tmp_path / "t.json", "--encoding", "ACEScct")
    done = run(*base)
    assert done.exit_code == 0
    assert "note: 17 pixels are not finite at frames 2-3; the nearest finite pixel was taken" in done.stderr
    assert json.loads(run(*base, "--json").stdout)["not_finite"] == {"2": 10, "3": 7}


def test_light_and_log_give_the_same_places(run, plate, tmp_path):
    """Scene-linear light goes through a log curve; the same picture, stored as that log, is tracked as it is."""
    from stackcomp.files.colour import convert

    for frame in (1, 2, 3):
        log = exr.read(plate / f"plate.{frame:04d}.exr").planes["R"]
        light = convert([log.copy()] * 3, "ACEScct", "ACEScg")[0]
        write_grey(tmp_path / f"light.{frame}.exr", light)
    found = []
    for name, encoding in (
        (plate / "plate.{frame:04d}.exr", "ACEScct"),
        (tmp_path / "light.{frame}.exr", "ACEScg"),
    ):
        done = run(
            "track",
            name,
            "--frames",
            "1-3",
            "--at",
            "70.4,60.2",
            "--to",
            tmp_path / "t.json",
            "--encoding",
            encoding,
        )
        assert done.exit_code == 0
        found.append(places(tmp_path / "t.json")[3])
    assert found[0] == pytest.approx(found[1], abs=2e-3)


def test_windows_and_stills(run, tmp_path):
    """A data window of its own in each frame, and a frame that does not begin at 0; 16-bit greys as PNG."""
    display = Window(100, -50, 260, 110)
    for frame, left in ((1, 0), (2, 12), (3, 5)):
        part = photograph()[:, left:150]
        write_grey(tmp_path / f"cut.{frame}.exr", part, display=display, window=Window(100 + left, -50, 250, 110))
        Picture.fromarray((photograph() * 65535).astype(np.uint16)).save(tmp_path / f"grey.{frame}.png")
    done = run(
        "track",
        tmp_path / "cut.{frame}.exr",
        "--frames",
        "1-3",
        "--at",
        "170.4,10.2",
        "--to",
        tmp_path / "t.json",
        "--encoding",
        "ACEScct",
    )
    assert done.exit_code == 0
    for place in places(tmp_path / "t.json").values():
        assert place == pytest.approx([170.4, 10.2], abs=2e-3)
    done = run(
        "track",
        tmp_path / "grey.{frame}.png",
        "--frames",
        "1-3",
        "--at",
        "70.4,60.2",
        "--to",
        tmp_path / "t.json",
        "--encoding",
        "ACEScct",
    )
    assert done.exit_code == 0, done.stderr
