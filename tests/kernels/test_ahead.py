"""Kernels compiled before the first frame, by two processes."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from stackcomp.kernels import ahead
from stackcomp.nodes.base import AreaNode, Node
from stackcomp.nodes.kinds import KINDS

TESTS = Path(__file__).parents[1]
#: Those that look at neighbours, and others that have kernels of their own.
AREA_KINDS = [
    name for name, kind in KINDS.items() if issubclass(kind, AreaNode) or kind.kernels is not Node.kernels
]
#: Compiles what a kind says, then tells what its examples compile on top, at full and half size.
BEYOND = """
import json, sys
sys.path[:0] = [{tests!r}, {tests!r} + "/nodes"]
from pathlib import Path
from test_laws import EXAMPLES, write_files
from stackcomp import Composition
from stackcomp.kernels import ahead, compiled

own, cold, beyond = [], [], []
folder = Path({folder!r})
write_files(folder)
for example in EXAMPLES:
    if example.kind == {kind!r}:
        composition = Composition(example.graph(), root=folder)
        names = [*composition.document.nodes["it"].kernels(), "resample"]
        compiled.on_compile.append(own.append)
        for name in names:
            ahead.KERNELS[name]()
        cold += [name for name in names if ahead.is_cold(name)]
        compiled.on_compile.remove(own.append)
        compiled.on_compile.append(beyond.append)
        for scale in (1, 0.5):
            composition.render("it", 1, replace=example.given, scale=scale)
        compiled.on_compile.remove(beyond.append)
print(json.dumps([own, cold, beyond]))
"""


@pytest.mark.slow
@pytest.mark.parametrize("kind", AREA_KINDS)
def test_a_kind_names_all_kernels_that_it_runs(kind, tmp_path):
    code = BEYOND.format(tests=str(TESTS), kind=kind, folder=str(tmp_path))
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path), "STACKCOMP_CACHE": str(tmp_path)}
    run = subprocess.run([sys.executable, "-c", code], env=environment, text=True, capture_output=True, check=True)
    own, cold, beyond = json.loads(run.stdout)
    assert own, "nothing was compiled, so the test says nothing"
    assert not beyond
    assert not cold


def test_whether_a_kernel_is_on_disk_is_known_of_all():
    # Asked before the first frame of a graph that names it; a name without its modules ended the render.
    assert ahead._MODULES.keys() == ahead.KERNELS.keys()
    assert {type(ahead.is_cold(name)) for name in ahead.KERNELS} == {bool}


@pytest.fixture
def handled(monkeypatch):
    """Names that this process compiled; all count as missing on disk."""
    names = []
    monkeypatch.setattr(ahead, "is_cold", lambda name: True)
    monkeypatch.setattr(
        ahead, "KERNELS", {name: lambda name=name: names.append(name) for name in ("a", "b", "c", "gaussian")}
    )
    return names


@pytest.mark.slow
def test_two_processes_share_the_work(handled, monkeypatch):
    import threading

    told, given = [], threading.Event()
    # This process is busy until the other one has asked.
    monkeypatch.setitem(ahead.KERNELS, "a", lambda: (handled.append("a"), given.wait(60)))

    def tell(name):
        told.append(name)
        given.set()

    ahead.compile_ahead(["a", "gaussian"], tell)
    assert (handled, told) == (["a"], ["gaussian"])


@pytest.mark.parametrize("program", ["true", "false", "cat", None])
def test_without_a_second_process_this_one_does_all(handled, monkeypatch, tmp_path, program):
    command = str(tmp_path / "missing") if program is None else shutil.which(program)
    monkeypatch.setattr(sys, "executable", command)
    told = []
    ahead.compile_ahead(["a", "b", "c", "other"], told.append)
    assert (handled, told) == (["a", "b", "c"], [])


def test_one_kernel_is_compiled_when_it_is_used(handled, monkeypatch):
    monkeypatch.setattr(subprocess, "Popen", None)
    ahead.compile_ahead(["b"], print)
    assert handled == []


def test_a_failure_here_ends_the_second_process(handled, monkeypatch):
    processes, start = [], subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: processes.append(start(*a, **k)) or processes[0])

    def fail():
        raise KeyboardInterrupt

    monkeypatch.setitem(ahead.KERNELS, "a", fail)
    with pytest.raises(KeyboardInterrupt):
        ahead.compile_ahead(["a", "b"], lambda name: None)
    assert processes[0].returncode is not None
