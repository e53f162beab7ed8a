"""``stackcomp check`` of a sequence: every shot, all frames' files, from headers alone."""

from __future__ import annotations

import json

import pytest
from small_sequence import Project, write_plate

from stackcomp.check.rules import RULES


@pytest.fixture
def project(tmp_path) -> Project:
    project = Project(tmp_path, frames=range(1, 11), shots=("wide", "close", "lamp"))
    project.write_graph(frames="1-10")
    return project


def listed(run, project, *words):
    done = run("check", project.file, "--json", *words)
    assert done.stderr == ""
    found = json.loads(done.stdout)
    assert found["exit_code"] == done.exit_code
    assert found["ok"] == (done.exit_code == 0)
    assert {problem["rule"] for problem in found["problems"]} <= set(RULES)
    return found


def test_a_sequence_without_mistakes(run, project):
    done = run("check", project.file)
    assert (done.exit_code, done.stdout) == (0, "no problems in 3 shots, 30 frames\n")
    assert not (project.folder / "out").exists()


def test_as_json(run, project):
    assert listed(run, project) == {
        "sequence": str(project.file), "ok": True, "exit_code": 0, "shots": 3, "frames": 30, "problems": [],
    }  # fmt: skip


def test_a_missing_file_in_each_shot_is_found_at_once(run, project):
    for shot, frame in (("wide", 1), ("close", 5), ("lamp", 10)):
        project.plate(shot, frame).unlink()
    done = run("check", project.file)
    assert done.exit_code == 2
    for shot, frame in (("wide", 1), ("close", 5), ("lamp", 10)):
        assert f'shot "{shot}": 1 of 10 frames has no file plates/{shot}/' in done.stdout
        assert f".exr: {frame}\n" in done.stdout
    assert done.stdout.splitlines()[-1] == "3 errors in 3 shots, 30 frames"
    found = listed(run, project)
    assert [problem["rule"] for problem in found["problems"]] == ["frame-missing"] * 3
    assert [problem["node"] for problem in found["problems"]] == ["plate"] * 3


def test_frames_are_chosen(run, project):
    project.plate("close", 5).unlink()
    assert listed(run, project, "--frames", "1-4")["frames"] == 12
    assert listed(run, project, "--frames", "1-4")["ok"]
    assert not listed(run, project, "--frames", "4-5")["ok"]
    assert run("check", project.file, "--frames", "99").exit_code == 2


def test_handles_are_checked_too(run, project):
    project.write(handles=2, shots={"wide": {"frames": "3-8"}, "close": {"frames": "2-8"}})
    (problem,) = listed(run, project)["problems"]
    assert problem["message"].startswith('shot "close"')
    assert problem["message"].endswith(": 0")


def test_different_mistakes_of_different_shots(run, project):
    write_plate(project.plate("wide", 4), size=(16, 10))
    write_plate(project.plate("close", 4), channels="RG")
    project.plate("lamp", 4).write_bytes(b"not a picture")
    found = listed(run, project)["problems"]
    assert {problem["message"].split('"')[1]: problem["rule"] for problem in found} == {
        "wide": "frame-resolution", "close": "frame-channels", "lamp": "file",
    }  # fmt: skip


def test_warnings_alone_do_not_fail_it(run, project):
    project.write_graph({"aside": {"kind": "exposure", "image": "light", "stops": 1}}, frames="1-10")
    project.write(shots={"wide": {"variables": {"stosp": 1}}})
    done = run("check", project.file)
    assert done.exit_code == 0
    assert 'variable "stosp"' in done.stdout
    assert all(problem["severity"] == "warning" for problem in listed(run, project)["problems"])


def test_a_mistake_that_all_shots_share_in_their_graph_names_the_graph(run, project):
    path = project.write_graph({"brighter.stops": "bright"}, frames="1-10")
    found = listed(run, project)
    assert {problem["place"] for problem in found["problems"]} == {str(path)}
    assert {problem["pointer"] for problem in found["problems"]} == {"/nodes/brighter/stops"}


def test_variables_of_the_command_line_are_for_all_shots(run, project):
    assert listed(run, project, "--set", "stops=2")["ok"]
    assert not listed(run, project, "--set", "stops=bright")["ok"]
    assert not listed(run, project, "--set", "plates=nowhere")["ok"]


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"stackcomp_sequence": 2}, "/stackcomp_sequence"),
        ({"root": "nowhere"}, "/root"),
        ({"shots": {"wide": {"graph": "nowhere.json"}}}, "/shots/wide/graph"),
        ({"shots": {"wide": {"set": {"brighter.stop": 1}}}}, "/shots/wide/set/brighter.stop"),
        ({"shots": {"wide": {"frames": "many"}}}, "/shots/wide/frames"),
        ({"deliveries": {"m": {"kind": "film"}}}, "/deliveries/m/kind"),
        ({"shots": {}}, "/shots"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_mistakes_of_the_file_itself(run, project, fields, pointer):
    project.write(**fields)
    found = listed(run, project)
    assert [(problem["pointer"], problem["place"]) for problem in found["problems"]] == [
        (pointer, str(project.file))
    ]
    assert found["exit_code"] == 2
    assert found["shots"] is None


def test_what_is_no_file_is_reported_and_nothing_else(run, project):
    for text in ("", "{", "[]", '{"stackcomp_sequence": 1', '{"stackcomp_sequence": 1, "shots": []}'):
        project.file.write_text(text)
        done = run("check", project.file)
        assert done.exit_code == 2
        assert done.stdout.count(str(project.file)) == 1
        assert "Traceback" not in done.stdout + done.stderr


def test_a_sequence_that_is_not_json_is_called_a_sequence(run, project):
    text = project.file.read_text()
    project.file.write_text(text[:-1])
    assert "graph" not in run("check", project.file).stdout.replace("graphs/", "")


def test_root_is_no_option_for_a_sequence(run, project):
    done = run("check", project.file, "--root", ".")
    assert done.exit_code == 2
    assert "--root" in done.stdout + done.stderr
