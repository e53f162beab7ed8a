"""What the pytest plugin costs a run that does not use it.

Whole runs over one file with an empty test, a process each, in turn with and without the plugin. What counts is
the processor's time (user and system), which other processes disturb least: the best of all rounds, and the median
of the differences within a round. Beside it the plugin's import alone, in a process that has imported pytest.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

__all__ = ["table"]

_IMPORT = """
import pytest, time
started = time.perf_counter()
import stackcomp.pytest_plugin
print(time.perf_counter() - started)
"""


def _run(folder: str, *options: str) -> float:
    """Milliseconds of the processor that a run takes."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *options, "test_empty.py"]
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return (used.ru_utime + used.ru_stime) * 1e3


def _import() -> float:
    done = subprocess.run([sys.executable, "-c", _IMPORT], check=True, capture_output=True, text=True)
    return float(done.stdout) * 1e3


def table(rounds: int) -> str:
    """Run the benchmark and return its table."""
    contestants: dict[str, tuple[str, ...]] = {"without the plugin": ("-p", "no:stackcomp"), "with it": ()}
    found: dict[str, list[float]] = {name: [] for name in contestants}
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "test_empty.py").write_text("def test_nothing(): pass\n")
        for options in contestants.values():
            _run(folder, *options)
        for _ in range(rounds):
            for name, options in contestants.items():
                found[name].append(_run(folder, *options))
    without, with_it = found.values()
    more = statistics.median(b - a for a, b in zip(without, with_it, strict=True))
    imports = [_import() for _ in range(rounds)]
    lines = ["### A run of pytest that compares no render: milliseconds of the processor", ""]
    lines += ["| | best | median |", "|---|---:|---:|"]
    lines += [f"| {name} | {min(times):.0f} | {statistics.median(times):.0f} |" for name, times in found.items()]
    lines.append(f"| difference | {min(with_it) - min(without):.1f} | {more:.1f} |")
    lines.append(f"| import of the plugin alone (clock) | {min(imports):.1f} | {statistics.median(imports):.1f} |")
    return "\n".join([*lines, ""])
