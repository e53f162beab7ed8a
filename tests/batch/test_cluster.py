"""A batch on a real scheduler of dask.distributed with two worker processes on this machine."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

import psutil
import pytest
from small_batch import fault, hidden, ledger_is_sound, make, pictures, start, whole_pictures

from stackcomp import RequestError
from stackcomp.batch import cluster as cluster_module
from stackcomp.batch.cluster import ClusterPool, render_frame
from stackcomp.batch.pool import Task
from stackcomp.batch.work import ShotSpec
from stackcomp.nodes.outside_kinds import Origin

pytest.importorskip("distributed")
pytestmark = pytest.mark.slow
FRAMES = 24


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


class Cluster(NamedTuple):
    address: str
    workers: list[subprocess.Popen]
    scheduler: subprocess.Popen
    worker: Callable[..., subprocess.Popen]


@pytest.fixture
def cluster(tmp_path_factory):
    """A scheduler, its two workers, and what starts further ones."""
    folder, port = tmp_path_factory.mktemp("dask"), free_port()
    address = f"tcp://127.0.0.1:{port}"
    common = ["--no-dashboard"]
    processes = []

    def begin(*words: str, **environment: str) -> subprocess.Popen:
        log = (folder / f"log.{len(processes)}").open("wb")
        with log:
            process = subprocess.Popen(
                [sys.executable, "-m", "distributed.cli." + words[0], *words[1:], *common],
                cwd=folder, stdout=log, stderr=log, env={**os.environ, "STACKCOMP_THREADS": "1", **environment},
                start_new_session=True,
            )  # fmt: skip
        processes.append(process)
        return process

    scheduler = begin("dask_scheduler", "--host", "127.0.0.1", "--port", str(port))

    def worker(**environment: str) -> subprocess.Popen:
        return begin("dask_worker", address, "--nthreads", "1", "--no-nanny", **environment)

    workers = [worker() for _ in range(2)]
    try:
        wait_for(address, 2)
        yield Cluster(address, workers, scheduler, worker)
    finally:
        for process in processes:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def wait_for(address: str, count: int, pids: list[int] | None = None) -> None:
    """Until there are so many workers; those of these processes, where they are named, and no others."""
    from distributed import Client

    deadline = time.monotonic() + 60
    while True:
        try:
            with Client(address, timeout=5, set_as_default=False) as client:
                client.wait_for_workers(count, timeout=30)
                while pids is not None and sorted(client.run(os.getpid).values()) != sorted(pids):
                    assert time.monotonic() < deadline, "the workers do not come"
                    time.sleep(0.2)
                return
        except OSError:
            assert time.monotonic() < deadline, "the scheduler does not answer"
            time.sleep(0.2)


@pytest.fixture(scope="module")
def local(tmp_path_factory):
    """The pictures of a batch on this machine alone."""
    root = tmp_path_factory.mktemp("local")
    make(root, FRAMES)
    with start(root, "--workers", "2") as run:
        assert run.wait() == 0, run.err
    return pictures(root)


def test_one_of_two_workers_is_killed_and_all_frames_are_those_of_a_local_run(tmp_path, cluster, local):
    address, workers, *_ = cluster
    make(tmp_path, FRAMES)
    with start(tmp_path, "--cluster", address) as run:
        run.until_frames(4)
        psutil.Process(workers[0].pid).kill()
        assert run.wait(120) == 0, run.err
        (summary,) = run.of("summary")
        assert (summary["done"], summary["failed"]) == (FRAMES, [])
        assert len(run.of("frame")) == FRAMES
    assert pictures(tmp_path) == local
    assert ledger_is_sound(tmp_path) == set(range(1, FRAMES + 1))
    # A batch on this machine goes on from there: there is one ledger, whoever rendered.
    with start(tmp_path) as run:
        assert run.wait() == 0
        assert run.of("summary")[0]["up_to_date"] == FRAMES
    assert hidden(tmp_path) == []


def test_a_frame_that_fails_does_so_alone(tmp_path, cluster):
    address = cluster.address
    make(tmp_path, 4)
    data = (tmp_path / "in" / "0002.exr").read_bytes()
    (tmp_path / "in" / "0002.exr").write_bytes(data[:-200])
    with start(tmp_path, "--cluster", address) as run:
        assert run.wait(60) == 1, run.err
        (failed,) = run.of("summary")[0]["failed"]
        assert failed["frame"] == 2
        assert "0002.exr" in failed["reason"]
        assert len(run.of("frame")) == 3


def test_workers_of_another_version_are_refused(tmp_path, cluster, monkeypatch):
    address = cluster.address
    monkeypatch.setattr(cluster_module, "__version__", "9.9.9")
    spec = ShotSpec("", "{}", "", str(tmp_path))
    with pytest.raises(RequestError, match=r"has stackcomp .*, and this is 9\.9\.9") as caught:
        ClusterPool(address, {"": spec}, log=lambda message: None)
    assert "same version" in caught.value.problems[0].way_out


def test_workers_that_do_not_see_the_files_are_refused(tmp_path, cluster):
    address = cluster.address
    spec = ShotSpec("", "{}", "", str(tmp_path / "nowhere"))
    with pytest.raises(RequestError, match="does not see the folder"):
        ClusterPool(address, {"": spec}, log=lambda message: None)


def test_an_address_where_nobody_answers_is_a_wrong_request(tmp_path):
    make(tmp_path, 1)
    with start(tmp_path, "--cluster", f"tcp://127.0.0.1:{free_port()}") as run:
        assert run.wait(40) == 2
        assert "no scheduler answers at tcp://127.0.0.1" in run.err
        assert "Traceback" not in run.err


def test_nothing_is_raised_in_a_worker(tmp_path):
    record = render_frame(ShotSpec("wide", "{", "", str(tmp_path), sinks=("out",)), 7)
    assert (record.shot, record.frame) == ("wide", 7)
    assert record.reason is not None
    assert record.reason.message


@pytest.fixture
def slow(tmp_path):
    """The environment of workers that take a while for each frame."""
    return fault(tmp_path / "slow", ".exr", "time.sleep(0.1)")


def only(cluster, environment):
    """Replace both workers by ones in another environment."""
    for process in cluster.workers:
        process.kill()
        process.wait()
    cluster.workers[:] = [cluster.worker(**environment) for _ in range(2)]
    wait_for(cluster.address, 2, [process.pid for process in cluster.workers])


def test_one_press_finishes_what_was_handed_out(tmp_path, cluster, slow):
    only(cluster, slow)
    make(tmp_path, FRAMES)
    with start(tmp_path, "--cluster", cluster.address) as run:
        run.until_frames(3)
        run.interrupt()
        assert run.wait(60) == 130, run.err
        (summary,) = run.of("summary")
        assert "Traceback" not in run.err
    done = ledger_is_sound(tmp_path)
    assert {entry["frame"] for entry in run.of("frame")} == done
    assert done | {entry["frame"] for entry in summary["not_begun"]} == set(range(1, FRAMES + 1))
    assert len(done) < FRAMES
    assert whole_pictures(tmp_path) == 2 * len(done)
    assert hidden(tmp_path) == []


def test_two_presses_stop_at_once_and_the_next_run_goes_on(tmp_path, cluster, slow, local):
    only(cluster, slow)
    make(tmp_path, FRAMES)
    with start(tmp_path, "--cluster", cluster.address) as run:
        run.until_frames(3)
        run.interrupt()
        run.interrupt()
        started = time.monotonic()
        assert run.wait(60) == 130, run.err
        assert time.monotonic() - started < 5
        assert "Traceback" not in run.err
    ledger_is_sound(tmp_path)
    with start(tmp_path, "--cluster", cluster.address) as run:
        assert run.wait(60) == 0, run.err
    assert pictures(tmp_path) == local
    assert hidden(tmp_path) == []


def test_the_batch_is_killed_and_the_next_run_goes_on(tmp_path, cluster, slow, local):
    """Workers may still write what the killed batch asked for."""
    only(cluster, slow)
    make(tmp_path, FRAMES)
    for number in (1, 3, 6):
        with start(tmp_path, "--cluster", cluster.address) as run:
            run.until_frames(number)
            run.process.kill()
            run.process.wait()
        whole_pictures(tmp_path)
        ledger_is_sound(tmp_path)
    with start(tmp_path, "--cluster", cluster.address) as run:
        assert run.wait(60) == 0, run.err
    assert pictures(tmp_path) == local
    assert hidden(tmp_path) == []


def test_a_scheduler_that_is_gone_ends_the_batch(tmp_path, cluster, slow):
    only(cluster, slow)
    make(tmp_path, FRAMES)
    with start(tmp_path, "--cluster", cluster.address) as run:
        run.until_frames(3)
        cluster.scheduler.kill()
        cluster.scheduler.wait()
        assert run.wait(60) == 1, run.out + run.err
        (summary,) = run.of("summary")
        assert any("is gone" in note["text"] for note in run.of("note"))
        assert "Traceback" not in run.err
        assert "bug" not in run.err
    assert summary["done"] == len(ledger_is_sound(tmp_path)) >= 3
    whole_pictures(tmp_path)


def test_where_all_workers_are_gone_it_says_so_and_a_new_one_goes_on(tmp_path, cluster, slow):
    only(cluster, slow)
    make(tmp_path, FRAMES)
    with start(tmp_path, "--cluster", cluster.address) as run:
        run.until_frames(3)
        for process in cluster.workers:
            process.kill()
            process.wait()
        run.until(lambda: [note for note in run.of("note") if "no workers" in note["text"]], 30)
        cluster.worker()
        assert run.wait(60) == 0, run.err
    assert ledger_is_sound(tmp_path) == set(range(1, FRAMES + 1))


def test_a_result_that_is_gone_with_its_worker_is_made_again(tmp_path, cluster, monkeypatch):
    """Its frame was finished, its report not fetched yet; a new worker comes after the fetch has timed out."""
    make(tmp_path, 1)
    spec = ShotSpec("", (tmp_path / "shot.json").read_text(), "", str(tmp_path), sinks=("half", "float"))
    monkeypatch.setattr(cluster_module, "_PATIENCE", 1)
    pool = ClusterPool(cluster.address, {"": spec}, log=lambda message: None)
    ended, later = pool._ended, threading.Timer(2, cluster.worker)

    def killed(futures):
        done = ended(futures)
        if done and not later.is_alive() and not later.finished.is_set():
            for process in cluster.workers:
                process.kill()
                process.wait()
            later.start()
        return done

    monkeypatch.setattr(pool, "_ended", killed)
    (record,) = pool.run([Task("", 1)])
    later.join()
    assert record.reason is None, record.reason


def test_a_worker_that_joins_later_is_asked_for_its_version_as_well(tmp_path, cluster, slow):
    only(cluster, slow)
    make(tmp_path, FRAMES)
    other = tmp_path / "other"
    other.mkdir()
    (other / "sitecustomize.py").write_text("import stackcomp.version\nstackcomp.version.__version__ = '9.9.9'\n")
    with start(tmp_path, "--cluster", cluster.address) as run:
        run.until_frames(1)
        cluster.worker(PYTHONPATH=os.pathsep.join([str(other), os.environ.get("PYTHONPATH", "")]))
        assert run.wait(90) in (0, 1), run.err
    # What it rendered would be marked with its version.
    for name, data in pictures(tmp_path).items():
        assert b"9.9.9" not in data, name


@pytest.mark.parametrize(
    "address",
    ["", "nowhere", "tcp://127.0.0.1", "127.0.0.1:abc", "127.0.0.1:99999", "http://127.0.0.1:80", "tls://127.0.0.1:9",
     "gopher://here:1", "inproc://1", "tcp://[::1", "tcp://no.such.host.invalid:8786"],
)  # fmt: skip
def test_an_address_that_is_none_is_a_wrong_request(tmp_path, address):
    make(tmp_path, 1)
    started = time.monotonic()
    with start(tmp_path, "--cluster", address) as run:
        assert run.wait(60) == 2, run.err
        assert "--cluster" in run.err
        for word in ("Traceback", "Exception ignored", "bug"):
            assert word not in run.err
    assert time.monotonic() - started < 20
    # A request that is refused leaves nothing behind.
    assert not (tmp_path / "out").exists()


def test_a_port_where_something_else_answers_is_a_wrong_request(tmp_path):
    make(tmp_path, 1)
    with socket.create_server(("127.0.0.1", 0)) as other:

        def answer():
            with contextlib.suppress(OSError):
                while True:
                    connection, _ = other.accept()
                    connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 4)
                    connection.close()

        threading.Thread(target=answer, daemon=True).start()
        started = time.monotonic()
        with start(tmp_path, "--cluster", f"tcp://127.0.0.1:{other.getsockname()[1]}") as run:
            assert run.wait(60) == 2, run.err
            assert "Traceback" not in run.err
            assert "bug" not in run.err
        assert time.monotonic() - started < 20
        other.shutdown(socket.SHUT_RDWR)


def test_a_worker_without_a_package_of_kinds_is_refused(tmp_path, cluster, monkeypatch):
    class Kinds(list):
        def origin(self, word):
            return Origin("boatyard-kinds", "1.0") if "." in word else None

    monkeypatch.setattr(cluster_module, "KINDS", Kinds(["over", "boatyard.patina"]))
    with pytest.raises(RequestError, match=r"has no boatyard-kinds, and this is 1\.0"):
        ClusterPool(cluster.address, {"": ShotSpec("", "{}", "", str(tmp_path))}, log=lambda message: None)
