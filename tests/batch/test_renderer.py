"""Frames of a shot, rendered in this process: the files, and what is recorded of them."""

from __future__ import annotations

import os
import pickle
from pathlib import Path

import numpy as np
import pytest
import xxhash
from small_sequence import Project, contents, write_plate

from stackcomp import CheckError, load
from stackcomp.batch.record import FrameRecord
from stackcomp.batch.renderer import Renderer
from stackcomp.batch.work import Work


@pytest.fixture
def project(tmp_path) -> Project:
    return Project(tmp_path, shots=("wide",))


@pytest.fixture
def work(project) -> Work:
    (opened,) = project.open().works
    return opened


def rendered(work: Work, frames=(1, 2, 3)) -> list[FrameRecord]:
    return list(Renderer(work.spec(frames[0])).frames(frames))


def test_files_are_those_that_a_render_delivers(project, work, tmp_path):
    rendered(work)
    batch = contents(project.folder / "out")
    assert len(batch) == 6
    for path in (project.folder / "out").rglob("comp.*"):
        path.unlink()
    load(project.folder / "graphs" / "comp.json", root=project.folder, variables={"shot_name": "wide"}).deliver()
    assert contents(project.folder / "out") == batch


def test_pixels_are_those_of_the_plate_half_a_stop_up(project, work):
    # The independent reader is OpenImageIO; a stop is a factor of 2.
    oiio = pytest.importorskip("OpenImageIO")
    rendered(work)
    for frame in (1, 2, 3):
        plate, comp = (
            oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT)
            for path in (project.plate("wide", frame), project.output("wide", frame))
        )
        np.testing.assert_allclose(comp, plate * np.float32(2**0.5), rtol=1e-3)


def test_two_renders_give_the_same_bytes(project, work):
    rendered(work)
    first = {path: path.read_bytes() for path in (project.folder / "out").rglob("comp.*")}
    rendered(work, (3, 1, 2))
    assert {path: path.read_bytes() for path in (project.folder / "out").rglob("comp.*")} == first


def test_a_record_says_what_was_read_and_written(project, work):
    for record, frame in zip(rendered(work), (1, 2, 3), strict=True):
        assert (record.shot, record.frame, record.reason, record.warnings) == ("wide", frame, None, ())
        assert record.seconds > 0
        assert record.peak_memory > 10e6
        (plate,) = record.inputs
        assert Path(plate.path) == project.plate("wide", frame)
        outputs = {project.output("wide", frame, ending) for ending in ("exr", "png")}
        assert {Path(file.path) for file in record.files} == outputs
        for file in (*record.files, *record.inputs):
            data = Path(file.path).read_bytes()
            assert (file.size, file.hash) == (len(data), xxhash.xxh3_128(data).hexdigest())
            assert file.modified == os.stat(file.path).st_mtime_ns


def test_a_frame_that_fails_does_so_alone(project, work):
    data = project.plate("wide", 2).read_bytes()
    project.plate("wide", 2).write_bytes(data[: len(data) // 2])
    first, second, third = rendered(work)
    assert first.reason is None
    assert third.reason is None
    assert second.reason.node == "plate"
    assert second.reason.message
    assert second.files == ()
    assert not project.output("wide", 2).exists()


def test_a_missing_file_is_a_reason_that_may_pass(project, work):
    renderer = Renderer(work.spec(1))
    project.plate("wide", 2).unlink()
    records = list(renderer.frames([1, 2, 3]))
    assert [record.reason and record.reason.kind for record in records] == [None, "passing", None]


def test_pixels_that_are_not_finite_are_reported_with_their_frame(project):
    from stackcomp.files import exr

    picture = exr.read(project.plate("wide", 2))
    planes = {name: plane.copy() for name, plane in picture.planes.items()}
    planes["R"][3, 4] = np.inf
    window = picture.header.display_window
    exr.write(project.plate("wide", 2), planes, window=window, display=window, pixel_type="half")
    project.write_graph({"brighter": {"kind": "glow", "image": "light", "radius": 2}})
    (work,) = project.open().works
    records = rendered(work)
    assert [bool(record.warnings) for record in records] == [False, True, False]
    outcome = project.run()
    assert len(outcome.rendered) == 3
    (entry,) = [state.entry for state in project.states().values() if state.frame == 2]
    assert entry.warnings == records[1].warnings


def test_what_travels_between_processes_can_be_pickled(work):
    spec = work.spec(1)
    assert pickle.loads(pickle.dumps(spec)) == spec
    for record in rendered(work):
        assert pickle.loads(pickle.dumps(record)) == record
    with pytest.raises(TypeError, match="ShotSpec"):
        pickle.dumps(work)


def test_a_spec_means_the_same_in_another_folder(project, monkeypatch):
    monkeypatch.chdir(project.folder)
    spec = project.open(file=Path("lantern.json")).works[0].spec(1)
    monkeypatch.chdir("/")
    assert [record.reason for record in Renderer(spec).frames([1])] == [None]
    assert project.output("wide", 1).is_file()


def test_a_spec_means_the_same_where_the_root_is_above_a_link(project, tmp_path_factory):
    # A link is followed before ".." is (POSIX path resolution), so "link/.." is the folder above its target.
    disk = tmp_path_factory.mktemp("disk")
    (disk / "inner").mkdir()
    for name in ("graphs", "plates"):
        (project.folder / name).rename(disk / name)
    (project.folder / "link").symlink_to(disk / "inner")
    project.write(root="link/..", shots={"wide": {}})
    assert len(project.run().rendered) == 3
    assert (disk / "out" / "wide" / "comp.0001.exr").is_file()
    assert project.due() == {}


def test_a_shot_that_changed_since_it_was_checked_is_an_error(project, work):
    spec = work.spec(1)
    project.plate("wide", 1).unlink()
    with pytest.raises(CheckError):
        Renderer(spec)


def test_another_resolution_at_a_later_frame_is_no_bug(project, work):
    renderer = Renderer(work.spec(1))
    write_plate(project.plate("wide", 2), size=(16, 10))
    records = list(renderer.frames([1, 2, 3]))
    assert [record.reason is None for record in records] == [True, False, True]
    assert records[1].reason.kind == "frame"
