"""One batch at a time on one ledger, however the one before ended."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
import time

import psutil
import pytest

from stackcomp.batch.lock import only_batch
from stackcomp.errors import FileError, RequestError

#: Holds the lock, starts a process that outlives it, and waits.
HOLDER = """
import subprocess, sys, time
from pathlib import Path
from stackcomp.batch.lock import only_batch
with only_batch(Path(sys.argv[1])):
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"], close_fds=False)
    print(child.pid, flush=True)
    time.sleep(60)
"""


@pytest.fixture
def ledger(tmp_path):
    return tmp_path / "out" / "night.ledger.sqlite"


@pytest.fixture
def holder(ledger):
    """Another process that holds the lock, and the id of its child."""
    process = subprocess.Popen([sys.executable, "-c", HOLDER, str(ledger)], stdout=subprocess.PIPE, text=True)
    child = int(process.stdout.readline())
    yield process, child
    process.kill()
    process.wait()
    process.stdout.close()
    if psutil.pid_exists(child):
        os.kill(child, signal.SIGKILL)


def test_a_second_batch_is_refused_and_the_message_names_the_first(ledger, holder):
    with pytest.raises(RequestError) as refused, only_batch(ledger):
        pass
    (problem,) = refused.value.problems
    assert problem.rule == "batch-running"
    assert f"process {holder[0].pid} on " in problem.message
    assert str(ledger.parent) in problem.message


def test_a_batch_that_was_killed_holds_nothing_and_neither_do_its_children(ledger, holder):
    process, child = holder
    process.kill()
    process.wait()
    assert psutil.pid_exists(child)
    with only_batch(ledger):
        assert f"process {os.getpid()} on" in next(ledger.parent.glob("*.holder")).read_text()


def test_it_is_free_after_a_batch_that_ended_or_failed(ledger):
    with only_batch(ledger):
        pass
    with pytest.raises(ZeroDivisionError), only_batch(ledger):
        raise ZeroDivisionError
    with only_batch(ledger):
        pass
    assert [path.name for path in ledger.parent.iterdir()] == [".night.ledger.sqlite.lock"]


def test_it_is_refused_in_the_same_process_as_well(ledger):
    with only_batch(ledger):
        with pytest.raises(RequestError, match="another batch is at work"), only_batch(ledger):
            pass
        # The refused one has taken nothing away.
        with pytest.raises(RequestError, match=f"process {os.getpid()} on"), only_batch(ledger):
            pass


def test_other_ledgers_in_the_same_folder_are_free(ledger):
    with only_batch(ledger), only_batch(ledger.with_name("other.ledger.sqlite")):
        pass


def test_only_one_at_a_time_of_many(ledger):
    inside, most, entered = [], [], []
    start = threading.Barrier(6)

    def attempt():
        start.wait()
        for _ in range(30):
            try:
                with only_batch(ledger):
                    inside.append(1)
                    most.append(len(inside))
                    entered.append(1)
                    time.sleep(0.001)
                    inside.pop()
            except RequestError:
                pass

    threads = [threading.Thread(target=attempt) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert entered
    assert max(most) == 1


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(FileError) as failed, only_batch(tmp_path / "out" / "night.ledger.sqlite"):
        pass
    assert str(tmp_path / "out") in str(failed.value)


def test_a_lock_that_is_a_folder_is_named(ledger):
    (ledger.parent / ".night.ledger.sqlite.lock").mkdir(parents=True)
    with pytest.raises(FileError, match=r"night\.ledger\.sqlite\.lock"), only_batch(ledger):
        pass


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP])
def test_a_disk_without_locks_is_an_error_of_the_file(ledger, monkeypatch, number):
    """As network shares may be. A lock that outlives a killed process would be worse than none."""
    import fcntl

    def refused(descriptor, operation):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", refused)
    with pytest.raises(FileError, match="lock"), only_batch(ledger):
        pass


def test_who_may_read_the_note_does_not_matter(ledger, holder):
    next(ledger.parent.glob("*.holder")).write_bytes(b"\xff\xfe not text \xff")
    with pytest.raises(RequestError, match="another batch is at work"), only_batch(ledger):
        pass
