"""A batch on a real scheduler of dask.distributed with two worker processes on this machine."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time

import psutil
import pytest
from small_batch import hidden, ledger_is_sound, make, pictures, start

from stackcomp import RequestError
from stackcomp.batch import cluster as cluster_module
from stackcomp.batch.cluster import ClusterPool, render_frame
from stackcomp.batch.work import ShotSpec

pytest.importorskip("distributed")
pytestmark = pytest.mark.slow
FRAMES = 24


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


@pytest.fixture
def cluster(tmp_path_factory):
    """Address of a scheduler, and its two workers."""
    folder, port = tmp_path_factory.mktemp("dask"), free_port()
    address = f"tcp://127.0.0.1:{port}"
    common = ["--no-dashboard"]
    processes = []

    def begin(*words: str) -> subprocess.Popen:
        log = (folder / f"log.{len(processes)}").open("wb")
        with log:
            process = subprocess.Popen(
                [sys.executable, "-m", "distributed.cli." + words[0], *words[1:], *common],
                cwd=folder, stdout=log, stderr=log, env={**os.environ, "STACKCOMP_THREADS": "1"},
                start_new_session=True,
            )  # fmt: skip
        processes.append(process)
        return process

    begin("dask_scheduler", "--host", "127.0.0.1", "--port", str(port))
    workers = [begin("dask_worker", address, "--nthreads", "1", "--no-nanny") for _ in range(2)]
    try:
        wait_for(address, 2)
        yield address, workers
    finally:
        for process in processes:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def wait_for(address: str, count: int) -> None:
    from distributed import Client

    deadline = time.monotonic() + 60
    while True:
        try:
            with Client(address, timeout=5, set_as_default=False) as client:
                client.wait_for_workers(count, timeout=30)
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
    address, workers = cluster
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
    address, _ = cluster
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
    address, _ = cluster
    monkeypatch.setattr(cluster_module, "__version__", "9.9.9")
    spec = ShotSpec("", "{}", "", str(tmp_path))
    with pytest.raises(RequestError, match=r"has stackcomp .*, and this is 9\.9\.9") as caught:
        ClusterPool(address, {"": spec}, log=lambda message: None)
    assert "same version" in caught.value.problems[0].way_out


def test_workers_that_do_not_see_the_files_are_refused(tmp_path, cluster):
    address, _ = cluster
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
