"""The ledger on disk, looked at with Python's own sqlite3 as well."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import shutil
import sqlite3
from pathlib import Path

import pytest
import xxhash
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_sequence import Project

from stackcomp import FileError
from stackcomp.batch.ledger import Ledger, ledger_path
from stackcomp.batch.record import FileRecord, FrameRecord, Reason
from stackcomp.version import __version__

super_user = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the super-user may write everywhere"
)


def ask(path: Path, question: str) -> list[tuple]:
    with contextlib.closing(sqlite3.connect(path)) as database:
        return database.execute(question).fetchall()


def change(path: Path, statement: str, *values: object) -> None:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute(statement, values)


@pytest.fixture
def project(tmp_path) -> Project:
    """A sequence that is rendered."""
    project = Project(tmp_path / "project")
    assert not project.run().failed
    return project


@pytest.fixture
def file(project) -> Path:
    return project.folder / "out" / "lantern.ledger.sqlite"


def hashed(path: Path) -> str:
    return xxhash.xxh3_128(path.read_bytes()).hexdigest()


# -- what is in it -------------------------------------------------------------------------------------------


def test_it_is_one_whole_file_beside_the_output_in_wal_mode(project, file):
    assert project.open().ledger_path == file
    assert ask(file, "PRAGMA integrity_check") == [("ok",)]
    # https://www.sqlite.org/fileformat.html, 1.3.3: both version numbers of the file format are 2 for WAL.
    assert file.read_bytes()[:16] == b"SQLite format 3\0"
    assert file.read_bytes()[18:20] == b"\2\2"
    assert ask(file, "PRAGMA journal_mode") == [("wal",)]
    assert not list(file.parent.glob("*.sqlite-*"))


def test_each_frame_has_everything_that_was_promised(project, file):
    columns = (
        "shot, frame, done, program, graph, inputs, files, seconds, peak_memory, warnings, reason, host, finished"
    )
    rows = ask(file, f"SELECT {columns} FROM frames ORDER BY shot DESC, frame")
    assert [row[:2] for row in rows] == [(shot, frame) for shot in ("wide", "close") for frame in (1, 2, 3)]
    for row in rows:
        shot, frame, done, program, graph, inputs, files, seconds, memory, warnings, reason, host, finished = row
        assert (done, program, warnings, reason) == (1, __version__, "[]", "")
        assert len(graph) == 32
        plate = project.plate(shot, frame)
        ((path, size, modified, hash),) = json.loads(inputs)
        assert (Path(path).name, size, hash) == (plate.name, plate.stat().st_size, hashed(plate))
        assert modified == plate.stat().st_mtime_ns
        outputs = {project.output(shot, frame, ending) for ending in ("exr", "png")}
        assert {(name, hash) for name, _, _, hash in json.loads(files)} == {
            (path.relative_to(file.parent).as_posix(), hashed(path)) for path in outputs
        }
        assert 0 < seconds < 60
        assert 10e6 < memory < 100e9
        assert host
        age = datetime.datetime.now(datetime.UTC) - datetime.datetime.fromisoformat(finished)
        assert datetime.timedelta(seconds=-1) <= age < datetime.timedelta(hours=1)


def test_the_hash_of_the_graph_is_that_in_the_header(project, file):
    OpenImageIO = pytest.importorskip("OpenImageIO")
    spec = OpenImageIO.ImageBuf(str(project.output("wide", 2))).spec()
    ((graph,),) = ask(file, "SELECT graph FROM frames WHERE shot = 'wide' AND frame = 2")
    assert spec.getattribute("stackcomp/graph") == graph


NAMES = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0/"), min_size=1, max_size=8)
FOLDERS = NAMES.filter(lambda name: name not in (".", ".."))
FILES = st.builds(
    FileRecord, FOLDERS.map(lambda name: f"/disk/{name}/x.exr"), st.integers(0, 2**40), st.integers(0, 2**62),
    st.from_regex("[0-9a-f]{32}", fullmatch=True),
)  # fmt: skip
RECORDS = st.builds(
    FrameRecord, NAMES, st.integers(-(10**6), 10**6), st.lists(FILES, max_size=3).map(tuple),
    st.lists(FILES, max_size=3).map(tuple), st.floats(0, 1e6), st.integers(0, 2**40),
    st.lists(st.tuples(NAMES, NAMES), max_size=3).map(tuple), st.none() | st.builds(Reason, NAMES),
)  # fmt: skip


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(RECORDS, st.dictionaries(NAMES, NAMES))
def test_what_is_recorded_is_read_back(tmp_path, record, nodes):
    outputs = [tmp_path / "out" / f"{record.shot}.exr", tmp_path / "x.png"]
    with Ledger(tmp_path / "a.sqlite") as ledger:
        ledger.record(outputs, nodes, "0" * 32, record)
    with Ledger(tmp_path / "a.sqlite", read_only=True) as ledger:
        entry = ledger.entries()[ledger.key(list(reversed(outputs)))]
    assert entry.done == (record.reason is None)
    assert entry.reason == ("" if record.reason is None else record.reason.message)
    assert dict(entry.nodes) == nodes
    for name in ("inputs", "seconds", "peak_memory", "warnings"):
        assert getattr(entry, name) == getattr(record, name)
    assert [(os.path.normpath(f.path), f.hash) for f in entry.files] == [
        (os.path.normpath(f.path), f.hash) for f in record.files
    ]


def test_a_later_record_of_the_same_files_takes_the_place_of_the_first(tmp_path):
    with Ledger(tmp_path / "a.sqlite") as ledger:
        for shot in ("wide", "close"):
            ledger.record([tmp_path / "x.exr"], {"": shot}, "", FrameRecord(shot, 1))
        (entry,) = ledger.entries().values()
    assert entry.nodes == {"": "close"}


def test_it_can_be_read_while_a_batch_writes_it(tmp_path):
    path = tmp_path / "a.sqlite"
    with Ledger(path) as writer:
        writer.record([tmp_path / "1.exr"], {}, "", FrameRecord("wide", 1))
        with Ledger(path, read_only=True) as reader:
            writer._database.execute("BEGIN IMMEDIATE")
            writer.record([tmp_path / "2.exr"], {}, "", FrameRecord("wide", 2))
            assert len(reader.entries()) == 1
            writer._database.execute("COMMIT")
            assert len(reader.entries()) == 2


@pytest.mark.parametrize("read_only", [True, False])
def test_nothing_is_lost_where_the_process_ends_without_closing(tmp_path, read_only):
    ledger = Ledger(tmp_path / "a.sqlite")
    ledger.record([tmp_path / "1.exr"], {}, "", FrameRecord("wide", 1))
    # As the disk is when the process is killed: the records stand in the write-ahead log.
    shutil.copytree(tmp_path, tmp_path / "killed", ignore=shutil.ignore_patterns("killed"))
    ledger.close()
    with Ledger(tmp_path / "killed" / "a.sqlite", read_only=read_only) as after:
        assert len(after.entries()) == 1
    assert ask(tmp_path / "killed" / "a.sqlite", "PRAGMA integrity_check") == [("ok",)]


# -- files that are none, or another's -----------------------------------------------------------------------


def test_the_database_of_another_program_is_refused_and_not_touched(project, file):
    file.unlink()
    change(file, "CREATE TABLE notes (text)")
    change(file, "INSERT INTO notes VALUES ('mine')")
    before = file.read_bytes()
    for attempt in (project.run, project.states):
        with pytest.raises(FileError, match="another program"):
            attempt()
    assert file.read_bytes() == before


def test_a_ledger_of_the_future_is_refused_and_not_touched(project, file):
    change(file, "UPDATE about SET value = '2' WHERE name = 'version'")
    before = file.read_bytes()
    for attempt in (project.run, project.states):
        with pytest.raises(FileError, match="format version 2; this program knows 1 — update"):
            attempt()
    assert file.read_bytes() == before


@pytest.mark.parametrize("data", [b"hello " * 1000, b"{}", b"SQLite format 3\0" + b"\xff" * 5000])
def test_what_is_no_database_is_refused_and_not_touched(project, file, data):
    file.write_bytes(data)
    for attempt in (project.run, project.states):
        with pytest.raises(FileError, match="move it away"):
            attempt()
    assert file.read_bytes() == data


def test_a_folder_in_its_place_is_an_error_that_names_it(project, file):
    file.unlink()
    file.mkdir()
    with pytest.raises(FileError, match=r"lantern\.ledger\.sqlite"):
        project.run()


def test_one_that_is_cut_short_is_an_error_with_a_way_out(project, file):
    file.write_bytes(file.read_bytes()[:6000])
    with pytest.raises(FileError, match="move it away; all frames are then rendered again"):
        project.run()


@pytest.mark.parametrize("column", ["nodes", "inputs", "files", "warnings"])
def test_a_spoilt_row_is_no_bug(project, file, column):
    # SQLite has no checksums: a damaged page may be a well-formed database with other text in it.
    change(file, f"UPDATE frames SET {column} = '[[' WHERE shot = 'wide' AND frame = 2")
    try:
        due = set(project.due())
    except FileError as error:
        assert "move it away" in str(error)  # noqa: PT017
    else:
        assert due == {("wide", 2)}


def test_an_empty_file_becomes_a_ledger(project, file):
    file.write_bytes(b"")
    assert {status for status, _ in project.due().values()} == {"missing"}
    assert len(project.run().rendered) == 6
    assert ask(file, "PRAGMA integrity_check") == [("ok",)]


# -- only looking --------------------------------------------------------------------------------------------


def test_looking_makes_no_file(tmp_path):
    project = Project(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    assert len(project.due()) == 6
    assert sorted(tmp_path.rglob("*")) == before


def test_looking_changes_no_file(project, file):
    before = {path: path.read_bytes() for path in file.parent.rglob("*") if path.is_file()}
    assert project.due() == {}
    assert {path: path.read_bytes() for path in file.parent.rglob("*") if path.is_file()} == before


def test_looking_does_not_fill_an_empty_file(project, file):
    file.write_bytes(b"")
    assert len(project.due()) == 6
    assert file.read_bytes() == b""


@super_user
def test_states_can_be_seen_in_a_folder_that_is_read_only(project, file):
    file.parent.chmod(0o500)
    file.chmod(0o400)
    try:
        assert project.due() == {}
    finally:
        file.parent.chmod(0o700)
        file.chmod(0o600)


@super_user
def test_a_folder_that_is_read_only_is_an_error_that_names_it(project, file):
    file.parent.chmod(0o500)
    try:
        with pytest.raises(FileError, match="who may write to the folder"):
            project.run()
    finally:
        file.parent.chmod(0o700)


# -- where it lies -------------------------------------------------------------------------------------------


def moved(project: Project, place: Path) -> Project:
    shutil.move(project.folder, place)
    project.folder, project.file = place, place / "lantern.json"
    return project


def test_files_below_it_are_known_by_relative_paths(project, file):
    for (key,) in ask(file, "SELECT outputs FROM frames"):
        assert not any(Path(path).is_absolute() for path in json.loads(key))


def test_a_project_that_was_moved_is_up_to_date(project, tmp_path):
    assert moved(project, tmp_path / "another place").due() == {}


def test_a_project_that_was_moved_repairs_its_files_in_the_new_place(project, tmp_path):
    moved(project, tmp_path / "another place")
    project.output("wide", 2).unlink()
    assert project.run("stops=0.5").rendered  # whatever else is due
    assert project.output("wide", 2).is_file()
    assert not (tmp_path / "project").exists()


def test_a_project_that_is_opened_through_a_link_is_up_to_date(project, tmp_path):
    (tmp_path / "link").symlink_to(project.folder)
    assert project.due(file=tmp_path / "link" / "lantern.json") == {}


def test_it_lies_in_the_folder_that_all_outputs_have_in_common(tmp_path):
    def where(*outputs: str) -> Path:
        return ledger_path("s", [tmp_path / path for path in outputs], tmp_path).relative_to(tmp_path)

    assert where("out/wide/1.exr", "out/close/1.exr") == Path("out/s.ledger.sqlite")
    assert where("out/wide/1.exr", "out/wide/1.png") == Path("out/wide/s.ledger.sqlite")
    assert where("out/a/b/1.exr", "out/1.exr") == Path("out/s.ledger.sqlite")


def test_without_a_common_folder_it_lies_with_the_first_output(tmp_path):
    root = tmp_path / "project"
    outputs = [tmp_path / "disk-1" / "out" / "1.exr", tmp_path / "disk-2" / "out" / "1.exr"]
    assert ledger_path("s", outputs, root) == tmp_path / "disk-1" / "out" / "s.ledger.sqlite"


def test_one_that_is_there_is_found_again_where_outputs_come_and_go(tmp_path):
    (tmp_path / "out").mkdir()
    there = tmp_path / "out" / "s.ledger.sqlite"
    there.touch()
    for outputs in (["out/a/1.exr"], ["out/a/1.exr", "elsewhere/1.exr"], ["elsewhere/1.exr", "out/a/b/1.exr"]):
        assert ledger_path("s", [tmp_path / path for path in outputs], tmp_path) == there
    assert ledger_path("t", [tmp_path / "out/a/1.exr"], tmp_path) != there


def test_a_folder_for_each_frame_does_not_hold_it(tmp_path):
    # Else another first frame begins another ledger, and all frames are rendered again.
    project = Project(tmp_path, frames=(1, 2, 3, 4), shots=("wide",))
    paths = {f"{name}.path": f"out/{{frame:04d}}/x.{name}" for name in ("exr", "png")}
    project.write_graph(paths, frames="2-4")
    assert len(project.run().rendered) == 3
    project.write_graph(paths, frames="1-4")
    assert set(project.due()) == {("wide", 1)}
