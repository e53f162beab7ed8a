"""Every compiled loop releases the interpreter lock, or threads would wait for each other."""

from __future__ import annotations

import importlib
import pkgutil
import threading
import time
from itertools import pairwise

import numpy as np
import pytest
from numba.core.dispatcher import Dispatcher

import stackcomp
from stackcomp.kernels import pyramid
from stackcomp.kernels.gaussian import exact_gaussian, margin


def compiled_functions() -> dict[str, Dispatcher]:
    """Every compiled function of the package, by the module that holds it."""
    functions = {}
    for module in pkgutil.walk_packages(stackcomp.__path__, "stackcomp."):
        if module.name.endswith("__main__"):
            continue
        for name, value in vars(importlib.import_module(module.name)).items():
            if isinstance(value, Dispatcher) and value.py_func.__module__ == module.name:
                functions[f"{module.name}.{name}"] = value
    return functions


def test_no_compiled_function_holds_the_lock():
    functions = compiled_functions()
    modules = {name.rsplit(".", 1)[0] for name in functions}
    for name in ("disc_gather", "polygon", "pyramid", "resample", "warp"):
        assert f"stackcomp.kernels.{name}" in modules
    for name, function in functions.items():
        options = function.targetoptions
        # What is always copied into the loop that calls it, as `fastmath` is, runs under that loop's options.
        assert options.get("nogil") is True or options.get("forceinline") is True, name
        assert options["error_model"] == "numpy", name
        assert not options.get("fastmath"), name
        assert not options.get("parallel"), name


def test_another_thread_makes_progress_while_a_kernel_runs(monkeypatch):
    """A thread looks at the clock all the time; some of these looks fall into the middle of one call."""
    calls = []

    def whole(function, rows, **options):
        started = time.perf_counter()
        function(0, rows)
        calls.append((started, time.perf_counter()))

    monkeypatch.setattr(pyramid, "over_strips", whole)
    exact_gaussian(np.zeros((9, 2 * margin(1) + 1), np.float32), 1, 0)  # compiles
    looks: list[float] = []
    stop = threading.Event()

    def look() -> None:
        while not stop.is_set():
            looks.append(time.perf_counter())

    plane = np.zeros((3000, 2000 + 2 * margin(20)), np.float32)
    watching = threading.Thread(target=look)
    watching.start()
    try:
        for _ in range(5):  # on a busy machine the other thread may be the one that waits, for other reasons
            calls.clear()
            exact_gaussian(plane, 20, 0)
            ((started, ended),) = calls
            quarter = (ended - started) / 4
            within = [at for at in looks if started + quarter < at < ended - quarter]
            if len(within) > 10:
                break
        else:
            gap = max(later - earlier for earlier, later in pairwise(looks))
            pytest.fail(f"the other thread stood still for {gap:.2f} s while a kernel ran")
    finally:
        stop.set()
        watching.join()
