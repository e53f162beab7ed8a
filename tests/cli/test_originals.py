"""No command that measures writes over an original: the file, another frame of it, or a file of another kind."""

from __future__ import annotations

import json

import numpy as np
import pytest

from stackcomp.data.window import Window
from stackcomp.files import exr, stills

CG = ("--other", "cg.{frame:04d}.exr")
PLATE = ("--plate", "plate.{frame:04d}.exr", "--frame", "1001", "--encoding", "ACEScg")
AREA = "2,2,20,12"
COMMANDS = {
    "measure": ("measure", "plate.{frame:04d}.exr", "--frame", "1001", "--encoding", "ACEScg", "--area", AREA),
    "grey": ("match", "grey", *PLATE, "--plate-area", AREA, *CG, "--other-area", AREA),
    "light": ("match", "light", *PLATE, "--plate-area", AREA, *CG, "--other-area", AREA),
    "black": ("match", "black", *PLATE, "--plate-area", AREA),
    "chart": ("match", "chart", "--other", "plate.{frame:04d}.exr", "--frame", "1001", "--encoding", "ACEScg",
              "--other-corners", "1,1;30,1;30,20;1,20", "--reference"),
}  # fmt: skip


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    random = np.random.default_rng(2)
    window = Window.of_size(32, 24)
    for name in ("plate", "cg"):
        for frame in (1001, 1002):
            planes = {c: random.normal(0.18, 0.003, window.shape).astype(np.float32) for c in "RGB"}
            exr.write(f"{name}.{frame}.exr", planes, window=window, display=window, pixel_type="float")
    (tmp_path / "notes.txt").write_text("mine")
    return tmp_path


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("target", ["plate.1001.exr", "plate.1002.exr", "cg.1001.exr", "notes.txt", "new.jpg"])
@pytest.mark.parametrize("option", ["--picture", "--write"])
@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_of_another_kind_is_written_over(place, run, command, option, target):
    if command == "measure" and option == "--write":
        return
    before = contents(place)
    done = run(*COMMANDS[command], option, target)
    assert done.exit_code == 2, done.stdout
    assert target in done.stderr
    assert contents(place) == before


@pytest.mark.parametrize("target", ["card.0007.png", "card.0008.png"])
def test_no_frame_of_a_sequence_of_pngs_is_written_over(place, run, target):
    for frame in (7, 8):
        stills.write(place / f"card.{frame:04d}.png", np.full((24, 32, 3), 0.4))
    before = contents(place)
    done = run(
        "measure", "card.%04d.png", "--frame", "7", "--encoding", "ACEScg", "--area", AREA, "--picture", target
    )
    assert done.exit_code == 2
    assert f"would write {target} over what is measured" in done.stderr
    assert contents(place) == before


def test_a_variable_of_ones_own_is_kept(place, run):
    (place / "mine.json").write_text('{"gain": 5, "mine": 3}')
    done = run(*COMMANDS["grey"], "--write", "mine.json", "--as", "card_gain")
    assert done.exit_code == 2
    assert "would replace mine.json, which stackcomp did not write" in done.stderr
    assert "--replace-foreign adds to it, and keeps what it holds" in done.stderr
    asked = ("--write", "mine.json", "--replace-foreign", "--picture", "seen.png")
    done = run(*COMMANDS["grey"], *asked)
    assert done.exit_code == 2
    assert '"gain": 5, which was not found by measuring' in done.stderr
    assert json.loads((place / "mine.json").read_text()) == {"gain": 5, "mine": 3}
    assert not (place / "seen.png").exists()
    # Under another name it goes in beside them, and what was found may be found again.
    assert run(*COMMANDS["grey"], *asked, "--as", "card_gain").exit_code == 0
    # From then on the file is marked as ours, too.
    assert run(*COMMANDS["grey"], "--write", "mine.json", "--as", "card_gain").exit_code == 0
    told = json.loads((place / "mine.json").read_text())
    assert (told["gain"], told["mine"]) == (5, 3)
    assert len(told["card_gain"]) == 3


def test_where_the_picture_cannot_be_written_nothing_is_kept(place, run):
    (place / "seen.png").mkdir()
    done = run(*COMMANDS["grey"], "--write", "found.json", "--picture", "seen.png")
    assert done.exit_code == 1
    assert not (place / "found.json").exists()
