"""``--page-size``: how large the page of a dump, of a batch or of two dumps may become."""

from __future__ import annotations

import json

import pytest
from small_sequence import InProcess, Project

from stackcomp.batch import run as run_module
from stackcomp.review.proof_page import MOST_BYTES

DUMP = ("dump", "graph.json", "--frame", "2", "--to", "look")


@pytest.fixture
def asked(monkeypatch):
    """The sizes that pages were asked to keep to; pages are written all the same."""
    from stackcomp.review import proof_page

    sizes = []
    write = proof_page.write_page

    def noted(*arguments, most_bytes=MOST_BYTES, **more):
        sizes.append(most_bytes)
        return write(*arguments, most_bytes=most_bytes, **more)

    monkeypatch.setattr(proof_page, "write_page", noted)
    return sizes


@pytest.mark.slow
def test_dump_and_compare(shot, run, asked):
    assert run(*DUMP, "--page").exit_code == 0
    assert run(*DUMP, "--page", "--page-size", "12.5").exit_code == 0
    assert run("compare", "look", "look", "--page", "both.html", "--page-size", "80").exit_code == 0
    assert run("compare", "look", "look", "--page", "both.html").exit_code == 0
    assert asked == [MOST_BYTES, 12_500_000, 80_000_000, MOST_BYTES]


def test_batch(tmp_path, monkeypatch, run, asked):
    monkeypatch.setattr(run_module, "Pool", InProcess)
    project = Project(tmp_path)
    words = ("batch", str(project.file), "--page", "first", "--shot", "wide")
    assert run(*words, "--page-size", "5").exit_code == 0
    assert run(*words).exit_code == 0
    assert asked == [5_000_000, MOST_BYTES]


@pytest.mark.slow
def test_a_size_that_cannot_be_kept_is_told(shot, run, tmp_path, monkeypatch):
    done = run(*DUMP, "--page", "--page-size", "0.01")
    assert done.exit_code == 0
    assert "0.01 MB were asked for" in done.stderr
    assert (shot / "look" / "page.html").stat().st_size > 10_000
    done = run("compare", "look", "look", "--page", "both.html", "--page-size", "0.01")
    assert "0.01 MB were asked for" in done.stderr
    assert json.loads(run(*DUMP, "--page", "--page-size", "0.01", "--json").stdout)["ok"]
    monkeypatch.setattr(run_module, "Pool", InProcess)
    project = Project(tmp_path)
    words = ("batch", str(project.file), "--page", "first", "--shot", "wide", "--page-size", "0.01")
    done = run(*words, "--json")
    (page,) = [event for line in done.stdout.splitlines() if (event := json.loads(line))["event"] == "page"]
    assert page["failures"] == []
    assert "0.01 MB were asked for" in page["notes"][0]
    assert "0.01 MB were asked for" in run(*words).stderr


@pytest.mark.parametrize("size", ["0", "-3", "nan", "inf"])
def test_sizes_that_make_no_sense(shot, run, size):
    done = run(*DUMP, "--page", "--page-size", size)
    assert done.exit_code == 2
    assert f"--page-size: {size} is not a number of megabytes above 0" in done.stderr
    assert "leave it out for 38 MB" in done.stderr
    assert not (shot / "look").exists()


def test_it_is_for_pages(shot, run):
    done = run(*DUMP, "--page-size", "5")
    assert done.exit_code == 2
    assert "--page-size is for pages" in done.stderr
    assert not (shot / "look").exists()
