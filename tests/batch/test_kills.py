"""`kill -9` at random moments: pictures and ledger are whole, and the next run ends as if nothing had been.

Read back by OpenEXR's own library, and compared with an undisturbed run byte by byte; the ledger is asked by
SQLite's own check (https://www.sqlite.org/pragma.html#pragma_integrity_check).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import time

import psutil
import pytest
from small_batch import children, gone, hidden, ledger_is_sound, make, pictures, start, whole_pictures, workers

pytestmark = pytest.mark.slow

FRAMES = 60
#: Seconds for which a worker may outlive the process that started it.
_AFTER = 2.0


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """A folder with the shot, and the pictures of a run that nothing disturbed."""
    root = tmp_path_factory.mktemp("undisturbed")
    make(root, FRAMES)
    with start(root, "--workers", "2") as run:
        assert run.wait() == 0, run.err
    assert hidden(root) == []
    found = pictures(root)
    assert len(found) == 2 * FRAMES
    return root, found


@pytest.fixture
def shot(undisturbed, tmp_path):
    """The same shot without output."""
    root = tmp_path / "shot"
    shutil.copytree(undisturbed[0], root, ignore=shutil.ignore_patterns("out", "said.*"))
    return root


def check(root, expected):
    """What must hold after every kill."""
    whole_pictures(root)
    for name, contents in pictures(root).items():
        assert contents == expected[name], name
    done = ledger_is_sound(root)
    there = pictures(root)
    for frame in done:
        assert f"half.{frame:04d}.exr" in there
        assert f"float.{frame:04d}.exr" in there
    return len(done)


def finish(root, expected):
    """A last run, and what must hold after it."""
    with start(root, "--workers", "2") as run:
        assert run.wait() == 0, run.err
        processes = children(run.pid)
    assert gone(processes, 0)
    assert pictures(root) == expected
    assert ledger_is_sound(root) == set(range(1, FRAMES + 1))
    assert hidden(root) == []
    with start(root) as run:
        assert run.wait() == 0
        (summary,) = run.of("summary")
        assert (summary["done"], summary["up_to_date"]) == (0, FRAMES)


@pytest.mark.parametrize("whom", ["the group", "the parent"])
def test_the_program_is_killed_at_random_moments(undisturbed, shot, whom):
    _, expected = undisturbed
    draw = random.Random(whom)
    progress = [0]
    at_work = 0
    for number in range(10):
        if progress[-1] == FRAMES:
            # A fast machine is done before the tenth kill. The next kill needs a run that has something to do.
            shutil.rmtree(shot / "out")
            progress = [0]
        with start(shot, "--workers", "2") as run:
            # Moments are spread over everything: start, check, start of workers, frames. Most lie among frames.
            if number >= 3:
                run.until_frames(1)
                time.sleep(draw.uniform(0, 0.35))
            else:
                time.sleep(draw.uniform(0.3, 3))
            processes = children(run.pid)
            at_work += run.process.poll() is None
            if whom == "the group":
                run.kill_group()
            else:
                run.process.kill()
            run.process.wait()
            assert gone(processes, _AFTER), "a process has outlived the one that started it"
        progress.append(check(shot, expected))
        assert progress == sorted(progress)
        assert progress[-1] > 0 or number < 3
    assert at_work >= 5, "most kills came after the end of the run"
    finish(shot, expected)


def test_workers_are_killed_at_random_moments(undisturbed, shot):
    """Thirty kills during runs that go on. A frame that loses its worker twice fails, and no other."""
    _, expected = undisturbed
    draw = random.Random(3)
    kills = runs = 0
    while kills < 30:
        runs += 1
        assert runs < 12
        with start(shot, "--workers", "2", "--again") as run:
            while run.process.poll() is None and kills < 30:
                time.sleep(draw.uniform(0.05, 0.9))
                if victims := workers(run.pid):
                    draw.choice(victims).kill()
                    kills += 1
            code = run.wait()
            (summary,) = run.of("summary")
            reported = [entry["frame"] for entry in run.events if entry["event"] in ("frame", "failed")]
            assert sorted(reported) == list(range(1, FRAMES + 1))
            assert code == (1 if summary["failed"] else 0)
            assert all("ended by SIGKILL" in entry["reason"] for entry in summary["failed"])
            assert "Traceback" not in run.err
        check(shot, expected)
        # Of frames that are done nothing is left behind, whoever was killed while writing them.
        failed = {f".{kind}.{entry['frame']:04d}" for entry in summary["failed"] for kind in ("half", "float")}
        assert [name for name in hidden(shot) if name[: name.index(".", 6)] not in failed] == []
    finish(shot, expected)


def test_a_worker_that_is_killed_while_it_writes_leaves_nothing_behind(undisturbed, shot):
    """The next run has nothing to do at that frame, so this one must remove what its own workers left."""
    _, expected = undisturbed
    killed = False
    with start(shot, "--workers", "1") as run:
        while run.process.poll() is None:
            names = hidden(shot) if (shot / "out").is_dir() else []
            if names and not killed:
                os.kill(int(names[0].split(".")[-2].partition("-")[0]), signal.SIGSTOP)
                names = hidden(shot)
                process = psutil.Process(int(names[0].split(".")[-2].partition("-")[0])) if names else None
                if process is not None:
                    process.kill()
                    killed = True
                else:
                    for worker in workers(run.pid):
                        worker.resume()
        assert run.wait() == 0, run.err
    assert killed
    assert pictures(shot) == expected
    assert hidden(shot) == []


def test_the_ledger_can_be_read_while_a_batch_writes_it(shot):
    with start(shot, "--workers", "2") as run:
        seen = []
        while run.process.poll() is None:
            if (shot / "out" / "shot.ledger.sqlite").exists():
                try:
                    seen.append(len(ledger_is_sound(shot)))
                except sqlite3.OperationalError as error:
                    pytest.fail(f"{error}")
            time.sleep(0.05)
        assert run.wait() == 0, run.err
    assert seen == sorted(seen)
    assert len(set(seen)) > 3
