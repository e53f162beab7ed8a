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
