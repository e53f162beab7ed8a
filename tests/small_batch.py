"""A batch of small frames run as a program, its processes, and what is on the disk afterwards."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import OpenEXR
import psutil

from stackcomp import Graph, Window
from stackcomp.files import exr

__all__ = [
    "Run",
    "children",
    "fault",
    "gone",
    "hidden",
    "ledger_is_sound",
    "make",
    "pictures",
    "start",
    "surroundings",
    "whole_pictures",
    "workers",
]

_HIDDEN = re.compile(r"\..+\.\d+-\d+\.exr")


def make(root: Path, frames: int, *, size: tuple[int, int] = (320, 180), between: str = "glow") -> None:
    """A graph ``shot.json`` and what it reads: a picture a frame, from which two are made.

    Args:
        between: an area kind that takes some time; ``""`` for none.
    """
    (root / "in").mkdir(parents=True, exist_ok=True)
    window = Window.of_size(*size)
    rows, columns = np.indices(window.shape, dtype=np.float32)
    for frame in range(1, frames + 1):
        draw = np.random.default_rng(frame).integers(0, 32, window.shape).astype(np.float32) / 256
        planes = {"R": columns / size[0] + draw, "G": rows / size[1], "B": draw, "A": np.ones_like(rows)}
        exr.write(root / "in" / f"{frame:04d}.exr", planes, window=window, display=window)
    graph = Graph(frames=f"1-{frames}")
    graph.add("read", "plate", path="in/{frame:04d}.exr", encoding="ACEScg")
    stops = {"keys": [[1, 0.5], [max(2, frames), 2]], "between": "linear"}
    last = graph.add("exposure", "lit", image="plate", stops=stops)
    if between:
        last = graph.add(between, "soft", image="lit", radius=4)
    graph.add("deliver", "half", image=last, path="out/half.{frame:04d}.exr")
    graph.add("deliver", "float", image="lit", path="out/float.{frame:04d}.exr", pixel_type="float")
    (root / "shot.json").write_text(graph.to_json())


class Run:
    """The program at work; it leads a process group of its own."""

    def __init__(self, command: list[str], environment: Mapping[str, str], folder: Path, said: Path) -> None:
        self._files = said.with_suffix(".out"), said.with_suffix(".err")
        with self._files[0].open("wb") as out, self._files[1].open("wb") as err:
            self.process = subprocess.Popen(
                command, stdout=out, stderr=err, env={**surroundings(), **environment}, cwd=folder,
                start_new_session=True,
            )  # fmt: skip
        self.pid = self.process.pid

    @property
    def out(self) -> str:
        return self._files[0].read_text()

    @property
    def err(self) -> str:
        return self._files[1].read_text()

    @property
    def events(self) -> list[dict]:
        """What ``--json`` has said so far."""
        return [json.loads(line) for line in self.out.splitlines(keepends=True) if line.endswith("\n")]

    def of(self, event: str) -> list[dict]:
        return [entry for entry in self.events if entry["event"] == event]

    def wait(self, seconds: float = 60) -> int:
        """The exit code."""
        return self.process.wait(seconds)

    def until(self, what, seconds: float = 60):
        """Wait until something holds; it may end the program."""
        deadline = time.monotonic() + seconds
        while not (found := what()):
            assert time.monotonic() < deadline, f"it did not come to that:\n{self.out}\n{self.err}"
            assert self.process.poll() is None or what(), f"it has ended before:\n{self.out}\n{self.err}"
            time.sleep(0.005)
        return found

    def until_frames(self, number: int) -> None:
        self.until(lambda: len(self.of("frame")) >= number)

    def interrupt(self, *, group: bool = True) -> None:
        """What Ctrl-C in a terminal does: the signal goes to all processes of the group."""
        (os.killpg if group else os.kill)(self.pid, signal.SIGINT)

    def kill_group(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.pid, signal.SIGKILL)


@contextlib.contextmanager
def start(root: Path, *options: str, file: str = "shot.json", **environment: str) -> Iterator[Run]:
    """Run ``stackcomp batch`` on a shot that `make` made; whatever is left of it at the end is killed."""
    number = len(list(root.glob("said.*.out")))
    own = [] if file == "sequence.json" else ["--root", "."]
    command = [sys.executable, "-m", "stackcomp", "batch", file, *own, "--json", *options]
    run = Run(command, environment, root, root / f"said.{number}.out")
    processes: list[psutil.Process] = []
    try:
        yield run
    finally:
        processes = children(run.pid)
        run.kill_group()
        run.process.wait()
        for process in processes:
            with contextlib.suppress(psutil.Error):
                process.kill()


def surroundings() -> dict[str, str]:
    """The environment, with output buffered as it is for anybody."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}


_FAULT = """
import os, signal, sys, time

def _heard(event, arguments):
    if event == "open" and str(arguments[0]).endswith({name!r}):
        {action}

if any(word in " ".join(sys.orig_argv) for word in ("spawn_main", "dask_worker")):
    sys.addaudithook(_heard)
"""


def fault(folder: Path, name: str, action: str) -> dict[str, str]:
    """An environment in which workers, and no other process, do something when they open a file.

    Args:
        folder: for the module that does it, which Python loads when it starts.
        name: end of the file's path.
        action: one line of Python.
    """
    folder.mkdir(exist_ok=True)
    (folder / "sitecustomize.py").write_text(_FAULT.format(name=name, action=action))
    paths = [str(folder), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {"PYTHONPATH": os.pathsep.join(paths)}


def children(pid: int) -> list[psutil.Process]:
    """All processes below one; those that Python keeps beside spawned ones as well."""
    try:
        return psutil.Process(pid).children(recursive=True)
    except psutil.Error:
        return []


def workers(pid: int) -> list[psutil.Process]:
    """Worker processes below one."""
    found = []
    for process in children(pid):
        with contextlib.suppress(psutil.Error):
            if "spawn_main" in " ".join(process.cmdline()):
                found.append(process)
    return found


def gone(processes: list[psutil.Process], seconds: float) -> bool:
    """Whether all have ended in time."""
    deadline = time.monotonic() + seconds
    while True:
        alive = [process for process in processes if _alive(process)]
        if not alive or time.monotonic() > deadline:
            return not alive
        time.sleep(0.02)


def _alive(process: psutil.Process) -> bool:
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.Error:
        return False


def pictures(root: Path) -> dict[str, bytes]:
    """The files under final names."""
    return {path.name: path.read_bytes() for path in sorted((root / "out").glob("[!.]*.exr"))}


def whole_pictures(root: Path) -> int:
    """Read every file under a final name with OpenEXR's own library; how many there are."""
    count = 0
    for path in sorted((root / "out").glob("[!.]*.exr")):
        with OpenEXR.File(str(path)) as file:
            for channel in file.channels().values():
                assert np.isfinite(np.asarray(channel.pixels, np.float32)).all(), path
        count += 1
    return count


def hidden(root: Path) -> list[str]:
    """Names of unfinished pictures."""
    return sorted(path.name for path in (root / "out").glob(".*") if _HIDDEN.fullmatch(path.name))


def ledger_is_sound(root: Path) -> set[int]:
    """Ask SQLite itself; the frames that the ledger has as done."""
    path = root / "out" / "shot.ledger.sqlite"
    if not path.exists():
        return set()
    with contextlib.closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        tables = {name for (name,) in database.execute("SELECT name FROM sqlite_master")}
        if "frames" not in tables:
            return set()
        return {frame for (frame,) in database.execute("SELECT frame FROM frames WHERE done = 1")}
