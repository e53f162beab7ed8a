"""The processes of a batch: every frame is reported once, whatever happens to the process that has it."""

from __future__ import annotations

import os
import threading
import time
from collections import Counter

import psutil
import pytest
import scripted_worker
from scripted_worker import noted

from stackcomp.batch import pool as pool_module
from stackcomp.batch.pool import Pool, Task


@pytest.fixture(autouse=True)
def scripted(monkeypatch):
    monkeypatch.setattr(pool_module, "work", scripted_worker.work)


@pytest.fixture
def shot(tmp_path):
    """Makes a shot; what it notes lies in the test's folder."""

    def make(name="a", frames=None, **more):
        return {"name": name, "log": str(tmp_path), "frames": frames or {}, **more}

    return make


def tasks(*names, frames=range(1, 7)):
    return [Task(name, frame) for name in names or ("a",) for frame in frames]


def pool_of(*shots, workers=1, **more):
    return Pool({shot["name"]: shot for shot in shots}, workers=workers, threads=1, **more)


def ended(pool, listed, *, seconds=30.0, after=None):
    """All records, in order; a pool that does not end fails the test and is stopped.

    Args:
        after: called in this thread while the pool is at work.
    """
    records, raised = [], []

    def run():
        try:
            records.extend(pool.run(listed))
        except BaseException as error:
            raised.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    if after is not None:
        after()
    thread.join(seconds)
    if thread.is_alive():
        seen = len(records)
        for _ in range(50):
            pool.stop(at_once=True)
            thread.join(0.2)
            if not thread.is_alive():
                break
        pytest.fail(f"the pool has not ended after {seconds} s; {seen} of {len(listed)} frames were reported")
    if raised:
        raise raised[0]
    assert children() == []
    return records


def children():
    """Workers that are still there; the helper that Python itself keeps beside spawned processes is none."""
    return [
        child
        for child in psutil.Process().children()
        if "spawn_main" in " ".join(child.cmdline()) or child.status() == psutil.STATUS_ZOMBIE
    ]


def outcomes(records):
    return {(record.shot, record.frame): record.reason and record.reason.kind for record in records}


def until(log, event, number=1, seconds=10.0):
    """Wait until something has been noted so often."""
    deadline = time.monotonic() + seconds
    while len(noted(log, event)) < number:
        assert time.monotonic() < deadline, f"{event} was not noted {number} times"
        time.sleep(0.005)


# -- all is well ---------------------------------------------------------------------------------------------


def test_every_frame_is_reported_once_and_work_is_shared(shot, tmp_path):
    records = ended(pool_of(shot(seconds=0.02), workers=3), tasks(frames=range(1, 25)))
    assert Counter(record.frame for record in records) == dict.fromkeys(range(1, 25), 1)
    assert all(record.reason is None for record in records)
    begun = noted(tmp_path, "begun")
    assert len(begun) == 24
    assert len({process for _, _, process in begun}) == 3


def test_there_are_no_more_processes_than_frames(shot, tmp_path):
    records = ended(pool_of(shot(), workers=8), tasks(frames=[5, 9]))
    assert sorted(record.frame for record in records) == [5, 9]
    assert len({process for _, _, process in noted(tmp_path, "open")}) <= 2


def test_one_frame(shot, tmp_path):
    (record,) = ended(pool_of(shot(), workers=4), tasks(frames=[1001]))
    assert (record.shot, record.frame, record.reason) == ("a", 1001, None)
    assert len(noted(tmp_path, "open")) == 1


def test_without_frames_nothing_is_started(shot):
    assert ended(pool_of(shot(), workers=2), []) == []


def test_shots_with_the_same_frame_numbers_are_not_confused(shot, tmp_path):
    names = ["a", "b", "c", "d", "e"]
    records = ended(pool_of(*(shot(name) for name in names), workers=2), tasks(*names, frames=[1, 2]))
    assert outcomes(records) == {(name, frame): None for name in names for frame in (1, 2)}
    assert len(records) == 10
    # A worker opens a shot when it comes to it, and keeps it open for the next frame.
    opened = Counter(entry[0] for entry in noted(tmp_path, "open"))
    assert set(opened) == set(names)
    assert max(opened.values()) <= 2


def test_workers_see_the_number_of_threads_and_this_process_does_not(shot, monkeypatch):
    monkeypatch.setenv("STACKCOMP_THREADS", "7")
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    pool = Pool({"a": shot()}, workers=1, threads=3)
    (record,) = ended(pool, tasks(frames=[1]))
    assert record.seconds == 3.0
    assert os.environ["STACKCOMP_THREADS"] == "7"
    assert "OMP_NUM_THREADS" not in os.environ


# -- frames that fail ----------------------------------------------------------------------------------------


