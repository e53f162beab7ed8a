"""What counts as a change of a frame: what changes its pixels or what they are read from, and nothing else."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import PyOpenColorIO
import pytest
import xxhash
from small_sequence import GRAPH, Project, write_plate

from stackcomp import FileError
from stackcomp.batch.fingerprint import NodeHashes, file_record, inputs_of
from stackcomp.batch.work import Work

STILL = {"kind": "read", "path": "plates/still.exr", "encoding": "ACEScg"}


@pytest.fixture
def project(tmp_path) -> Project:
    project = Project(tmp_path, shots=("wide",))
    write_plate(tmp_path / "plates" / "still.exr", 77)
    return project


def work(project: Project, changes: Any = None, **head: Any) -> Work:
    project.write_graph(changes, **head)
    (opened,) = project.open().works
    return opened


def hashes(project: Project, changes: Any = None, **head: Any) -> dict[str, str]:
    return NodeHashes(work(project, changes, **head)).at(2)


KEYED = {"keys": [[1, 0.5], [3, 2], [9, 4]], "between": "linear"}


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({}, {"brighter.about": "two stops were too much"}),
        ({}, {"aside": {"kind": "exposure", "image": "light", "stops": 1}}),
        ({"aside": {"kind": "exposure", "image": "light", "stops": 1}},
         {"aside": {"kind": "exposure", "image": "light", "stops": 2}}),
        ({"brighter.stops": KEYED}, {"brighter.stops": {**KEYED, "keys": [[1, 0.5], [3, 2], [9, -4]]}}),
        ({"brighter.stops": KEYED}, {"brighter.stops": {**KEYED, "keys": [[1, 0.5], [3, 2]]}}),
        ({}, {"brighter.stops": 0.5}),
        ({}, {"brighter.amount": 1}),
        ({}, {"exr.replace": "anything"}),
    ],
    ids=["note", "node beside", "changed node beside", "key beyond", "key removed beyond", "value of a variable",
         "default written", "what may be replaced"],
)  # fmt: skip
def test_what_changes_no_pixel_does_not_count(project, before, after):
    assert hashes(project, before) == hashes(project, {**before, **after})


@pytest.mark.parametrize("head", [{"about": "x"}, {"frames": "1-2"}, {"$schema": "x"}])
def test_fields_beside_the_nodes_that_change_no_pixel_do_not_count(project, head):
    assert hashes(project) == hashes(project, **head)


def test_the_order_of_nodes_and_fields_does_not_count(project):
    before = hashes(project)
    path = project.write_graph()
    graph = json.loads(path.read_text())
    graph["nodes"] = {name: dict(reversed(fields.items())) for name, fields in reversed(graph["nodes"].items())}
    path.write_text(json.dumps(dict(reversed(graph.items()))))
    (work,) = project.open().works
    assert NodeHashes(work).at(2) == before


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"brighter.stops": 1}, "brighter"),
        ({"brighter.amount": 0.5}, "brighter"),
        ({"png.bits": 16}, "png"),
        ({"exr.pixel_type": "float"}, "exr"),
        ({"light.channels": {"R": "G", "G": "R", "B": "B"}}, "light"),
        ({"plate.encoding": "ACEScct"}, "plate"),
    ],
)
def test_what_changes_pixels_counts_for_its_node_alone(project, changes, named):
    before, after = hashes(project), hashes(project, changes)
    assert [name for name in before if before[name] != after[name]] == [named]


@pytest.mark.parametrize("head", [{"working_space": "ACES2065-1"}, {"frame_rate": 24}])
def test_head_fields_that_change_files_count(project, head):
    before, after = hashes(project), hashes(project, **head)
    assert [name for name in before if before[name] != after[name]] == [""]


def test_a_keyed_number_counts_at_the_frames_that_it_changes(project):
    before = {"keys": [[1, 0], [2, 1], [3, 1]]}
    after = {"keys": [[1, 0.5], [2, 1], [3, 1]]}
    one, other = (NodeHashes(work(project, {"brighter.stops": keys})) for keys in (before, after))
    assert [frame for frame in range(1, 6) if one.at(frame) != other.at(frame)] == [1]


# Two files that change places leave the set of files as it was.
TWO_READS = {
    "plate.path": "plates/wide/plate.{frame:04d}.exr",
    "still": STILL,
    "still_light": {"kind": "pick_channels", "layers": "still", "as": "colour"},
    "png.image": "still_light",
}


def test_reads_that_change_places_count(project):
    swapped = {**TWO_READS, "plate.path": STILL["path"], "still": {**STILL, "path": TWO_READS["plate.path"]}}
    assert hashes(project, TWO_READS) != hashes(project, swapped)


def test_outputs_that_change_places_count(project):
    one, other = ({**GRAPH["nodes"]["png"], "path": f"out/{name}.{{frame:04d}}.png"} for name in ("one", "other"))
    before = {**TWO_READS, "png": one, "png2": {**other, "image": "still_light"}}
    after = {**TWO_READS, "png": other, "png2": {**one, "image": "still_light"}}
    assert hashes(project, before) != hashes(project, after)


# -- files ---------------------------------------------------------------------------------------------------


def test_inputs_are_all_files_that_deliver_nodes_depend_on(project):
    assert inputs_of(work(project), 2) == [project.plate("wide", 2)]
    assert set(inputs_of(work(project, TWO_READS), 2)) == {
        project.plate("wide", 2), project.folder / "plates" / "still.exr",
    }  # fmt: skip
    without = {**TWO_READS, "png": None}
    del without["png.image"]
    assert inputs_of(work(project, without), 2) == [project.plate("wide", 2)]


def test_a_colour_correction_is_an_input(project):
    grade = {"kind": "cdl", "image": "light", "file": "grades/wide.cc"}
    opened = work(project, {"brighter": grade})
    assert project.folder / "grades" / "wide.cc" in inputs_of(opened, 1)


def test_a_colour_config_that_is_a_file_is_an_input(project):
    config = project.folder / "config.ocio"
    config.write_text(
        PyOpenColorIO.Config.CreateFromBuiltinConfig("studio-config-v2.2.0_aces-v1.3_ocio-v2.4").serialize()
    )
    assert config in inputs_of(work(project, colour_config="config.ocio"), 1)
    assert len(project.run().rendered) == 3
    assert project.due() == {}
    config.write_text(config.read_text() + "\n# changed\n")
    assert {why for _, why in project.due().values()} == {f"{config} has changed"}


def test_tables_that_a_colour_config_reads_count(project):
    config = PyOpenColorIO.Config.CreateFromBuiltinConfig("studio-config-v2.2.0_aces-v1.3_ocio-v2.4")
    space = PyOpenColorIO.ColorSpace(name="bench_log", encoding="log")
    of_table = PyOpenColorIO.FileTransform("bench.cube")
    space.setTransform(of_table, PyOpenColorIO.COLORSPACE_DIR_TO_REFERENCE)
    config.addColorSpace(space)
    config.setSearchPath("tables")
    (project.folder / "config.ocio").write_text(config.serialize())
    table = project.folder / "tables" / "bench.cube"
    table.parent.mkdir()
    table.write_text("LUT_1D_SIZE 2\n0 0 0\n1 1 1\n")
    converted = {"kind": "convert_colour", "image": "light", "to": "ACEScg"}
    project.write_graph(
        {"plate.encoding": "bench_log", "converted": converted, "brighter.image": "converted"},
        colour_config="config.ocio",
    )
    assert len(project.run().rendered) == 3
    assert project.due() == {}
    table.write_text("LUT_1D_SIZE 2\n0 0 0\n0.5 0.5 0.5\n")
    assert len(project.due()) == 3


def test_a_changed_colour_correction_counts(project):
    def write(slope: float) -> None:
        sop = f"<SOPNode><Slope>{slope} 1 1</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode>"
        (project.folder / "wide.cc").write_text(
            f'<ColorCorrection xmlns="urn:ASC:CDL:v1.01" id="wide">{sop}</ColorCorrection>'
        )

    write(1.1)
    project.write_graph({"brighter": {"kind": "cdl", "image": "light", "file": "wide.cc"}})
    assert len(project.run().rendered) == 3
    assert project.due() == {}
    write(1.2)
    assert {why for _, why in project.due().values()} == {f"{project.folder / 'wide.cc'} has changed"}


def test_a_record_of_a_file(tmp_path):
    path = tmp_path / "a.exr"
    # xxHash's own specification and the command xxhsum -H2 give this for no bytes; from memory.
    path.write_bytes(b"")
    assert file_record(path).hash == "99aa06d3014798d86001c324468d497f"
    path.write_bytes(bytes(range(256)) * 5000)
    record = file_record(path)
    assert record.hash == xxhash.xxh3_128(path.read_bytes()).hexdigest()
    assert (record.path, record.size, record.modified) == (str(path), 1280000, path.stat().st_mtime_ns)


def test_contents_of_files_decide_and_no_name(tmp_path):
    (tmp_path / "a").write_bytes(b"x" * 1000)
    shutil.copy(tmp_path / "a", tmp_path / "b")
    (tmp_path / "c").write_bytes(b"x" * 999 + b"y")
    a, b, c = (file_record(tmp_path / name).hash for name in "abc")
    assert a == b != c


@pytest.mark.parametrize("name", ["gone.exr", "", "gone/x.exr"])
def test_a_file_that_is_not_there_is_an_error(tmp_path, name):
    with pytest.raises(FileError):
        file_record(Path(tmp_path, name))
