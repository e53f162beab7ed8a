"""stackcomp camera: a USD file in, a camera file out."""

from __future__ import annotations

import json

import pytest

from stackcomp.files.camera_file import read_camera

pytest.importorskip("pxr")
from pxr import Gf, Usd, UsdGeom


@pytest.fixture
def usd(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    stage = Usd.Stage.CreateNew("bench.usda")
    UsdGeom.SetStageUpAxis(stage, "Z")
    UsdGeom.SetStageMetersPerUnit(stage, 0.01)
    camera = UsdGeom.Camera.Define(stage, "/rig/camera")
    camera.CreateFocalLengthAttr(35.0)
    camera.CreateHorizontalApertureAttr(36.0)
    camera.CreateVerticalApertureAttr(20.25)
    move = camera.AddTranslateOp()
    for frame in (1001, 1005):
        move.Set(Gf.Vec3d(0, 25 * (frame - 1001), 50), frame)
    stage.GetRootLayer().Save()
    return "bench.usda"


def test_a_camera_file_is_written(run, usd):
    done = run("camera", usd, "--frames", "1001-1003", "--to", "out/camera.json")
    assert done.exit_code == 0, done.stderr
    assert done.stdout == (
        "/rig/camera: 3 frames; at frame 1001 it is at 0, 0, 0.5 m, with 35 mm and a gate of 36 × 20.25 mm\n"
        "out/camera.json\n"
    )
    held = read_camera(__import__("pathlib").Path("out/camera.json"))
    assert held.numbers == (1001, 1002, 1003)
    assert held.about == "/rig/camera of bench.usda"
    assert held.at(1003).position.tolist() == [0, 0.5, 0.5]
    # It may be written again, since it says by what it was written.
    assert run("camera", usd, "--frames", "1002", "--to", "out/camera.json").exit_code == 0


def test_json_for_programs(run, usd):
    done = run("camera", usd, "--frames", "1001,1009", "--to", "camera.json", "--prim", "/rig", "--json")
    record = json.loads(done.stdout)
    assert record["prim"] == "/rig/camera"
    assert (record["frames"], record["written"]) == ([1001, 1009], "camera.json")
    assert record["doubts"][0].startswith("frame 1009 lies outside of the file's samples")


@pytest.mark.parametrize(
    ("line", "code", "said"),
    [
        ("camera bench.usda --to c.json", 2, "--frames RANGE is missing"),
        ("camera bench.usda --frames 5-1 --to c.json", 2, '--frames: "5-1" runs backwards'),
        ("camera bench.usda --frames 1001 --to c.txt", 2, '--to: "c.txt" does not end in .json'),
        ("camera bench.usda --frames 1001 --to folder", 2, '--to: "folder" is a folder'),
        ("camera bench.usda --frames 1001 --to bench.usda", 2, "does not end in .json"),
        (
            "camera bench.usda --frames 1001 --to c.json --codes-per-frame 0",
            2,
            "--codes-per-frame: 0 is not above 0",
        ),
        ("camera bench.usda --frames 1001 --to c.json --prim /rig/kamera", 2, 'did you mean "/rig/camera"?'),
        ("camera bensch.usda --frames 1001 --to c.json", 2, "there is no file bensch.usda"),
        ("camera bench.usda --frames 1001 --to notes.json", 2, "which stackcomp did not write"),
        ("camera bench.usda --frames 1001 --to schema.json", 2, "which holds a schema"),
    ],
)
def test_mistakes(run, usd, tmp_path, line, code, said):
    (tmp_path / "folder").mkdir()
    (tmp_path / "notes.json").write_text('{"note": 1}')
    if "schema.json" in line:
        run("schema", "--to", "schema.json")
    done = run(*line.split())
    assert done.exit_code == code
    assert said in done.stderr
    assert not (tmp_path / "c.json").exists()
    assert (tmp_path / "notes.json").read_text() == '{"note": 1}'
