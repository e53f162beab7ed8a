"""A bug of ours is called a bug, with how to report it, and never a mistake of the user."""

from __future__ import annotations

import json

import pytest

from stackcomp.cli import endings
from stackcomp.nodes.glow import Glow

HOW_TO_REPORT = "with the graph file and the traceback, which --debug shows"
CAUSE = "bug in stackcomp: TypeError: planted"


@pytest.fixture(autouse=True)
def no_debug_left():
    yield
    endings.set_debug(False)


@pytest.fixture
def bug_at_frame_2(shot, save_graph, monkeypatch):
    """A graph whose node "soft" raises a TypeError at frame 2 only."""
    compute = Glow.compute

    def planted(self, *arguments):
        if any(getattr(argument, "frame", None) == 2 for argument in arguments):
            raise TypeError("planted")
        return compute(self, *arguments)

    monkeypatch.setattr(Glow, "compute", planted)
    save_graph(
        soft={"kind": "glow", "image": "final", "radius": 2, "strength": 0.5},
        out={"kind": "deliver", "image": "soft", "path": "${out}/final.{frame:04d}.exr"},
    )
    return shot


@pytest.mark.parametrize("words", [[], ["--node", "soft"]], ids=["deliveries", "a node"])
class TestRender:
    def test_the_frame_fails_as_a_bug_and_the_others_are_whole(self, bug_at_frame_2, run, words):
        done = run("render", "graph.json", *words)
        assert done.exit_code == 1
        assert f'frame 2 failed: node "soft": {CAUSE}' in done.stderr
        assert HOW_TO_REPORT in done.stderr
        assert "Traceback" not in done.stderr
        assert "the rest is whole: 2 frames done, 2 files" in done.stdout
        assert len(list((bug_at_frame_2 / "out").iterdir())) == 2

    def test_the_json_summary_says_so(self, bug_at_frame_2, run, words):
        done = run("render", "graph.json", "--json", *words)
        events = [json.loads(line) for line in done.stdout.splitlines()]
        summary = events[-1]
        assert (done.exit_code, summary["exit_code"], summary["ok"]) == (1, 1, False)
        assert summary["done"] == [1, 3]
        (failed,) = summary["failed"]
        assert failed["frame"] == 2
        assert CAUSE in failed["reason"]
        assert HOW_TO_REPORT in failed["reason"]
        (event,) = [event for event in events if event["event"] == "failed"]
        assert (event["frame"], event["node"], event["reason"]) == (2, "soft", CAUSE)

    def test_debug_shows_the_traceback_down_to_the_cause(self, bug_at_frame_2, run, words):
        done = run("render", "graph.json", "--debug", *words)
        assert done.exit_code == 1
        assert "Traceback" in done.stderr
        assert "in planted" in done.stderr


def test_a_bug_at_all_frames_is_reported_once(bug_at_frame_2, run, monkeypatch):
    monkeypatch.setattr(Glow, "compute", lambda *_: 1 / 0)
    done = run("render", "graph.json")
    assert done.exit_code == 1
    assert done.stderr.count(HOW_TO_REPORT) == 1
    assert "frame 3 failed for the same reason as frame 1" in done.stderr


class TestDump:
    def test_the_node_fails_as_a_bug(self, bug_at_frame_2, run):
        done = run("dump", "graph.json", "--frame", "2", "--to", "look")
        assert done.exit_code == 1
        assert f'node "soft" failed: {CAUSE}' in done.stderr
        assert HOW_TO_REPORT in done.stderr
        assert "look holds the 6 nodes before it" in done.stdout
        assert "Traceback" not in done.stderr

    def test_json(self, bug_at_frame_2, run):
        done = run("dump", "graph.json", "--frame", "2", "--to", "look", "--json")
        report = json.loads(done.stdout)
        assert (done.exit_code, report["exit_code"], report["ok"]) == (1, 1, False)
        assert report["failed"] == {"node": "soft", "reason": CAUSE}

    def test_debug_shows_the_traceback_down_to_the_cause(self, bug_at_frame_2, run):
        done = run("dump", "graph.json", "--frame", "2", "--to", "look", "--debug")
        assert "in planted" in done.stderr


COMMANDS = [
    (["check", "graph.json"], "stackcomp.composition.Composition.check"),
    (["render", "graph.json"], "stackcomp.cli.rendering.run"),
    (["dump", "graph.json", "--frame", "1", "--to", "look"], "stackcomp.review.dump_frames.dump_frames"),
    (["kinds"], "stackcomp.nodes.description.describe"),
    (["encodings"], "stackcomp.files.colour.spaces"),
]


@pytest.mark.parametrize(("words", "broken"), COMMANDS, ids=[words[0] for words, _ in COMMANDS])
class TestAnyCommand:
    @pytest.fixture(autouse=True)
    def _planted(self, shot, broken, monkeypatch):
        def planted(*arguments, **options):
            raise TypeError("planted")

        monkeypatch.setattr(broken, planted)

    def test_a_bug_says_how_to_report_it(self, run, words, broken):
        done = run(*words)
        assert done.exit_code == 1
        assert f"stackcomp {words[0]}: {CAUSE}" in done.stderr
        assert HOW_TO_REPORT in done.stderr
        assert "Traceback" not in done.stderr

    def test_json(self, run, words, broken):
        done = run(*words, "--json")
        summary = json.loads(done.stdout.splitlines()[-1])
        assert (done.exit_code, summary["exit_code"], summary["ok"]) == (1, 1, False)
        assert CAUSE in summary["error"]
        assert HOW_TO_REPORT in summary["error"]
        assert summary["problems"] == []

    def test_debug_shows_the_traceback(self, run, words, broken):
        assert "in planted" in run(*words, "--debug").stderr
