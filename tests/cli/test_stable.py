"""What is stable from version 1.0 on: JSON keys of findings and the format version of graphs."""

from __future__ import annotations

import json
from pathlib import Path

from stackcomp import Problem
from stackcomp.document.upgrade import CURRENT

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
KEYS = {"rule", "message", "way_out", "node", "field", "place", "severity", "pointer"}


def test_the_json_keys_of_a_finding():
    assert set(Problem("dangling", "x").as_dict()) == KEYS


def test_every_command_prints_findings_with_these_keys(shot, run, save_graph):
    save_graph(final={"kind": "over", "source": "gone", "backdrop": "shaded"})
    (found,) = json.loads(run("check", "graph.json", "--json").stdout)["problems"]
    assert set(found) == KEYS
    for words in (["render", "graph.json"], ["dump", "graph.json", "--frame", "1", "--to", "look"]):
        summary = json.loads(run(*words, "--json").stdout.splitlines()[-1])
        assert set(summary) == {"event", "ok", "exit_code", "error", "problems"}
        assert summary["problems"] == [found]


def test_the_format_version_of_graphs():
    assert CURRENT == 1
    assert f'"stackcomp": {CURRENT},' in README
