"""What the pytest plugin costs a run that does not use it.

Whole processes take a second, and the same command twice differs by 20 ms of the processor's time on a machine
that others use. So the two parts are measured where less disturbs them: the plugin's import, in new processes that
have imported pytest; and runs over one file with an empty test, with and without the plugin in turn, in one
process.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

__all__ = ["table"]

# As pytest loads it: through its entry point, by the hook that rewrites assertions.
_IMPORT = """
import contextlib, importlib.metadata, io, json, os, time
import pytest
with contextlib.redirect_stdout(io.StringIO()):
    pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:stackcomp", "test_empty.py"])
(plugin,) = importlib.metadata.entry_points(group="pytest11", name="stackcomp")
started = time.process_time()
plugin.load()
print(json.dumps((time.process_time() - started) * 1e3))
"""

_RUNS = """
import contextlib, io, json, sys, time
import pytest

def run(*options):
    started = time.process_time()
    with contextlib.redirect_stdout(io.StringIO()):
        assert pytest.main(["-q", "-p", "no:cacheprovider", *options, "test_empty.py"]) == 0
    return (time.process_time() - started) * 1e3

pairs = [(run("-p", "no:stackcomp"), run()) for _ in range(int(sys.argv[1]) + 2)]
print(json.dumps(pairs[2:]))
"""


def _measured(code: str, folder: str, *arguments: str) -> object:
    command = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True)
    return json.loads(done.stdout)


def table(rounds: int) -> str:
    """Run the benchmark and return its table."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "test_empty.py").write_text("def test_nothing(): pass\n")
        imports = [_measured(_IMPORT, folder) for _ in range(rounds)]
        pairs = _measured(_RUNS, folder, str(4 * rounds))
    alone = statistics.median(imports)
    without, with_it = (statistics.median(one[k] for one in pairs) for k in (0, 1))
    more = statistics.median(b - a for a, b in pairs)
    lines = [
        "### A run of pytest that compares no render: milliseconds of the processor, medians",
        "",
        "| | |",
        "|---|---:|",
        f"| import of the plugin | {alone:.1f} |",
        f"| a run without it | {without:.1f} |",
        f"| a run with it | {with_it:.1f} |",
        f"| median of the differences | {more:.1f} |",
        f"| what the plugin costs | {alone + more:.1f} |",
    ]
    return "\n".join([*lines, ""])
