"""stackcomp match grain: from two frames of a plate to a matte of what changed."""

from __future__ import annotations

import json

import numpy as np
import pytest

import stackcomp
from stackcomp import Window
from stackcomp.files import exr

FLOOR, SLOPE = 0.003, 3e-4


@pytest.fixture
def plates(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    window = Window.of_size(240, 160)
    light = np.linspace(0, 1, 240, dtype=np.float32)[None].repeat(160, axis=0)
    for seed, name in enumerate(("clean", "plate")):
        draw = np.random.default_rng(seed)
        planes = {c: light + draw.normal(size=light.shape) * np.sqrt(FLOOR**2 + SLOPE * light) for c in "RGB"}
        if name == "plate":
            for plane in planes.values():
                plane[60:100, 20:220] += 0.25
        planes = {c: plane.astype(np.float32) for c, plane in planes.items()}
        exr.write(tmp_path / f"{name}.exr", planes, window=window, display=window, pixel_type="float")
    return tmp_path


def test_what_is_kept_makes_a_matte(run, plates):
    line = (
        "match grain --plate plate.exr --other clean.exr --encoding ACEScg --write found.json --picture seen.png"
    )
    done = run(*line.split())
    assert done.exit_code == 0, done.stderr
    found = json.loads((plates / "found.json").read_text())
    assert found["grain_floor"] == pytest.approx([FLOOR] * 3, rel=0.2)
    assert found["grain_slope"] == pytest.approx([SLOPE] * 3, rel=0.1)
    assert found["found"]["grain_floor"]["command"] == "match grain"
    assert (plates / "seen.png").exists()
    assert (
        '"kind": "difference_matte", "grain_floor": "${grain_floor}", "grain_slope": "${grain_slope}"'
        in done.stdout
    )
    graph = stackcomp.Graph(variables={name: found[name] for name in ("grain_floor", "grain_slope")})
    for name in ("plate", "clean"):
        graph.add("read", name, path=f"{name}.exr", encoding="ACEScg")
    graph.add("difference_matte", "changed", image="plate", clean="clean", grain_floor="${grain_floor}",
              grain_slope="${grain_slope}")  # fmt: skip
    matte = stackcomp.Composition(graph, root=plates).render("changed", 1)["A"]
    assert matte[60:100, 20:220].mean() > 0.98
    assert matte[:60].mean() < 0.01


def test_json_and_mistakes(run, plates):
    line = "match grain --plate plate.exr --encoding ACEScg --as noise --plate-area 0,0,240,56 --json"
    done = run(*line.split())
    record = json.loads(done.stdout)
    assert record["command"] == "match grain"
    assert record["plate"]["areas"] == ["0,0,240,56"]
    assert record["squares"] == 30 * 7
    done = run(*["match", "grain", "--plate", "plate.exr", "--encoding", "ACEScg", "--plate-area", "0,0,20,20"])
    assert done.exit_code == 2
    assert "holds 4 whole squares of 8 × 8 pixels" in done.stderr
    assert run(*["match", "grain", "--plate", "plate.exr", "--encoding", "ACEScg", "--as", "1x"]).exit_code == 2


@pytest.fixture
def sequence(tmp_path, monkeypatch):
    """Four frames of a camera that stands still."""
    monkeypatch.chdir(tmp_path)
    window = Window.of_size(256, 128)
    light = np.linspace(0, 1, 256, dtype=np.float32)[None].repeat(128, axis=0)
    for frame in range(1001, 1005):
        draw = np.random.default_rng(frame)
        planes = {c: light + draw.normal(size=light.shape) * np.sqrt(FLOOR**2 + SLOPE * light) for c in "RGB"}
        planes = {c: plane.astype(np.float32) for c, plane in planes.items()}
        exr.write(tmp_path / f"plate.{frame}.exr", planes, window=window, display=window, pixel_type="float")
    return tmp_path


SEQUENCE = "match grain --plate plate.{frame:04d}.exr --encoding ACEScg"


def test_a_grain_file_from_frames_makes_grain(run, sequence):
    done = run(*f"{SEQUENCE} --frames 1001-1003 --to grain.json --write found.json".split())
    assert done.exit_code == 0, done.stderr
    assert '"kind": "match_grain"' in done.stdout
    assert "grain_floor" in json.loads((sequence / "found.json").read_text())
    graph = stackcomp.Graph(frames="1001-1004")
    graph.add("flat", "cg", size=[256, 128], colour=[0.5, 0.5, 0.5])
    graph.add("match_grain", "grained", image="cg", file="grain.json")
    got = stackcomp.Composition(graph, root=sequence).render("grained", 1004)
    assert got["R"].std() == pytest.approx(np.sqrt(FLOOR**2 + SLOPE * 0.5), rel=0.05)
    assert json.loads((sequence / "grain.json").read_text())["space"] == "ACEScg"


def test_other_frames_one_by_one_and_json(run, sequence):
    line = "match grain --plate plate.1001.exr --other plate.1002.exr --other plate.1003.exr --encoding ACEScg"
    record = json.loads(run(*f"{line} --json".split()).stdout)
    assert record["still"]
    assert record["squares"] == 16 * 8 * 2
    assert record["others"] == ["plate.1002.exr", "plate.1003.exr"]
    assert record["grain_file"] is None
    record = json.loads(run(*f"{SEQUENCE} --frames 1001-1002 --moving --json".split()).stdout)
    assert not record["still"]
    assert record["frames"] == [1001, 1002]
    assert record["plate"]["file"] == "plate.{frame:04d}.exr"
    assert any("single frames" in doubt for doubt in record["doubts"])


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (f"{SEQUENCE} --frames 1001-1002 --other plate.1003.exr", "--frames and --other cannot both be given"),
        (f"{SEQUENCE} --frames 1001-1002 --frame 1001", "--frames and --frame cannot both be given"),
        ("match grain --plate plate.1001.exr --frames 1-2 --encoding ACEScg", "has no frame token"),
        (f"{SEQUENCE} --frames 1001-1009", "plate.1005.exr"),
        (f"{SEQUENCE} --frame 1001 --to grain.txt", "does not end in .json"),
        (f"{SEQUENCE} --frame 1001 --to plate.1002.exr", "does not end in .json"),
        (f"{SEQUENCE} --frame 1001 --to g.json --write g.json", "--to and --write both name"),
        (f"{SEQUENCE} --frame 1001 --to mine.json", "--replace-foreign lets it be replaced"),
        (f"{SEQUENCE} --frame 1001 --to folder.json", "is a folder"),
    ],
)
def test_mistakes_of_grain_files(run, sequence, line, words):
    (sequence / "mine.json").write_text("{}")
    (sequence / "folder.json").mkdir()
    done = run(*line.split())
    assert done.exit_code == 2
    assert words in done.stderr
    assert (sequence / "mine.json").read_text() == "{}"
    assert not (sequence / "g.json").exists()
