"""Sequence files: what may stand in them, what their paths mean, and that every mistake is a finding."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_sequence import SEQUENCE, Project

from stackcomp import DocumentError, GraphError, Problem, RequestError, StackcompError
from stackcomp.document.sequence import Sequence, is_sequence

MOVIE = {"kind": "movie", "shows": "png", "path": "out/${shot_name}.mov"}
TOO_LONG = "x" * 5000


@pytest.fixture
def project(tmp_path) -> Project:
    return Project(tmp_path, frames=())


def findings(project: Project, **fields: Any) -> list[Problem]:
    """What is wrong with a sequence file; each finding says where, and what to do."""
    with pytest.raises(DocumentError) as raised:
        Sequence.open(project.write(**fields))
    for problem in raised.value.problems:
        assert problem.rule
        assert problem.place
        assert problem.pointer.startswith("/")
        assert problem.way_out
        assert not any(word in str(problem) for word in ("Input should", "Value error", "PosixPath", "None"))
    return raised.value.problems


def of_shot(**fields: Any) -> dict[str, Any]:
    return {"shots": {"wide": fields}}


@pytest.mark.parametrize(
    ("fields", "rule", "pointer"),
    [
        ({"stackcomp_sequence": 2}, "version", "/stackcomp_sequence"),
        ({"stackcomp_sequence": "1"}, "version", "/stackcomp_sequence"),
        ({"stackcomp_sequence": None}, "version", "/stackcomp_sequence"),
        ({"stackcomp_sequence": 1.5}, "version", "/stackcomp_sequence"),
        ({"root": 5}, "type", "/root"),
        ({"root": "nowhere"}, "root", "/root"),
        ({"root": "graphs/comp.json"}, "root", "/root"),
        ({"graph": None}, "type", "/graph"),
        ({"graph": "nowhere.json"}, "graph-missing", "/graph"),
        ({"graph": "graphs"}, "graph-missing", "/graph"),
        ({"variables": 5}, "type", "/variables"),
        ({"variables": "nowhere.json"}, "file", "/variables"),
        ({"variables": ""}, "file", "/variables"),
        ({"handles": -1}, "value", "/handles"),
        ({"handles": 1.5}, "type", "/handles"),
        ({"handles": True}, "type", "/handles"),
        ({"handles": 10**30}, "value", "/handles"),
        ({"set": []}, "type", "/set"),
        ({"cut": 5}, "type", "/cut"),
        ({"cut": {}}, "field-missing", "/cut/file"),
        ({"shots": []}, "type", "/shots"),
        ({"shots": None}, "type", "/shots"),
        ({"shots": {"wide": 5}}, "type", "/shots/wide"),
        ({"shots": {"a/b~c": {}}}, "shot-name", "/shots/a~1b~0c"),
        ({"nodes": {}}, "field-unknown", "/nodes"),
        ({"schema_address": ""}, "field-unknown", "/schema_address"),
        (of_shot(frames=1001), "type", "/shots/wide/frames"),
        (of_shot(frames="eight"), "value", "/shots/wide/frames"),
        (of_shot(frames="8-1"), "value", "/shots/wide/frames"),
        (of_shot(handles="8"), "type", "/shots/wide/handles"),
        (of_shot(graph="nowhere.json"), "graph-missing", "/shots/wide/graph"),
        (of_shot(variables=[{"a": 1}, 5]), "type", "/shots/wide/variables/1"),
        (of_shot(variables="nowhere.json"), "file", "/shots/wide/variables"),
        (of_shot(set=None), "type", "/shots/wide/set"),
        (of_shot(frame="1-3"), "field-unknown", "/shots/wide/frame"),
        ({"deliveries": []}, "type", "/deliveries"),
        ({"deliveries": {"m": []}}, "type", "/deliveries/m"),
        ({"deliveries": {"m": {"shows": "png", "path": "m.mov"}}}, "kind-unknown", "/deliveries/m/kind"),
        ({"deliveries": {"m": {**MOVIE, "kind": ["movie"]}}}, "kind-unknown", "/deliveries/m/kind"),
        ({"deliveries": {"m": {"kind": "movie", "path": "m.mov"}}}, "field-missing", "/deliveries/m/shows"),
        ({"deliveries": {"m": {**MOVIE, "quality": 0}}}, "value", "/deliveries/m/quality"),
        ({"deliveries": {"m": {**MOVIE, "path": "m.{frame:04d}.mov"}}}, "value", "/deliveries/m/path"),
        ({"deliveries": {"m": {**MOVIE, "burn_in": ["clock"]}}}, "choice", "/deliveries/m/burn_in/0"),
        ({"deliveries": {"m": {**MOVIE, "frame_rate": 0}}}, "value", "/deliveries/m/frame_rate"),
    ],
    ids=lambda value: json.dumps(value)[:50] if isinstance(value, dict) else "",
)
def test_each_mistake_is_a_finding_at_its_place(project, fields, rule, pointer):
    found = findings(project, **fields)
    assert [(problem.rule, problem.pointer) for problem in found] == [(rule, pointer)]
    assert found[0].place == str(project.file)


@pytest.mark.parametrize("path", [TOO_LONG, "a\0b"], ids=["too long", "with NUL"])
@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        (lambda path: {"root": path}, "/root"),
        (lambda path: {"graph": path}, "/graph"),
        (lambda path: {"variables": path}, "/variables"),
        (lambda path: of_shot(graph=path), "/shots/wide/graph"),
        (lambda path: of_shot(variables=[path]), "/shots/wide/variables"),
    ],
    ids=["root", "graph", "variables", "shot's graph", "shot's variables"],
)
def test_a_path_that_no_file_can_have_is_a_finding(project, fields, pointer, path):
    assert {problem.pointer for problem in findings(project, **fields(path))} == {pointer}


def test_all_mistakes_are_found_at_once(project):
    found = findings(
        project, handles=-1, shots={"wide": {"frames": "x"}, " ": {}, "close": {"nothing": 1}}, deliveries=5
    )
    assert {problem.pointer for problem in found} == {
        "/handles", "/shots/wide/frames", "/shots/ ", "/shots/close/nothing", "/deliveries",
    }  # fmt: skip


def test_a_missing_graph_of_all_shots_is_reported_once(project):
    found = findings(project, graph="nowhere.json", shots={"wide": {}, "close": {}, "lamp": {"graph": "no.json"}})
    assert [problem.pointer for problem in found] == ["/graph", "/shots/lamp/graph"]


def test_no_graph_at_all_is_reported_at_each_shot(project):
    found = findings(project, graph="", shots={"wide": {}, "close": {}})
    assert [problem.rule for problem in found] == ["graph-missing"] * 2
    assert [problem.pointer for problem in found] == ["/shots/wide/graph", "/shots/close/graph"]


@pytest.mark.parametrize(
    "data",
    [
        b"", b"{", b"[]", b"null", b'{"stackcomp_sequence": 1,}', b'{"stackcomp_sequence": 1, "shots": NaN}',
        b'{"stackcomp_sequence": 1, "shots": {"a": {}, "a": {}}}', b"\xff\xfe{}", b"\x89PNG\r\n\x1a\n....",
        b'{"shots": ' + b"[" * 5000, b'{"handles": 1e999}', b'{"about": "\\ud800"}', b"// a comment\n{}",
    ],
    ids=lambda data: repr(data[:20]),
)  # fmt: skip
def test_what_is_not_json_is_a_finding(project, data):
    project.file.write_bytes(data)
    with pytest.raises(DocumentError) as raised:
        Sequence.open(project.file)
    for problem in raised.value.problems:
        assert problem.rule in ("json", "json-repeated-key")
        assert problem.place == str(project.file)
        assert problem.way_out


def test_a_missing_file_and_a_folder_are_findings(project):
    for path in (project.folder / "other.json", project.folder):
        with pytest.raises(DocumentError, match="cannot be read"):
            Sequence.open(path)


def test_a_graph_is_no_sequence(project):
    with pytest.raises(DocumentError) as raised:
        Sequence.open(project.write_graph())
    assert "version" in {problem.rule for problem in raised.value.problems}
    assert not is_sequence({"stackcomp": 1, "nodes": {}})


def test_a_version_of_the_future_says_that_the_program_is_old(project):
    (problem,) = findings(project, stackcomp_sequence=2)
    assert "version 2" in problem.message
    assert "update" in problem.way_out


def test_a_byte_order_mark_does_no_harm(project):
    project.file.write_bytes(b"\xef\xbb\xbf" + project.file.read_bytes())
    assert list(Sequence.open(project.file).shots) == ["wide", "close"]


PLACES = [
    "root",
    "graph",
    "variables",
    "handles",
    "set",
    "shots",
    "deliveries",
    "about",
    "stackcomp_sequence",
    "?",
]
ANY_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
FIELDS = st.dictionaries(st.sampled_from(["graph", "frames", "handles", "variables", "set", "about"]), ANY_JSON)


@pytest.mark.slow
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(st.sampled_from(PLACES), ANY_JSON, max_size=3),
    st.dictionaries(st.text(max_size=4), FIELDS | ANY_JSON, max_size=2),
    st.dictionaries(
        st.text(max_size=3),
        st.dictionaries(
            st.sampled_from(["kind", "shows", "path", "quality", "each"]), ANY_JSON | st.just("movie")
        ),
        max_size=2,
    ),
)
def test_no_json_makes_anything_but_findings(project, fields, shots, deliveries):
    raw = {**SEQUENCE, "shots": shots, "deliveries": deliveries, **fields}
    try:
        sequence = Sequence.from_json(json.dumps(raw), str(project.file))
    except DocumentError as error:
        assert all(problem.rule and problem.place for problem in error.problems)  # noqa: PT017
    else:
        assert list(sequence.shots) == list(raw["shots"])


# -- names ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["a b", "a.b", "v1.2", "é", "e\u0301", "灯台", "-x", "~", "a~1", "+(1)", "n" * 200]
)
def test_names_of_shots(project, name):
    sequence = Sequence.open(project.write(shots={name: {}}))
    assert sequence.shot(name).variables["shot_name"] == name
    (project.folder / "out" / name).mkdir(parents=True)


@pytest.mark.parametrize(
    "name",
    ["", " ", ".", "..", "a/b", "a\\b", " a", "a ", "a\n", "a\tb", "a\0", "a\u00a0b", "n" * 201, "C:", "a*", "a?",
     "<a>", "a|b", 'a"b', "{a}", "${a}", "a%04d", "\u202ea"],
)  # fmt: skip
def test_names_that_no_shot_can_have(project, name):
    (problem,) = findings(project, shots={name: {}, "wide": {}})
    assert problem.rule == "shot-name"


def test_a_name_is_short_enough_for_a_folder_in_any_script(project):
    # 255 bytes in UTF-8 are the limit of ext4, XFS, APFS and most others; a value from memory.
    (problem,) = findings(project, shots={"灯" * 100: {}})
    assert problem.rule == "shot-name"


def test_shots_keep_their_order(project):
    names = ["z", "b", "10", "2", "a"]
    assert list(Sequence.open(project.write(shots={name: {} for name in names})).shots) == names


def test_an_unknown_shot_is_a_mistake_of_the_request(project):
    with pytest.raises(RequestError, match='no shot "wid"') as raised:
        Sequence.open(project.file).shot("wid")
    assert 'did you mean "wide"' in str(raised.value)


# -- paths ---------------------------------------------------------------------------------------------------


def outputs(file: str | os.PathLike[str]) -> list[str]:
    """Where the files of a sequence go, as the file system has it."""
    from stackcomp.batch.work import open_shot

    works = [open_shot(shot) for shot in Sequence.open(file).shots.values()]
    return [os.path.realpath(path) for work in works for path in work.outputs(1)]


def test_paths_start_at_the_folder_of_the_file_wherever_it_is_opened_from(project, monkeypatch):
    there = outputs(project.file)
    assert there[0] == str(project.folder.resolve() / "out" / "wide" / "comp.0001.exr")
    for folder, file in (("/", project.file), (project.folder, "lantern.json"), (project.folder / "graphs", None)):
        monkeypatch.chdir(folder)
        assert outputs(file or Path("..") / "lantern.json") == there


def test_root_starts_at_the_folder_of_the_file(project, monkeypatch):
    (project.folder / "sequences").mkdir()
    file = project.folder / "sequences" / "lantern.json"
    shutil.move(project.write(root=".."), file)
    there = outputs(file)
    assert there[0] == str(project.folder.resolve() / "out" / "wide" / "comp.0001.exr")
    monkeypatch.chdir(file.parent)
    assert outputs("lantern.json") == there


def test_root_may_be_absolute(project, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "lantern.json"
    shutil.move(project.write(root=str(project.folder)), elsewhere)
    assert outputs(elsewhere)[0] == str(project.folder.resolve() / "out" / "wide" / "comp.0001.exr")


def test_root_may_be_a_link(project, tmp_path_factory):
    other = tmp_path_factory.mktemp("disk")
    shutil.move(project.folder / "graphs", other)
    (project.folder / "disk").symlink_to(other)
    assert outputs(project.write(root="disk"))[0] == str(other.resolve() / "out" / "wide" / "comp.0001.exr")


def test_the_folder_above_a_link_is_that_above_its_target(project, tmp_path_factory):
    # POSIX path resolution (IEEE Std 1003.1, 4.13): a link is followed before ".." is.
    other = tmp_path_factory.mktemp("disk")
    (other / "inner").mkdir()
    shutil.move(project.folder / "graphs", other)
    (project.folder / "link").symlink_to(other / "inner")
    assert outputs(project.write(root="link/.."))[0] == str(other.resolve() / "out" / "wide" / "comp.0001.exr")


# -- variables of the sequence -------------------------------------------------------------------------------


def test_variables_are_an_object_or_files_or_both_and_later_ones_win(project):
    (project.folder / "a.json").write_text('{"stops": 1, "out": "from-a", "found": {"by": "match"}}')
    (project.folder / "b.json").write_text('{"stops": 2}')
    for written, stops in (
        ({"stops": 3}, 3),
        ("a.json", 1),
        (["a.json", "b.json"], 2),
        (["b.json", "a.json"], 1),
        ([{"stops": 3}, "a.json"], 1),
        (["a.json", {"stops": 3}], 3),
    ):
        for fields in ({"variables": written}, of_shot(variables=written)):
            assert Sequence.open(project.write(**fields)).shot("wide").variables["stops"] == stops


def test_a_file_of_variables_that_is_broken_is_blamed_itself(project):
    broken = project.folder / "a.json"
    broken.write_text('{"stops": 1')
    with pytest.raises(DocumentError) as raised:
        Sequence.open(project.write(variables="a.json"))
    assert [problem.place for problem in raised.value.problems] == [str(broken)]


def test_the_shot_name_is_that_of_the_shot(project):
    assert Sequence.open(project.file).shot("wide").variables["shot_name"] == "wide"
    found = findings(project, variables={"shot_name": "x"}, **of_shot(variables={"shot_name": "y"}))
    assert {problem.pointer for problem in found} == {"/variables", "/shots/wide/variables"}


# -- built and saved -----------------------------------------------------------------------------------------


def test_what_is_saved_is_what_was_written(project):
    fields = {
        "about": "é “x”", "handles": 8, "variables": {"a": [1, 2.5, None, True]}, "deliveries": {"m": MOVIE},
        "shots": {"wide": {"frames": "1001-1008,1010", "set": {"brighter.stops": None}}, "灯": {}},
    }  # fmt: skip
    sequence = Sequence.open(project.write(**fields))
    assert json.loads(sequence.to_json()) == {**SEQUENCE, **fields}
    sequence.save()
    assert json.loads(project.file.read_text("utf-8")) == {**SEQUENCE, **fields}
    assert Sequence.open(project.file).to_json() == sequence.to_json()


def test_a_sequence_is_built_in_python(project):
    sequence = Sequence.new(graph="graphs/comp.json", place=str(project.folder / "new.json"))
    sequence.add_shot("wide", frames="1001-1008", handles=8, set={"brighter.stops": 1})
    sequence.save()
    again = Sequence.open(project.folder / "new.json")
    assert again.shot("wide").frames == tuple(range(1001, 1009))
    assert again.shot("wide").handles == 8


@pytest.mark.parametrize("fields", [{"frames": "x"}, {"nothing": 1}, {"graph": "nowhere.json"}])
def test_a_shot_that_does_not_fit_is_not_added(project, fields):
    sequence = Sequence.open(project.file)
    before = sequence.to_json()
    with pytest.raises(DocumentError):
        sequence.add_shot("lamp", **fields)
    with pytest.raises(DocumentError, match="already"):
        sequence.add_shot("wide")
    assert sequence.to_json() == before
    assert list(sequence.shots) == ["wide", "close"]


@pytest.mark.parametrize("there", [b"another text", b"\xff\xfe", "folder", "link"], ids=str)
def test_nothing_else_is_saved_over(project, there):
    target = project.folder / "there.json"
    if there == "folder":
        target.mkdir()
    elif there == "link":
        target.symlink_to(project.folder / "gone.json")
    else:
        target.write_bytes(there)
    with pytest.raises(StackcompError):
        Sequence.open(project.file).save(target)
    if isinstance(there, bytes):
        assert target.read_bytes() == there
        with pytest.raises(GraphError):
            Sequence.open(project.file).save(target)
        Sequence.open(project.file).save(target, replace=True)
        assert is_sequence(json.loads(target.read_text("utf-8")))
