"""stackcomp inspect: lines, JSON, exit codes, and what is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest

from stackcomp import Window
from stackcomp.files import exr


@pytest.fixture
def cg(tmp_path, monkeypatch):
    """Frames 1 to 4 of a soft disc; 2 and 4 hold NaN."""
    monkeypatch.chdir(tmp_path)
    y, x = np.mgrid[0:48, 0:64].astype(np.float32)
    alpha = np.clip((16 - np.hypot(x - 32, y - 24)) / 4, 0, 1).astype(np.float32)
    window = Window.of_size(64, 48)
    for frame in (1, 2, 3, 4):
        planes = {"R": 0.5 * alpha, "G": 0.4 * alpha, "B": 0.3 * alpha, "A": alpha}
        if frame % 2 == 0:
            planes["G"] = planes["G"].copy()
            planes["G"][10 : 10 + frame, 20] = np.nan
        exr.write(tmp_path / f"cg.{frame:04d}.exr", planes, window=window, display=window, pixel_type="float")
    return tmp_path


def test_findings_over_frames_are_one_line(cg, run):
    done = run("inspect", "cg.{frame:04d}.exr", "--checks", "nonfinite")
    assert done.exit_code == 1
    first, second, last = done.stdout.splitlines()
    assert first == (
        "fault nonfinite: cg.{frame:04d}.exr, frames 2,4, worst 4: 4 pixels are NaN (4 in G), 1×4 at (20, 10), "
        "limit 0 px"
    )
    assert second.startswith("  find the node or shader")
    assert last.startswith("1 fault in 4 pictures, ")
    assert done.stderr == ""


def test_a_clean_picture_ends_with_0(cg, run):
    done = run("inspect", "cg.0001.exr", "cg.0003.exr", "--checks", "nonfinite,alpha_state")
    assert done.exit_code == 0
    assert "nothing found in" in done.stdout


def test_json_for_a_program(cg, run):
    done = run("inspect", ".", "--json", "--checks", "nonfinite,negative")
    told = json.loads(done.stdout)
    assert (done.exit_code, told["exit_code"], told["ok"], told["clean"]) == (1, 1, False, False)
    assert told["checks"] == ["nonfinite", "negative"]
    assert [(one["frame"], one["value"], one["place"]) for one in told["findings"]] == [
        (2, 2, [20, 10, 1, 2]),
        (4, 4, [20, 10, 1, 4]),
    ]
    assert told["summaries"][0]["frames"] == [2, 4]
    assert told["marked"] == []
    assert done.stderr == ""


def test_frames_that_are_asked_for(cg, run):
    told = json.loads(
        run("inspect", "cg.{frame:04d}.exr", "--frames", "1,3", "--json", "--checks", "nonfinite").stdout
    )
    assert told["pictures"] == [{"picture": "cg.{frame:04d}.exr", "number": 2}]
    assert told["ok"]


def test_marked_pictures(cg, run):
    done = run("inspect", ".", "--picture", "marked", "--checks", "nonfinite")
    assert done.exit_code == 1
    assert done.stdout.splitlines()[-1] == "picture: marked/cg.0004.png"
    assert (cg / "marked" / "cg.0004.png").read_bytes().startswith(b"\x89PNG")
    again = run("inspect", ".", "--picture", "marked", "--json", "--checks", "nonfinite")
    assert json.loads(again.stdout)["marked"] == ["marked/cg.0004.png"]


def test_findings_are_told_where_no_picture_can_be_written(cg, run):
    (cg / "file").write_text("")
    done = run("inspect", "cg.{frame:04d}.exr", "--picture", "file/below", "--checks", "nonfinite")
    assert done.exit_code == 1
    assert "4 pixels are NaN" in done.stdout
    assert "file/below/cg.0004.png: cannot be written" in done.stderr
    as_json = run("inspect", "cg.{frame:04d}.exr", "--picture", "file/below", "--checks", "nonfinite", "--json")
    told = json.loads(as_json.stdout)
    assert (as_json.exit_code, told["exit_code"], told["marked"]) == (1, 1, [])
    assert told["findings"]
    assert "cannot be written" in as_json.stderr


def test_a_still_and_checks_that_have_nothing_to_look_at(cg, run):
    """Not chosen by name, they are passed over."""
    assert run("inspect", "cg.0001.exr", "--without", "nonfinite").exit_code == 0
    done = run("inspect", "cg.0001.exr", "--checks", "frames,grain,nonfinite")
    assert done.exit_code == 2
    assert "--checks: grain looks at CG against plate, and no over node is there" in done.stderr
    assert "--checks: frames looks at a sequence, and there are stills only" in done.stderr
    assert "nonfinite" not in done.stderr


def test_notes_may_be_left_out(cg, run):
    window = Window.of_size(8, 8)
    planes = {name: np.full((8, 8), 0.0 if name == "A" else 0.5, np.float32) for name in "RGBA"}
    exr.write(cg / "glow.exr", planes, window=window, display=window, pixel_type="float")
    with_notes, without = run("inspect", "glow.exr"), run("inspect", "glow.exr", "--no-notes")
    assert (with_notes.exit_code, without.exit_code) == (0, 0)
    assert "note bare_light" in with_notes.stdout
    assert "bare_light" not in without.stdout
    assert "1 note in 1 picture" in without.stdout


def test_checks_that_are_left_out(cg, run):
    told = json.loads(run("inspect", ".", "--json", "--without", "nonfinite,negative").stdout)
    assert "nonfinite" not in told["checks"]
    assert "alpha_state" in told["checks"]
    assert "nonfinite" not in {one["check"] for one in told["findings"]}


def test_thresholds_are_shown_changed_and_read(cg, run):
    shown = run("inspect", "--show-thresholds")
    assert shown.exit_code == 0
    limits = json.loads(shown.stdout)
    assert limits["nonfinite"]["pixels"]["why"]
    limits["nonfinite"]["pixels"]["value"] = 3
    (cg / "limits.json").write_text(json.dumps(limits))
    told = json.loads(run("inspect", "cg.{frame:04d}.exr", "--thresholds", "limits.json", "--json").stdout)
    assert [one["frame"] for one in told["findings"] if one["check"] == "nonfinite"] == [4]
    (cg / "limits.json").write_text('{"nonfinit": {}}')
    refused = run("inspect", "cg.{frame:04d}.exr", "--thresholds", "limits.json")
    assert refused.exit_code == 2
    assert 'did you mean "nonfinite"' in refused.stderr
    assert "limits.json /nonfinit" in refused.stderr


def test_checks_are_listed(run):
    done = run("inspect", "--list")
    assert done.exit_code == 0
    for word in ("One picture", "nonfinite", "alpha_state"):
        assert word in done.stdout
    listed = json.loads(run("inspect", "--list", "--json").stdout)["checks"]
    assert all(check["summary"] and check["cure"] and check["source"] for check in listed)


def test_a_graph(shot, run):
    done = run("inspect", "graph.json", "--frames", "1-2", "--json")
    told = json.loads(done.stdout)
    names = {entry["picture"] for entry in told["pictures"]}
    assert {"./plate.{frame:04d}.exr", "./cg.{frame:04d}.exr", 'node "out"'} <= names
    assert told["exit_code"] == done.exit_code
    assert not (shot / "out").exists()


def test_a_graph_with_a_damaged_frame(shot, run):
    (shot / "cg.0002.exr").write_bytes(b"nothing")
    done = run("inspect", "graph.json", "--picture", "marked", "--no-notes")
    assert done.exit_code == 1
    assert "fault file: ./cg.{frame:04d}.exr, frame 2: it cannot be read" in done.stdout
    assert 'fault render: node "out", frame 2: it is not rendered' in done.stdout


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("inspect nowhere.exr", "there is no file nowhere.exr"),
        ("inspect --no-notes", "no file and no graph is named"),
        ("inspect . --checks negativ", 'did you mean "negative"?'),
        ("inspect . --checks ,", "--checks: no check is named"),
        ("inspect . --encoding ACESgc", 'there is no colour space "ACESgc"'),
        ("inspect . --frame-rate fast", "--frame-rate: "),
        ("inspect . --set a=1", "--set and --variables belong to a graph"),
        ("inspect graph.json plate.0001.exr", "a graph is inspected alone"),
        ("inspect graph.json --encoding ACEScg", "--encoding belongs to files"),
        ("inspect . --frames 5-1", '--frames: "5-1" runs backwards'),
        ("inspect . --root nowhere", '--root: there is no folder "nowhere"'),
        ("inspect . --thresholds none.json", "cannot be read"),
        ("inspect . --picture graph.json", '--picture: "graph.json" is a file'),
        ("inspect missing.json", "cannot be read"),
        ("inspect plate.0001.exr --frames 2", "--frames belongs to sequences, and there are stills only"),
        ("inspect . --checks fringe", "--checks: fringe looks at CG against plate"),
        ("inspect plain.json --checks fringe", "--checks: fringe looks at CG against plate"),
        ("inspect nothing.json", "the graph has no node that gives a picture"),
    ],
)
def test_what_is_refused(shot, run, line, said):
    graph = {"stackcomp": 1, "working_space": "ACEScg", "frames": "1-2", "nodes": {}}
    (shot / "nothing.json").write_text(json.dumps(graph))
    graph["nodes"] = {"plate": {"kind": "read", "path": "plate.{frame:04d}.exr"}}
    (shot / "plain.json").write_text(json.dumps(graph))
    done = run(*line.split())
    assert done.exit_code == 2, done.stdout
    assert said in done.stderr
    as_json = run(*line.split(), "--json")
    assert json.loads(as_json.stdout)["exit_code"] == 2
