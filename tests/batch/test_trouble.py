"""Disks that are full, shares that are gone for a moment, shots whose material changes while a batch runs."""

from __future__ import annotations

import errno
import os
import subprocess
import time

import pytest
from small_batch import fault, hidden, ledger_is_sound, make, pictures, start, whole_pictures, workers
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


# -- with real processes ------------------------------------------------------------------------------------------


@pytest.fixture
def shot(tmp_path):
    make(tmp_path, 12)
    return tmp_path


def outcome(run, code, seconds=90):
    """The frames that failed, with the reason; each frame is reported once, and no traceback is shown."""
    assert run.wait(seconds) == code, run.out + run.err
    (summary,) = run.of("summary")
    assert summary["exit_code"] == code
    reported = [entry["frame"] for entry in run.events if entry["event"] in ("frame", "failed")]
    left = [entry["frame"] for entry in summary["not_begun"]]
    assert len(set(reported + left)) == len(reported + left) == summary["frames"] - summary["up_to_date"]
    assert len(run.of("frame")) == summary["done"]
    assert "Traceback" not in run.err
    return {entry["frame"]: entry["reason"] for entry in summary["failed"]}


def sound(shot, done):
    """Whole pictures of these frames, a ledger that knows them, and nothing half written.

    Of a frame that failed, one of its two pictures may be there.
    """
    assert ledger_is_sound(shot) == set(done)
    names = {f"{kind}.{frame:04d}.exr" for kind in ("half", "float") for frame in done}
    assert names <= pictures(shot).keys()
    assert whole_pictures(shot) == len(pictures(shot))
    assert hidden(shot) == []


@pytest.mark.slow
def test_a_frame_that_kills_its_worker_each_time_fails_alone(shot):
    environment = fault(shot / "fault", "in/0003.exr", "os.kill(os.getpid(), signal.SIGKILL)")
    with start(shot, "--workers", "2", **environment) as run:
        failed = outcome(run, 1)
    assert list(failed) == [3]
    assert "its worker was ended by SIGKILL" in failed[3]
    sound(shot, set(range(1, 13)) - {3})
    with start(shot) as run:
        assert outcome(run, 0) == {}
        assert len(run.of("frame")) == 1


@pytest.mark.slow
def test_a_frame_whose_worker_takes_too_much_memory_fails_alone(shot):
    take = "held = bytearray(1 << 30); held[::4096] = bytes(len(held[::4096])); time.sleep(30)"
    with start(
        shot, "--workers", "2", "--worker-memory", "0.7", **fault(shot / "fault", "in/0003.exr", take)
    ) as run:
        failed = outcome(run, 1)
    assert list(failed) == [3]
    assert "over its limit of 0.7 GB" in failed[3]
    sound(shot, set(range(1, 13)) - {3})


@pytest.mark.slow
def test_a_limit_that_is_too_small_for_any_worker_comes_to_an_end(shot):
    environment = fault(shot / "fault", ".exr", "time.sleep(0.6)")
    with start(shot, "--workers", "2", "--worker-memory", "0.1", **environment) as run:
        failed = outcome(run, 1)
    assert sorted(failed) == list(range(1, 13))
    assert all("over its limit of 0.1 GB" in reason for reason in failed.values())


@pytest.mark.slow
def test_a_picture_that_ends_among_its_pixels_fails_its_frame_alone(shot):
    """Its header is whole, so that the check has nothing to say."""
    data = (shot / "in" / "0005.exr").read_bytes()
    (shot / "in" / "0005.exr").write_bytes(data[: len(data) * 2 // 3])
    with start(shot, "--workers", "2") as run:
        failed = outcome(run, 1)
    assert list(failed) == [5]
    assert "0005.exr" in failed[5]
    sound(shot, set(range(1, 13)) - {5})
    (shot / "in" / "0005.exr").write_bytes(data)
    with start(shot) as run:
        assert outcome(run, 0) == {}
    sound(shot, range(1, 13))


@pytest.mark.slow
def test_a_share_that_is_gone_for_a_moment_is_waited_for(shot):
    with start(shot, "--workers", "2", **fault(shot / "fault", ".exr", "time.sleep(0.03)")) as run:
        run.until_frames(2)
        (shot / "in").rename(shot / "away")
        time.sleep(1.2)
        (shot / "away").rename(shot / "in")
        assert outcome(run, 0) == {}
        assert any("is tried again later" in note["text"] for note in run.of("note"))
    sound(shot, range(1, 13))


@pytest.mark.slow
def test_a_share_that_is_gone_while_workers_open_their_shot_is_waited_for(shot):
    with start(shot, "--workers", "2") as run:
        run.until(lambda: workers(run.pid))
        (shot / "in").rename(shot / "away")
        run.until(lambda: run.of("note") or run.of("failed"))
        (shot / "away").rename(shot / "in")
        assert outcome(run, 0) == {}
    sound(shot, range(1, 13))


@pytest.mark.slow
def test_a_share_that_stays_away_fails_its_frames_and_the_next_run_renders_them(shot):
    with start(shot, "--workers", "2", **fault(shot / "fault", ".exr", "time.sleep(0.03)")) as run:
        run.until_frames(2)
        (shot / "in").rename(shot / "away")
        failed = outcome(run, 1)
    assert failed
    assert all("no such file" in reason or "missing" in reason for reason in failed.values())
    done = set(range(1, 13)) - set(failed)
    sound(shot, done)
    (shot / "away").rename(shot / "in")
    with start(shot) as run:
        assert outcome(run, 0) == {}
        assert {entry["frame"] for entry in run.of("frame")} == set(failed)
    sound(shot, range(1, 13))


@pytest.fixture
def small_disk(shot):
    """A disk of a megabyte under the output, and a function that makes it larger."""
    folder = shot / "out"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("nobody but the administrator may mount a disk")
    try:
        yield lambda size: subprocess.run(["mount", "-o", f"remount,size={size}", folder], check=True)
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@pytest.mark.slow
def test_a_disk_that_fills_stops_the_batch_and_loses_nothing(shot, small_disk):
    """The ledger lies on the same disk."""
    with start(shot, "--workers", "2") as run:
        assert run.wait(60) == 1
        (summary,) = run.of("summary")
        assert "full" in str(summary.get("failed") or summary.get("error"))
        assert "Traceback" not in run.err
        assert "bug" not in run.err
    before = pictures(shot)
    assert before
    whole_pictures(shot)
    assert hidden(shot) == []
    small_disk("64m")
    done = ledger_is_sound(shot)
    assert 2 * len(done) <= len(before)
    with start(shot) as run:
        assert outcome(run, 0) == {}
        assert len(run.of("frame")) == 12 - len(done)
    sound(shot, range(1, 13))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("cores", "asked", "workers", "threads"),
    [("1", None, 1, 1), ("2", "8", 8, 1), ("5", "2", 2, 2), ("9", None, 9, 1)],
)
def test_workers_and_threads(shot, cores, asked, workers, threads):
    with start(shot, *(["--workers", asked] if asked else []), STACKCOMP_THREADS=cores) as run:
        assert outcome(run, 0) == {}
        (begin,) = run.of("begin")
    assert (begin["workers"], begin["threads"]) == (workers, threads)


@pytest.mark.slow
def test_more_workers_than_frames(tmp_path):
    make(tmp_path, 1)
    with start(tmp_path, "--workers", "8") as run:
        assert outcome(run, 0) == {}
        assert run.of("begin")[0]["workers"] == 1
    sound(tmp_path, [1])
