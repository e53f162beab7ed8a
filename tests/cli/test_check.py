"""``stackcomp check``."""

from __future__ import annotations

import json

import stackcomp


def test_a_good_graph(shot, run):
    done = run("check", "graph.json")
    assert done.exit_code == 0
    assert done.stdout == "no problems in 7 nodes, 3 frames\n"
    assert done.stderr == ""


def test_every_problem_is_printed_as_the_library_says_it(shot, run, save_graph):
    save_graph(
        final={"kind": "over", "source": "plate", "backdrop": "shaded"},
        bad={"kind": "read", "path": "nothing.exr"},
        same={"kind": "convert_colour", "image": "plate"},
    )
    expected = stackcomp.load("graph.json").check()
    assert {problem.severity for problem in expected} == {"error", "warning"}
    done = run("check", "graph.json")
    assert done.exit_code == 2
    assert all(str(problem) in done.stdout for problem in expected)
    errors = sum(problem.severity == "error" for problem in expected)
    assert done.stdout.splitlines()[-1].startswith(f"{errors} errors and ")
    assert done.stdout.count("warning: ") == len(expected) - errors


def test_warnings_alone_are_no_failure(shot, run, save_graph):
    save_graph(spare={"kind": "flat", "size": [4, 4]})
    done = run("check", "graph.json")
    assert done.exit_code == 0
    assert done.stdout.startswith('warning: node "spare": ')
    assert done.stdout.endswith("1 warning in 8 nodes, 3 frames\n")


def test_a_document_that_cannot_be_understood_is_an_answer_too(shot, run, save_graph):
    save_graph(final={"kind": "ovr"}, shaded={"kind": "multiply_shadow", "colour": 1})
    done = run("check", "graph.json")
    assert done.exit_code == 2
    assert 'did you mean "over"?' in done.stdout
    assert '"colour"' in done.stdout
    (shot / "broken.json").write_text("{")
    assert run("check", "broken.json").exit_code == 2
    assert run("check", "absent.json").exit_code == 2


def test_json_is_one_object(shot, run, save_graph):
    good = json.loads(run("check", "graph.json", "--json").stdout)
    assert good == {"graph": "graph.json", "ok": True, "exit_code": 0, "nodes": 7, "frames": 3, "problems": []}
    save_graph(final={"kind": "over", "source": "beauty", "backdrop": "nobody"})
    done = run("check", "graph.json", "--json")
    bad = json.loads(done.stdout)
    assert (done.exit_code, bad["ok"], bad["exit_code"]) == (2, False, 2)
    found = next(problem for problem in bad["problems"] if problem["rule"] == "dangling")
    assert (found["node"], found["pointer"]) == ("final", "/nodes/final/backdrop")
    save_graph(final={"kind": "ovr"})
    broken = json.loads(run("check", "graph.json", "--json").stdout)
    assert broken["nodes"] is None
    assert broken["problems"][0]["rule"] == "kind-unknown"


def test_frames_are_those_asked_for(shot, run):
    assert run("check", "graph.json", "--frames", "2").stdout == "no problems in 7 nodes, 1 frame\n"
    beyond = run("check", "graph.json", "--frames", "3-5")
    assert beyond.exit_code == 2
    assert "2 of 3 frames" in beyond.stdout
    backwards = run("check", "graph.json", "--frames", "8-1")
    assert backwards.exit_code == 2
    assert "--frames" in backwards.stderr
    assert "1-8" in backwards.stderr


def test_root_is_where_relative_paths_start(shot, run, tmp_path_factory, monkeypatch):
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    assert run("check", shot / "graph.json").exit_code == 2
    assert run("check", shot / "graph.json", "--root", shot).exit_code == 0
    absent = run("check", shot / "graph.json", "--root", "nowhere")
    assert absent.exit_code == 2
    assert 'no folder "nowhere"' in absent.stderr


def test_a_variable_that_nobody_uses_is_a_warning(shot, run):
    done = run("check", "graph.json", "--set", "gama=1")
    assert done.exit_code == 0
    assert "gama" in done.stdout
    assert 'did you mean "gamma"?' in done.stdout


def test_a_file_of_variables_may_serve_other_graphs_too(shot, run):
    (shot / "shot.json").write_text('{"gamma": 1.5, "lamp": 3, "out": "${base}/x", "base": "deep"}')
    done = run("check", "graph.json", "--variables", "shot.json", "--set", "base=other")
    assert done.stdout == "no problems in 7 nodes, 3 frames\n"


def test_it_is_said_that_nothing_is_delivered(shot, run, save_graph):
    save_graph(out=None)
    done = run("check", "graph.json")
    assert done.exit_code == 0
    assert "warning: nothing is delivered: the graph has no deliver node" in done.stdout
    assert done.stdout.endswith("1 warning in 6 nodes, 3 frames\n")


def test_a_graph_is_no_file_of_variables(shot, run):
    done = run("check", "graph.json", "--variables", "graph.json")
    assert done.exit_code == 2
    assert "--variables: the file is a graph" in done.stdout + done.stderr
    missing = run("check", "graph.json", "--variables", "shot.json")
    assert "the file of variables cannot be read: no such file" in missing.stdout + missing.stderr
    assert '"graph.json"' not in missing.stdout + missing.stderr
