"""``stackcomp batch --page``: chosen frames of each shot, dumped and shown in one page a shot."""

from __future__ import annotations

import json

import pytest
from small_sequence import InProcess, Project

from stackcomp.batch import run as run_module
from stackcomp.files import mark
from stackcomp.files.mark import Mark


@pytest.fixture
def project(tmp_path, monkeypatch) -> Project:
    monkeypatch.setattr(run_module, "Pool", InProcess)
    return Project(tmp_path)


@pytest.mark.slow
def test_a_page_for_each_shot_beside_the_ledger(project, run):
    done = run("batch", str(project.file), "--page", "first,3")
    assert done.exit_code == 0, done.stderr
    (ledger,) = project.folder.rglob("*.ledger.sqlite")
    pages = ledger.with_name(ledger.name.replace(".ledger.sqlite", ".pages"))
    for shot in ("wide", "close"):
        assert mark.read(pages / shot / "page.html") == Mark("page")
        assert sorted(path.name for path in (pages / shot).iterdir()) == ["0001", "0003", "page.html"]
        report = json.loads((pages / shot / "0003" / "nodes.json").read_text())
        assert report["frame"] == 3
        assert report["complete"]


def test_json_and_a_second_run(project, run):
    run("batch", str(project.file))
    done = run("batch", str(project.file), "--page", "middle", "--shot", "wide", "--json")
    events = [json.loads(line) for line in done.stdout.splitlines()]
    (page,) = [event for event in events if event["event"] == "page"]
    assert page["shot"] == "wide"
    assert page["file"].endswith("page.html")
    assert events[-1]["exit_code"] == 0


def test_a_frame_that_fails_is_told_and_the_page_shows_the_others(project, run):
    plate = project.plate("wide", 2)
    data = plate.read_bytes()
    plate.write_bytes(data[:-8])
    done = run("batch", str(project.file), "--page", "2-3", "--shot", "wide", "--json")
    (page,) = [event for line in done.stdout.splitlines() if (event := json.loads(line))["event"] == "page"]
    assert done.exit_code == 1
    assert page["file"].endswith("page.html")
    assert "frame 2: " in page["failures"][0]


@pytest.mark.parametrize(
    ("frames", "message"),
    [
        ("7", "--page: none of the shots that are rendered has frames 7"),
        ("first,99", "has frames 99"),
        ("x", "--page: "),
    ],
)
def test_frames_that_no_shot_has(project, run, frames, message):
    done = run("batch", str(project.file), "--page", frames)
    assert done.exit_code == 2
    assert message in done.stderr
    assert not list(project.folder.rglob("*.ledger.sqlite"))


def test_a_page_of_somebody_else_stays(project, run):
    run("batch", str(project.file))
    (ledger,) = project.folder.rglob("*.ledger.sqlite")
    page = ledger.with_name(ledger.name.replace(".ledger.sqlite", ".pages")) / "wide" / "page.html"
    page.parent.mkdir(parents=True)
    page.write_text("notes")
    done = run("batch", str(project.file), "--page", "1", "--shot", "wide")
    assert done.exit_code == 1
    assert "page.html" in done.stderr
    assert page.read_text() == "notes"
