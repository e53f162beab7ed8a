"""``stackcomp dump``, the command; what a dump holds is tested in tests/review."""

from __future__ import annotations

import json


def test_files_and_a_line(shot, run):
    done = run("dump", "graph.json", "--frame", "2", "--to", "look")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("7 nodes in look, ")
    assert len(list((shot / "look").iterdir())) == 15


def test_json_is_the_report(shot, process):
    done = process(
        "dump", "graph.json", "--frame", "2", "--to", "look", "--node", "final", "--scale", "0.5", "--json"
    )
    told, kept = json.loads(done.stdout), json.loads((shot / "look/nodes.json").read_text())
    assert {key: told.pop(key) for key in ("folder", "ok", "exit_code")} == {
        "folder": "look", "ok": True, "exit_code": 0,
    }  # fmt: skip
    assert told == kept
    assert [node["name"] for node in told["nodes"]] == ["final"]
    assert told["nodes"][0]["size"] == [12, 8]


def test_a_node_that_fails(shot, run):
    whole = (shot / "cg.0002.exr").read_bytes()
    (shot / "cg.0002.exr").write_bytes(whole[:-20] + bytes(20))
    done = run("dump", "graph.json", "--frame", "2", "--to", "look")
    assert done.exit_code == 1
    assert 'node "cg" failed: ' in done.stderr
    assert "look holds the 1 node before it" in done.stdout
    assert json.loads(run("dump", "graph.json", "--frame", "2", "--to", "look", "--json").stdout)["exit_code"] == 1


def test_a_graph_with_problems_is_refused_with_all_of_them(shot, run, save_graph):
    save_graph(
        final={"kind": "over", "source": "plate", "backdrop": "shaded"}, other={"kind": "exposure", "image": "x"}
    )
    done = run("dump", "graph.json", "--frame", "2", "--to", "look")
    assert done.exit_code == 2
    assert 'node "final"' in done.stderr
    assert 'node "other"' in done.stderr
    assert not (shot / "look").exists()


def test_stops_for_looking(shot, run):
    done = run("dump", "graph.json", "--frame", "2", "--to", "look", "--viewing-stops", "2.5", "--json")
    assert json.loads(done.stdout)["viewing_stops"] == 2.5
    done = run("dump", "graph.json", "--frame", "2", "--to", "look", "--viewing-stops", "99")
    assert done.exit_code == 2
    assert '--viewing-stops: "99" is above the largest value 30' in done.stderr
