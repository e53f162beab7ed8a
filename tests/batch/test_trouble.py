"""Disks that are full, shares that are gone for a moment, shots whose material changes while a batch runs."""

from __future__ import annotations

import errno
import os

import pytest
from small_sequence import Project

from stackcomp.batch.record import reason_of
from stackcomp.errors import FileError, RenderError
from stackcomp.files.file_state import NoFileError, cannot_write


@pytest.fixture
def project(tmp_path) -> Project:
    return Project(tmp_path, frames=(1, 2, 3), shots=("wide",))


def test_a_full_disk_stops_the_batch_and_nothing_is_lost(project, monkeypatch):
    replace = os.replace
    names = []

    def full_at_the_second_frame(source, target):
        names.append(os.path.basename(target))
        if "comp.0002" in str(target):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        replace(source, target)

    with monkeypatch.context() as patch:
        patch.setattr("stackcomp.files.atomic.os.replace", full_at_the_second_frame)
        outcome = project.run()
    assert outcome.rendered == [("wide", 1)]
    assert list(outcome.failed) == [("wide", 2)]
    assert "the disk is full" in outcome.failed["wide", 2]
    assert outcome.summary.left == [("wide", 3)]
    assert any("the disk is full" in note for note in outcome.notes)
    assert not list(project.folder.rglob(".comp.*"))
    # With space again, the rest is rendered.
    assert project.run().rendered == [("wide", 2), ("wide", 3)]
    assert project.due() == {}


@pytest.mark.parametrize(
    ("number", "kind"),
    [(errno.ENOSPC, "full"), (errno.EDQUOT, "full"), (errno.EIO, "passing"), (errno.ESTALE, "passing"),
     (errno.ETIMEDOUT, "passing"), (errno.EACCES, "frame"), (errno.EISDIR, "frame")],
)  # fmt: skip
def test_what_may_pass_and_what_stops_the_batch(tmp_path, number, kind):
    cause = OSError(number, os.strerror(number))
    error = cannot_write(tmp_path / "a.exr", cause)
    error.__cause__ = cause
    wrapped = RenderError("out", 1, str(error))
    wrapped.__cause__ = error
    assert reason_of(wrapped).kind == kind


def test_a_file_that_is_gone_may_come_back_and_a_damaged_one_does_not(tmp_path):
    gone, damaged = RenderError("plate", 1, "gone"), RenderError("plate", 1, "damaged")
    gone.__cause__ = NoFileError(tmp_path / "a.exr", "there is no such file")
    damaged.__cause__ = FileError(tmp_path / "a.exr", "it is cut short")
    assert [reason_of(error).kind for error in (gone, damaged)] == ["passing", "frame"]
