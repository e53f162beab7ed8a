"""``stackcomp batch`` as a person and a script meet it. One run in processes of its own serves several tests."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from small_sequence import GRAPH, InProcess, Project, graph_with

from stackcomp.batch import run as run_module
from stackcomp.version import __version__


@pytest.fixture
def in_process(monkeypatch):
    """Frames are rendered in this process."""
    monkeypatch.setattr(run_module, "Pool", InProcess)


@pytest.fixture
def project(tmp_path, in_process) -> Project:
    return Project(tmp_path)


@pytest.fixture(scope="module")
def two_runs(tmp_path_factory, process) -> Any:
    """A sequence with a missing plate, rendered by the program itself, and again with the plate."""
    project = Project(tmp_path_factory.mktemp("sequence"))
    plate = project.plate("wide", 2)
    data = plate.read_bytes()
    plate.unlink()
    first = process("batch", "lantern.json", "--workers", "2", cwd=project.folder)
    plate.write_bytes(data)
    second = process("batch", str(project.file), "--workers", "1", "--json", cwd="/")
    return project, first, second


def events(text: str, kind: str = "") -> list[dict[str, Any]]:
    found = [json.loads(line) for line in text.splitlines()]
    return [event for event in found if event["event"] == kind] if kind else found


# -- in processes --------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_bad_frame_fails_alone_with_its_reason_and_exit_code_1(two_runs):
    _, first, _ = two_runs
    assert first.returncode == 1
    assert "Traceback" not in first.stderr
    assert "wide 2 failed" in first.stderr
    assert "no file" in first.stderr
    assert "1 of 6 frames failed: wide 2" in first.stderr
    assert "5 frames done" in first.stdout


@pytest.mark.slow
def test_the_next_run_renders_what_was_missing_from_any_folder(two_runs):
    project, _, second = two_runs
    assert second.returncode == 0
    assert second.stderr == ""
    (begin,) = events(second.stdout, "begin")
    assert (begin["due"], begin["up_to_date"]) == (1, 5)
    assert [(f["shot"], f["frame"], f["status"]) for f in begin["frames"]] == [("wide", 2, "failed")]
    (frame,) = events(second.stdout, "frame")
    assert {Path(file) for file in frame["files"]} == {
        project.output("wide", 2, ending) for ending in ("exr", "png")
    }  # fmt: skip
    summary = events(second.stdout)[-1]
    assert summary["event"] == "summary"
    expected = {"ok": True, "exit_code": 0, "frames": 6, "up_to_date": 5, "done": 1, "failed": [], "not_begun": []}
    assert expected.items() <= summary.items()
    assert Path(summary["ledger"]) == project.folder / "out" / "lantern.ledger.sqlite"


@pytest.mark.slow
def test_the_ledger_of_processes_is_whole(two_runs):
    project, _, _ = two_runs
    database = sqlite3.connect(project.folder / "out" / "lantern.ledger.sqlite")
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert database.execute("PRAGMA journal_mode").fetchall() == [("wal",)]
    rows = database.execute("SELECT shot, frame, done, program FROM frames").fetchall()
    assert sorted(rows) == sorted(
        (shot, frame, 1, __version__) for shot in ("wide", "close") for frame in (1, 2, 3)
    )
    database.close()


@pytest.mark.slow
def test_files_of_processes_are_those_of_one_process(two_runs, tmp_path, in_process):
    from small_sequence import contents

    project, _, _ = two_runs
    other = Project(tmp_path)
    other.run()
    assert contents(project.folder / "out") == contents(tmp_path / "out")


@pytest.mark.slow
def test_nothing_is_left_beside_the_files(two_runs):
    project, _, _ = two_runs
    names = sorted(path.name for path in (project.folder / "out").iterdir())
    assert names == [".lantern.ledger.sqlite.lock", "close", "lantern.ledger.sqlite", "wide"]
    assert len(list((project.folder / "out" / "wide").iterdir())) == 6


# -- what is due ---------------------------------------------------------------------------------------------


def test_list_shows_every_frame_and_renders_nothing(project, run):
    listed = run("batch", project.file, "--list")
    assert listed.exit_code == 0
    assert listed.stdout.splitlines()[0] == "wide 1  missing: it was not rendered yet"
    assert listed.stdout.splitlines()[-1] == "6 frames: 0 up to date, 6 to render"
    assert not (project.folder / "out").exists()
    assert run("batch", project.file).exit_code == 0
    project.output("wide", 2).write_bytes(b"cut")
    listed = run("batch", project.file, "--list")
    assert f"wide 2  damaged: {project.output('wide', 2)} has changed" in listed.stdout
    assert "6 frames: 5 up to date, 1 to render" in listed.stdout
    assert project.output("wide", 2).read_bytes() == b"cut"


def test_list_as_json(project, run):
    run("batch", project.file, "--shot", "close")
    (listed,) = events(run("batch", project.file, "--list", "--json").stdout)
    assert (listed["event"], listed["due"], listed["up_to_date"]) == ("list", 3, 3)
    assert [(f["shot"], f["frame"], f["status"]) for f in listed["frames"]] == [
        *(("wide", frame, "missing") for frame in (1, 2, 3)), *(("close", frame, "done") for frame in (1, 2, 3))
    ]  # fmt: skip
    assert {key for frame in listed["frames"] for key in frame} == {"shot", "frame", "status", "why", "files"}


def test_a_run_says_why_frames_are_rendered_again(project, run):
    run("batch", project.file)
    project.write_graph({"brighter.stops": 1})
    again = run("batch", project.file)
    assert again.exit_code == 0
    assert 'wide 1-3: node "brighter" has changed' in again.stderr
    assert "6 frames done" in again.stdout
    nothing = run("batch", project.file)
    assert nothing.exit_code == 0
    assert "0 frames done, 6 up to date before" in nothing.stdout


def test_shots_and_frames_are_chosen(project, run):
    assert run("batch", project.file, "--shot", "close", "--frames", "2").exit_code == 0
    assert [path.name for path in project.folder.rglob("comp.*.png")] == ["comp.0002.png"]
    assert run("batch", project.file, "--frames", "2-3").exit_code == 0
    assert len(list(project.folder.rglob("comp.*.png"))) == 4


def test_again_renders_all(project, run):
    run("batch", project.file)
    done = run("batch", project.file, "--again", "--shot", "wide", "--json")
    assert len(events(done.stdout, "frame")) == 3


def test_checksums_find_what_time_and_size_hide(project, run):
    import os

    run("batch", project.file)
    path = project.output("close", 3)
    state, data = path.stat(), bytearray(path.read_bytes())
    data[-200] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert "0 to render" in run("batch", project.file, "--list").stdout
    assert "1 to render" in run("batch", project.file, "--list", "--checksums").stdout


def test_stop_at_first_begins_no_further_frame(project, run):
    project.plate("wide", 1).unlink()
    done = run("batch", project.file, "--stop-at-first", "--json")
    summary = events(done.stdout)[-1]
    assert done.exit_code == summary["exit_code"] == 1
    assert summary["failed"][0]["frame"] == 1
    assert summary["not_begun"]
    assert summary["done"] + len(summary["failed"]) + len(summary["not_begun"]) == 6


def test_retouched_work_is_kept_and_named(project, run):
    from PIL import Image as Pillow

    run("batch", project.file)
    path = project.output("wide", 2, "png")
    with Pillow.open(path) as picture:
        picture.load()
        picture.save(path)
    there = path.read_bytes()
    done = run("batch", project.file)
    assert done.exit_code == 1
    assert "wide 2 failed" in done.stderr
    assert "--replace-foreign" in done.stderr
    assert path.read_bytes() == there
    assert run("batch", project.file, "--replace-foreign").exit_code == 0
    assert path.read_bytes() != there


# -- graphs that stand alone ---------------------------------------------------------------------------------


@pytest.fixture
def graph(project, monkeypatch) -> Path:
    monkeypatch.chdir(project.folder)
    variables = {**GRAPH["variables"], "shot_name": "wide"}
    path = project.folder / "graph.json"
    path.write_text(json.dumps(graph_with(variables=variables)), encoding="utf-8")
    return path


def test_a_plain_graph_is_rendered_too(graph, run, project):
    done = run("batch", "graph.json")
    assert (done.exit_code, "3 frames done" in done.stdout) == (0, True)
    assert (project.folder / "out" / "wide" / "graph.ledger.sqlite").is_file()
    assert "frame 1  done" in run("batch", graph, "--list").stdout
    assert "0 to render" in run("batch", graph, "--list", "--root", project.folder).stdout


def test_variables_of_the_command_line_reach_it(graph, run, project):
    assert run("batch", "graph.json", "--set", "shot_name=close").exit_code == 0
    assert project.output("close", 1).is_file()
    warned = run("batch", "graph.json", "--set", "shot_nmae=close")
    assert '"shot_nmae"' in warned.stderr


def test_a_graph_without_frames_is_a_mistake(graph, run, project):
    graph.write_text(graph.read_text().replace('"frames": "1-3"', '"frames": ""'))
    done = run("batch", "graph.json")
    assert done.exit_code == 2
    assert "frames" in done.stderr


def test_frames_are_those_asked_for_as_in_render(graph, run, project):
    # `render` takes frames that the graph does not name; a graph need not name any.
    graph.write_text(graph.read_text().replace('"frames": "1-3"', '"frames": ""'))
    assert run("check", "graph.json", "--frames", "1-2").exit_code == 0
    done = run("batch", "graph.json", "--frames", "1-2")
    assert done.exit_code == 0, done.stderr
    assert project.output("wide", 2).is_file()


# -- mistakes ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--shot", "wid"], 'did you mean "wide"'),
        (["--frames", "7"], "no shot has frame 7"),
        (["--frames", "x"], "not a frame"),
        (["--workers", "0"], "workers"),
        (["--set", "stops"], "NAME=VALUE"),
        (["--set", "stops=bright"], "stops"),
        (["--variables", "nowhere.json"], "nowhere.json"),
        (["--root", "."], "--root"),
        (["--nothing"], "--nothing"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_wrong_request_ends_with_2_and_writes_nothing(project, run, words, said):
    done = run("batch", project.file, *words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not (project.folder / "out").exists()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda project: project.write(handles=-1),
        lambda project: project.file.write_text("{"),
        lambda project: project.file.unlink(),
        lambda project: project.write(stackcomp_sequence=9),
        lambda project: project.write(variables={"out": "out"}),
        lambda project: project.write_graph({"brighter.stops": "bright"}),
        lambda project: project.write(shots={}),
        lambda project: [project.plate("wide", frame).unlink() for frame in (1, 2, 3)],
    ],
    ids=["field", "json", "no file", "version", "same outputs", "graph", "no shots", "no plates"],
)
def test_a_wrong_sequence_ends_with_2_and_writes_nothing(project, run, spoil):
    spoil(project)
    for words in ([], ["--json"]):
        done = run("batch", project.file, *words)
        assert done.exit_code == 2
        assert "Traceback" not in done.stderr
    summary = events(done.stdout)[-1]
    assert (summary["ok"], summary["exit_code"]) == (False, 2)
    assert summary["problems"]
    assert not list(project.folder.rglob("comp.*.png"))


def test_a_request_that_is_refused_leaves_no_ledger(project, run):
    project.write(variables={"out": "out"})
    assert run("batch", project.file).exit_code == 2
    assert not (project.folder / "out").exists()
