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


def test_several_frames_have_a_folder_each(shot, run):
    done = run("dump", "graph.json", "--frames", "2-3", "--to", "look", "--node", "final")
    assert done.exit_code == 0, done.stderr
    assert done.stdout.startswith("1 node at 2 frames in look, ")
    assert sorted(path.name for path in (shot / "look").iterdir()) == ["0002", "0003"]
    frames = [json.loads((shot / f"look/{frame}/nodes.json").read_text())["frame"] for frame in ("0002", "0003")]
    assert frames == [2, 3]
    told = json.loads(run("dump", "graph.json", "--frames", "2-3", "--to", "look", "--json").stdout)
    assert [one["frame"] for one in told["frames"]] == [2, 3]
    assert told["ok"] is True


def test_a_frame_that_fails_leaves_the_others_whole(shot, run):
    whole = (shot / "cg.0002.exr").read_bytes()
    (shot / "cg.0002.exr").write_bytes(whole[:-20] + bytes(20))
    done = run("dump", "graph.json", "--frames", "1-3", "--to", "look")
    assert done.exit_code == 1
    assert 'node "cg" at frame 2 failed: ' in done.stderr
    states = [json.loads((shot / f"look/000{k}/nodes.json").read_text())["complete"] for k in (1, 2, 3)]
    assert states == [True, False, True]


def test_nothing_is_written_where_a_file_of_a_later_frame_must_stay(shot, run):
    (shot / "look/0003").mkdir(parents=True)
    (shot / "look/0003/final.exr").write_bytes(b"somebody's picture")
    done = run("dump", "graph.json", "--frames", "2-3", "--to", "look")
    assert done.exit_code == 2
    assert "0003/final.exr" in done.stderr
    assert not (shot / "look/0002").exists()
