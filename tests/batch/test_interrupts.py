"""Ctrl-C: once finishes what is in flight, twice does not; every file is whole, and the next run goes on."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_batch import (
    children,
    gone,
    hidden,
    ledger_is_sound,
    make,
    pictures,
    start,
    surroundings,
    whole_pictures,
    workers,
)

from stackcomp.batch.run import Options
from stackcomp.cli.shots import open_batch

pytestmark = pytest.mark.slow

FRAMES = 24
#: What a process that meets Ctrl-C unprepared prints.
_UNPREPARED = ("Traceback", "KeyboardInterrupt", "Exception ignored")


@pytest.fixture
def shot(tmp_path):
    make(tmp_path, FRAMES)
    return tmp_path


def settled(run, shot, *, whole=True):
    """What holds after every stop: no process, whole files, a sound ledger, a message without traceback."""
    processes = children(run.pid)
    assert gone(processes, 2.0)
    assert not any(word in run.err for word in _UNPREPARED), run.err
    done = ledger_is_sound(shot)
    assert whole_pictures(shot) >= 2 * len(done)
    if whole:
        assert hidden(shot) == []
    return done


def finished(shot):
    """The next run renders what is left, and no more."""
    before = ledger_is_sound(shot)
    with start(shot) as run:
        assert run.wait() == 0, run.err
        (summary,) = run.of("summary")
    assert (summary["up_to_date"], summary["done"]) == (len(before), FRAMES - len(before))
    assert len(pictures(shot)) == 2 * FRAMES
    assert hidden(shot) == []


def twice(run):
    """As fast as fingers are; the system makes one of two signals that come before the first is heard."""
    run.interrupt()
    time.sleep(0.2)
    run.interrupt()


def test_one_press_finishes_the_frames_in_flight(shot):
    with start(shot, "--workers", "2") as run:
        run.until_frames(3)
        run.interrupt()
        assert run.wait() == 130
        (summary,) = run.of("summary")
        assert (summary["ok"], summary["exit_code"]) == (False, 130)
        assert [note["text"] for note in run.of("note") if note["text"].startswith("stopping:")] == [
            "stopping: frames in flight are finished; press Ctrl-C again to stop at once"
        ]
        done = settled(run, shot)
    left = {entry["frame"] for entry in summary["not_begun"]}
    assert {entry["frame"] for entry in run.of("frame")} == done
    assert len(done) == summary["done"] >= 3
    # What is neither done nor left would be lost.
    assert done | left == set(range(1, FRAMES + 1))
    assert not done & left
    assert 2 * len(done) == len(pictures(shot))
    finished(shot)


def test_two_presses_stop_at_once(shot):
    with start(shot, "--workers", "2") as run:
        run.until_frames(3)
        twice(run)
        started = time.monotonic()
        assert run.wait() == 130
        assert time.monotonic() - started < 5
        done = settled(run, shot, whole=False)
    assert len(done) < FRAMES
    finished(shot)


def test_presses_without_end_change_nothing(shot):
    with start(shot, "--workers", "2") as run:
        run.until_frames(1)
        while run.process.poll() is None:
            run.interrupt()
            time.sleep(0.02)
        assert run.wait() in (130, -signal.SIGINT)
        settled(run, shot, whole=False)
    finished(shot)


@pytest.mark.parametrize("delay", [0.0, 0.15, 0.3, 1.0])
def test_a_press_while_workers_start(shot, delay):
    """The terminal sends it to workers as well, which are still being loaded."""
    with start(shot, "--workers", "2") as run:
        run.until(lambda: len(workers(run.pid)) == 2)
        time.sleep(delay)
        run.interrupt()
        assert run.wait() in (130, 0)
        settled(run, shot)
    finished(shot)


@pytest.mark.parametrize("delay", [0.0, 0.3])
def test_two_presses_while_workers_start(shot, delay):
    with start(shot, "--workers", "2") as run:
        run.until(lambda: len(workers(run.pid)) >= 1)
        time.sleep(delay)
        twice(run)
        started = time.monotonic()
        assert run.wait() == 130
        assert time.monotonic() - started < 5
        settled(run, shot, whole=False)
    finished(shot)


def test_a_press_before_anything_is_begun(shot):
    with start(shot) as run:
        run.until(lambda: b"stackcomp" in Path(f"/proc/{run.pid}/cmdline").read_bytes())
        time.sleep(0.8)
        run.interrupt()
        # A library that is being loaded may swallow it; then the batch goes on as if nothing had been pressed.
        assert run.wait() in (130, -signal.SIGINT, 0)
        assert "Traceback" not in run.err
    finished(shot)


def test_a_press_while_nobody_reads_the_output(tmp_path):
    """The handler says something as well; where the program is writing already, that must not end it."""
    shot = tmp_path
    make(shot, 60)
    command = [sys.executable, "-m", "stackcomp", "batch", "shot.json", "--json", "--workers", "2", "--root", "."]
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, 4096)
    process = subprocess.Popen(
        command, cwd=shot, stdout=write, stderr=subprocess.PIPE, env=surroundings(), start_new_session=True
    )
    os.close(write)
    heard = b""
    try:
        while b'"event": "frame"' not in heard:
            heard += os.read(read, 4096)
        # Until the pipe is full, and the program waits in the middle of a line.
        deadline = time.monotonic() + 30
        while "pipe_w" not in Path(f"/proc/{process.pid}/wchan").read_text():
            assert time.monotonic() < deadline, "the output of this shot does not fill a pipe"
            time.sleep(0.01)
        os.killpg(process.pid, signal.SIGINT)
        time.sleep(0.5)
        while more := os.read(read, 65536):
            heard += more
        code = process.wait(60)
        said = process.stderr.read().decode()
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        process.stderr.close()
        os.close(read)
    assert "bug" not in said
    assert code == 130
    assert json.loads(heard.splitlines()[-1])["event"] == "summary"
    assert b"stopping: frames in flight" in heard


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_program_that_is_told_to_end_leaves_no_process(shot, number):
    """By a job scheduler, or a terminal that is closed; the signal goes to the program alone."""
    if signal.getsignal(number) == signal.SIG_IGN:
        pytest.skip("this signal is ignored here, as under nohup, and by what is started from here")
    with start(shot, "--workers", "2") as run:
        run.until_frames(2)
        processes = children(run.pid)
        os.kill(run.pid, number)
        assert run.wait() != 0
        assert gone(processes, 2.0)
    ledger_is_sound(shot)
    finished(shot)


class Told:
    """Is told what happens; ends it with an error at the first frame."""

    def __init__(self, error):
        self.error = error

    def frame(self, record):
        raise self.error

    def __getattr__(self, name):
        return lambda *_: None


def test_an_error_of_who_is_told_ends_the_workers_before_the_lock_is_given_back(shot):
    """From Python, where the error, and with it everything that was at work, may be kept."""
    batch = open_batch(str(shot / "shot.json"), str(shot), None, None)
    with pytest.raises(ZeroDivisionError) as kept:
        batch.run(Options(workers=2), Told(ZeroDivisionError()))
    assert kept.value is not None
    assert workers(os.getpid()) == []
    files = pictures(shot)
    time.sleep(0.5)
    assert pictures(shot).keys() == files.keys()


def test_two_batches_on_one_output(shot):
    with start(shot, "--workers", "1") as first:
        first.until_frames(1)
        # It stands still, so that it is at work for as long as the second needs to start.
        os.killpg(first.pid, signal.SIGSTOP)
        with start(shot) as second:
            assert second.wait() == 2
            (summary,) = second.of("summary")
        assert "another batch is at work" in summary["error"]
        assert f"process {first.pid} on" in summary["error"]
        os.killpg(first.pid, signal.SIGCONT)
        assert first.wait() == 0, first.err
    assert len(pictures(shot)) == 2 * FRAMES


def test_two_batches_with_other_names_on_one_output(shot):
    """Their ledgers do not know each other; the pictures are whole all the same, and nobody fails."""
    (shot / "other.json").write_text((shot / "shot.json").read_text())
    other = start(shot, "--root", ".", "--workers", "1", file="other.json")
    with start(shot, "--workers", "1") as first, other as second:
        codes = first.wait(), second.wait()
        assert set(codes) <= {0, 2}, first.err + second.err
    assert whole_pictures(shot) == 2 * FRAMES
    assert hidden(shot) == []