def test_a_frame_that_fails_stops_no_other(shot):
    records = ended(pool_of(shot(frames={3: "raise"})), tasks())
    assert outcomes(records) == {("a", frame): "frame" if frame == 3 else None for frame in range(1, 7)}


def test_a_passing_failure_is_tried_once_more_behind_the_others(shot, tmp_path, monkeypatch):
    monkeypatch.setattr(pool_module, "_PAUSE", 0.2)
    said = []
    records = ended(pool_of(shot(frames={1: "passing once", 4: "passing"}), log=said.append), tasks())
    assert outcomes(records) == {("a", frame): "passing" if frame == 4 else None for frame in range(1, 7)}
    assert len(records) == 6
    begun = [frame for _, frame, _ in noted(tmp_path, "begun")]
    assert Counter(begun) == {1: 2, 2: 1, 3: 1, 4: 2, 5: 1, 6: 1}
    assert begun[-2:] == [1, 4]
    assert [line for line in said if "frame 1 is tried again later: the share is gone" in line]


def test_the_last_frame_is_tried_again_as_well(shot, tmp_path, monkeypatch):
    monkeypatch.setattr(pool_module, "_PAUSE", 0.2)
    (record,) = ended(pool_of(shot(frames={1: "passing once"})), tasks(frames=[1]))
    assert record.reason is None
    assert len(noted(tmp_path, "begun")) == 2


def test_a_shot_that_cannot_be_opened_fails_and_the_others_do_not(shot):
    pool = pool_of(shot("a"), shot("b", opening="raise"), shot("c"), workers=2)
    records = ended(pool, tasks("a", "b", "c", frames=range(1, 9)))
    assert len(records) == 24
    for (name, _), kind in outcomes(records).items():
        assert kind == ("frame" if name == "b" else None)
    assert {record.reason.message for record in records if record.shot == "b"} == {"the graph has gone"}


# -- workers that die ----------------------------------------------------------------------------------------


def test_what_died_with_its_worker_is_rendered_again(shot, tmp_path):
    said = []
    records = ended(pool_of(shot(frames={3: "die once"}), workers=2, log=said.append), tasks(frames=range(1, 13)))
    assert outcomes(records) == {("a", frame): None for frame in range(1, 13)}
    assert len(records) == 12
    assert any('shot "a", frame 3 is tried again, alone: its worker was ended by SIGKILL' in line for line in said)


def test_a_frame_that_kills_each_worker_fails_alone(shot, tmp_path):
    records = ended(pool_of(shot(frames={3: "die"}), workers=2), tasks(frames=range(1, 13)))
    assert outcomes(records) == {("a", frame): "worker" if frame == 3 else None for frame in range(1, 13)}
    assert len(records) == 12
    begun = Counter(frame for _, frame, _ in noted(tmp_path, "begun"))
    assert begun[3] == 2
    # The frame beside it may have been computed twice, never more.
    assert max(begun.values()) <= 2
    (bad,) = (record for record in records if record.frame == 3)
    assert "its worker was ended by SIGKILL" in bad.reason.message


@pytest.mark.slow
def test_several_frames_that_kill_workers_are_not_blamed_on_each_other(shot):
    deadly = {2: "die", 3: "die", 7: "exit 3", 12: "die"}
    records = ended(pool_of(shot(frames=deadly), workers=2), tasks(frames=range(1, 13)))
    assert outcomes(records) == {("a", frame): "worker" if frame in deadly else None for frame in range(1, 13)}
    assert len(records) == 12
    (exited,) = (record for record in records if record.frame == 7)
    assert exited.reason.message == "its worker ended with exit code 3"


def test_all_frames_kill_their_workers(shot):
    records = ended(pool_of(shot(frames={1: "die", 2: "die"}), workers=2), tasks(frames=[1, 2]))
    assert outcomes(records) == {("a", 1): "worker", ("a", 2): "worker"}


@pytest.mark.slow
def test_a_worker_that_is_killed_from_outside(shot, tmp_path):
    def kill():
        until(tmp_path, "begun", 3)
        for child in children()[:1]:
            child.kill()

    pool = pool_of(shot(seconds=0.1), workers=2)
    records = ended(pool, tasks(frames=range(1, 13)), after=kill)
    assert outcomes(records) == {("a", frame): None for frame in range(1, 13)}
    assert len(records) == 12


def test_a_worker_that_dies_before_its_first_frame_does_not_go_on_for_ever(shot, tmp_path):
    """As where opening a shot takes more memory than there is."""
    records = ended(pool_of(shot("a", opening="die"), shot("b")), tasks("a", "b", frames=[1, 2, 3]), seconds=15)
    assert outcomes(records) == {
        (name, frame): "worker" if name == "a" else None for name in "ab" for frame in (1, 2, 3)
    }
    assert len([name for name, _, _ in noted(tmp_path, "open") if name == "a"]) <= 6


