"""Shots: changed parameters, variables in their order, frames and handles."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_sequence import Project

from stackcomp import DocumentError, Problem, RequestError
from stackcomp.batch.work import Work
from stackcomp.document.shot import Shot


@pytest.fixture
def project(tmp_path) -> Project:
    return Project(tmp_path, frames=(), shots=("wide",))


def opened(project: Project, *sets: str, **fields: Any) -> Work:
    """The only shot of a sequence."""
    project.write(shots={"wide": fields})
    (work,) = project.open(*sets).works
    return work


def node(work: Work, name: str) -> Any:
    return work.composition.document.nodes[name]


def findings(project: Project, **fields: Any) -> list[Problem]:
    with pytest.raises(DocumentError) as raised:
        opened(project, **fields)
    for problem in raised.value.problems:
        assert problem.rule
        assert problem.place
        assert problem.way_out
        assert 'shot "wide"' in problem.message
    return raised.value.problems


# -- parameters ----------------------------------------------------------------------------------------------


def test_a_changed_parameter_is_in_the_graph_of_the_shot_alone(project):
    project.write(shots={"wide": {"set": {"brighter.stops": 2}}, "close": {}})
    wide, close = project.open().works
    assert (node(wide, "brighter").stops, node(close, "brighter").stops) == (2, 0.5)


def test_a_parameter_of_the_shot_goes_before_that_of_the_sequence(project):
    project.write(
        set={"brighter.stops": 2, "brighter.amount": 0.5}, shots={"wide": {"set": {"brighter.stops": 3}}}
    )
    (wide,) = project.open().works
    assert (node(wide, "brighter").stops, node(wide, "brighter").amount) == (3, 0.5)


def test_null_brings_back_the_default(project):
    project.write_graph({"brighter.amount": 0.5})
    assert node(opened(project), "brighter").amount == 0.5
    assert node(opened(project, set={"brighter.amount": None}), "brighter").amount == 1


def test_null_at_the_shot_takes_back_what_the_sequence_sets(project):
    project.write(set={"brighter.amount": 0.5}, shots={"wide": {"set": {"brighter.amount": None}}})
    (wide,) = project.open().works
    assert node(wide, "brighter").amount == 1


def test_a_parameter_may_be_keyed_and_may_hold_variables(project):
    keyed = node(opened(project, set={"brighter.stops": {"keys": [[1, 0], [3, 2]]}}), "brighter")
    assert [keyed.at(frame).stops for frame in (1, 2, 3)] == [0, 1, 2]
    assert node(opened(project, set={"brighter.amount": "${stops}"}), "brighter").amount == 0.5


def test_an_input_may_be_changed(project):
    project.write_graph({"darker": {"kind": "exposure", "image": "light", "stops": -1}})
    assert node(opened(project, set={"png.image": "darker"}), "png").image == "darker"


def test_names_of_nodes_may_hold_dots(project):
    project.write_graph({"a.b.c": {"kind": "exposure", "image": "light", "stops": 1}})
    assert node(opened(project, set={"a.b.c.stops": 2}), "a.b.c").stops == 2


@pytest.mark.parametrize(
    ("key", "value", "rule"),
    [
        ("stops", 1, "set-parameter"),
        ("", 1, "set-parameter"),
        (".", 1, "set-parameter"),
        (".stops", 1, "set-parameter"),
        ("brighter.", 1, "set-parameter"),
        ("brighter.kind", "flat", "set-parameter"),
        ("brihter.stops", 1, "node-unknown"),
        ("light.channels.R", "R", "node-unknown"),
        ("brighter.stop", 1, "field-unknown"),
        ("brighter.\0", 1, "field-unknown"),
        ("brighter.stops", "bright", "value"),
        ("brighter.stops", 1000, "value"),
        ("brighter.stops", [1, 2], "value"),
        ("png.path", 5, "type"),
        ("a/b.~", 5, "node-unknown"),
    ],
)
def test_a_wrong_parameter_is_a_finding_in_the_sequence(project, key, value, rule):
    (problem,) = findings(project, set={key: value})
    assert problem.rule == rule
    assert problem.place == str(project.file)
    assert problem.pointer == "/shots/wide/set/" + key.replace("~", "~0").replace("/", "~1")


def test_all_wrong_parameters_are_found_at_once(project):
    found = findings(project, set={"brighter.stop": 1, "brihter.stops": 1, "stops": 1, "brighter.stops": 1})
    assert [problem.rule for problem in found] == ["field-unknown", "node-unknown", "set-parameter"]


@pytest.mark.parametrize("field", ["node", "self", "kind_", "as_", "fields"])
def test_names_that_only_python_knows_are_no_fields(project, field):
    (problem,) = findings(project, set={f"light.{field}": "matte"})
    assert problem.rule in ("field-unknown", "set-parameter")


def test_null_for_a_field_that_there_is_not_is_a_finding(project):
    (problem,) = findings(project, set={"brighter.stop": None})
    assert problem.rule == "field-unknown"
    assert 'did you mean "stops"' in problem.way_out


@pytest.mark.parametrize("reverse", [False, True])
def test_parameters_that_fit_only_together_are_changed_together(project, reverse):
    # A flat has either "size" or "like".
    project.write_graph({"grey": {"kind": "flat", "size": [32, 18]}})
    changes = {"grey.size": None, "grey.like": "plate"}
    flat = node(opened(project, set=dict(reversed(changes.items())) if reverse else changes), "grey")
    assert (flat.size, flat.like) == (None, "plate")


def test_a_wrong_parameter_of_the_sequence_is_reported_there_once(project):
    project.write(set={"brihter.stops": 1}, shots={"wide": {}, "close": {}})
    with pytest.raises(DocumentError) as raised:
        project.open()
    assert [problem.pointer for problem in raised.value.problems] == ["/set/brihter.stops"]


def test_a_graph_that_is_wrong_is_blamed_itself(project):
    path = project.write_graph({"brighter.stops": "bright"})
    (problem,) = findings(project)
    assert (problem.place, problem.pointer) == (str(path), "/nodes/brighter/stops")


def test_a_graph_whose_nodes_are_a_list_is_a_finding_also_where_a_shot_changes_them(project):
    path = project.folder / "graphs" / "comp.json"
    path.write_text(json.dumps({"stackcomp": 1, "nodes": []}))
    (problem,) = findings(project, set={"brighter.stops": 1})
    assert problem.rule == "nodes"


# -- variables -----------------------------------------------------------------------------------------------


def test_variables_win_in_this_order_graph_sequence_shot_command_line(project, tmp_path):
    def stops(*sets: str, given=(), **fields: Any) -> float:
        project.write(**{"shots": {"wide": {}}, **fields})
        (work,) = project.open(*sets, variables=given).works
        return node(work, "brighter").stops

    for number, name in enumerate(("sequence", "shot", "given")):
        (tmp_path / f"{name}.json").write_text(json.dumps({"stops": 10 + number, "unused": 1}))
    of_sequence = {"variables": {"stops": 2}}
    of_shot = {"shots": {"wide": {"variables": {"stops": 3}}}}
    file_of_shot = {"shots": {"wide": {"variables": "shot.json"}}}
    given_file = [tmp_path / "given.json"]
    assert stops() == 0.5
    assert stops(**of_sequence) == 2
    assert stops(variables="sequence.json") == 10
    assert stops(**of_sequence, **of_shot) == 3
    assert stops(**of_sequence, **file_of_shot) == 11
    assert stops(given=given_file, **of_shot) == 12
    assert stops("stops=4", given=given_file, **of_sequence, **of_shot) == 4


def test_a_variable_may_use_another_and_the_name_of_the_shot(project):
    work = opened(project, variables={"out": "${base}/${shot_name}", "base": "there"})
    assert work.outputs(1)[0] == project.folder / "there" / "wide" / "comp.0001.exr"


def test_a_variable_without_a_value_is_a_finding(project):
    (problem,) = findings(project, set={"brighter.stops": "${nothing}"})
    assert problem.rule == "variable-unknown"


def test_an_unused_variable_of_the_shot_is_doubtful_and_those_of_files_are_not(project):
    (project.folder / "found.json").write_text('{"found": {"black": 0}, "black": 0}')
    assert opened(project, variables="found.json").composition.unused_variables == ()
    (problem,) = opened(project, variables=["found.json", {"stosp": 1}]).composition.unused_variables
    assert problem.rule == "variable-unused"
    assert '"stosp"' in problem.message
    assert 'did you mean "stops"' in problem.way_out


def warnings(project: Project, *sets: str) -> list[str]:
    from stackcomp.batch.checking import check_everything
    from stackcomp.batch.run import Options

    batch = project.open(*sets)
    found = [*batch.warnings, *check_everything(batch.chosen(Options()), replace_foreign=False)]
    return [problem.message for problem in found if problem.rule == "variable-unused"]


def test_a_variable_of_the_command_line_that_no_shot_uses_is_doubtful(project):
    assert warnings(project) == []
    assert any("stosp" in message for message in warnings(project, "stosp=1"))


def test_a_variable_of_the_sequence_that_no_shot_uses_is_doubtful(project):
    other = {"brighter.stops": "${level}"}
    project.write_graph(other, name="other.json", variables={"plates": "x", "out": "out/b", "level": 1})
    shots = {"wide": {}, "close": {"graph": "graphs/other.json"}}
    project.write(variables={"level": 2}, shots=shots)
    assert warnings(project) == []
    project.write(variables={"levle": 2}, shots=shots)
    assert any("levle" in message for message in warnings(project))


# -- frames --------------------------------------------------------------------------------------------------


def test_frames_are_those_of_the_shot_or_of_its_graph(project):
    assert opened(project).frames == (1, 2, 3)
    assert opened(project, frames="5,2,7-9").frames == (2, 5, 7, 8, 9)
    assert opened(project, frames="-2-1").frames == (-2, -1, 0, 1)


def test_handles_are_at_either_end(project):
    assert opened(project, handles=2).frames == (-1, 0, 1, 2, 3, 4, 5)
    assert opened(project, handles=1, frames="1001-1005x2").frames == (1000, 1001, 1003, 1005, 1006)
    assert opened(project, handles=0, frames="7").frames == (7,)


def test_handles_of_the_shot_go_before_those_of_the_sequence(project):
    project.write(handles=3, shots={"a": {"handles": 0}, "b": {"handles": 1}, "c": {}})
    assert [len(work.frames) for work in project.open().works] == [3, 5, 9]


@given(st.lists(st.integers(-1000, 1000), max_size=10), st.integers(0, 20))
def test_frames_with_handles_are_in_order_each_once(frames, handles):
    found = Shot("a", graph=None, root=None, frames=None, variables={}, handles=handles).with_handles(frames)  # type: ignore[arg-type]
    assert list(found) == sorted(set(found))
    assert set(frames) <= set(found)
    assert len(found) == (len(set(frames)) + 2 * handles if frames else 0)


def test_frames_that_no_shot_has_are_a_mistake_of_the_request(project):
    from stackcomp.batch.run import Options

    project.write(shots={"wide": {"frames": "1-3"}, "close": {"frames": "3-5"}})
    batch = project.open()
    chosen = batch.chosen(Options(frames=(3, 5)))
    assert [(work.name, frames) for work, frames in chosen] == [("wide", (3,)), ("close", (3, 5))]
    assert [work.name for work, _ in batch.chosen(Options(frames=(1,)))] == ["wide"]
    with pytest.raises(RequestError, match="no shot has frames 6-7"):
        batch.chosen(Options(frames=(5, 6, 7)))
    with pytest.raises(RequestError, match="no shot has frame 5"):
        batch.chosen(Options(shots=("wide",), frames=(5,)))
    with pytest.raises(RequestError, match='no shot "wid"'):
        batch.chosen(Options(shots=("wid",)))