def test_workers_that_cannot_start_do_not_go_on_for_ever(shot, monkeypatch):
    """As where a script without `if __name__ == "__main__"` runs a batch: its workers end while they start."""
    monkeypatch.setattr(pool_module, "work", scripted_worker.cannot_start)
    records = ended(pool_of(shot(), workers=2), tasks(), seconds=15)
    assert outcomes(records) == {("a", frame): "worker" for frame in range(1, 7)}
    assert "exit code 1" in records[0].reason.message


@pytest.mark.slow
def test_a_worker_over_its_limit_is_ended_and_the_message_says_so(shot, monkeypatch):
    monkeypatch.setattr(pool_module, "_LOOK", 0.1)
    pool = pool_of(shot(frames={2: "allocate"}, seconds=0.05), workers=2, memory_limit=250_000_000)
    records = ended(pool, tasks())
    assert outcomes(records) == {("a", frame): "worker" if frame == 2 else None for frame in range(1, 7)}
    (bad,) = (record for record in records if record.frame == 2)
    assert "over its limit of 0.2 GB" in bad.reason.message or "over its limit of 0.3 GB" in bad.reason.message
    assert "fewer workers leave more memory" in bad.reason.message


@pytest.mark.slow
def test_a_share_that_was_gone_does_not_make_a_later_death_final(shot, monkeypatch):
    """The two kinds of trouble are counted apart: a frame that was read again may still lose its worker once."""
    monkeypatch.setattr(pool_module, "_PAUSE", 0.1)
    deaths = iter([True])
    message = Pool._message

    def killed_at_second_try(self, worker, what):
        yield from message(self, worker, what)
        if what[0] == "begun" and worker.tasks[what[1]].tries == 1 and next(deaths, False):
            worker.process.kill()

    monkeypatch.setattr(Pool, "_message", killed_at_second_try)
    (record,) = ended(pool_of(shot(frames={1: "passing once"}, seconds=0.2)), tasks(frames=[1]))
    assert record.reason is None


# -- stopping ------------------------------------------------------------------------------------------------


def test_a_pool_that_is_stopped_before_it_began_starts_nothing(shot, tmp_path):
    pool = pool_of(shot())
    pool.stop()
    assert ended(pool, tasks()) == []
    assert noted(tmp_path, "open") == []


def test_frames_in_flight_are_finished_and_no_further_one_is_begun(shot, tmp_path):
    known = []

    def stop():
        until(tmp_path, "begun", 2)
        pool.stop()
        known.extend(frame for _, frame, _ in noted(tmp_path, "taken"))

    pool = pool_of(shot(seconds=0.4))
    records = ended(pool, tasks(frames=range(1, 13)), after=stop)
    assert [record.frame for record in records] == [frame for _, frame, _ in noted(tmp_path, "begun")]
    assert all(record.reason is None for record in records)
    assert 2 <= len(records) < 12
    assert {record.frame for record in records} <= set(known)


def test_a_stop_at_once_waits_for_nothing(shot, tmp_path):
    def stop():
        until(tmp_path, "begun", 2)
        pool.stop()
        pool.stop(at_once=True)

    pool = pool_of(shot(seconds=60), workers=2)
    started = time.monotonic()
    assert ended(pool, tasks(), after=stop) == []
    assert time.monotonic() - started < 20


def test_a_stop_at_once_while_workers_are_started_begins_no_frame(shot, tmp_path, monkeypatch):
    start = Pool._start

    def pressed(self):
        worker = start(self)
        self.stop(at_once=True)  # what a signal handler does before the worker is in the list
        return worker

    monkeypatch.setattr(Pool, "_start", pressed)
    assert ended(pool_of(shot(), workers=3), tasks()) == []
    assert noted(tmp_path, "begun") == []


@pytest.mark.slow
def test_who_stops_listening_ends_the_workers(shot, tmp_path):
    pool = pool_of(shot(seconds=0.2), workers=2)
    records = pool.run(tasks(frames=range(1, 13)))
    next(records)
    records.close()
    assert children() == []
    assert len(noted(tmp_path, "begun")) < 12


def test_an_error_of_who_is_told_is_not_taken_for_a_death(shot, monkeypatch):
    """As where the terminal is gone: writing to it raises an OSError."""
    monkeypatch.setattr(pool_module, "_PAUSE", 0.1)

    def gone(text):
        raise BrokenPipeError("nobody reads this")

    with pytest.raises(BrokenPipeError):
        ended(pool_of(shot(frames={1: "passing once"}), log=gone), tasks(), seconds=10)
