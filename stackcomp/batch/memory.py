"""Memory: what a worker needs for a shot, what there is, and what a process has used."""

from __future__ import annotations

import os
from pathlib import Path

import psutil

from stackcomp.plan.planning import Plan
from stackcomp.plan.steps.source import SourceStep

__all__ = ["available_memory", "estimate", "peak_memory", "resident_memory"]

#: Of a process that has loaded all libraries and compiled its loops; measured at 230 to 300 MB.
_PROCESS = 350_000_000
#: Pictures of four float32 planes that a frame takes beyond its inputs, at most.
_PICTURES = 4
#: What is left for the system, its cache of files and the process in charge.
_SPARED = 0.15


def estimate(plan: Plan, root: Path, threads: int) -> int:
    """Bytes that a worker needs: its inputs, and four pictures; with several threads it reads ahead.

    Args:
        plan: of the shot's deliver nodes.
        root: folder for relative paths.
        threads: of the worker.
    """
    nodes = plan.checked.nodes
    pixels = {name: node.display.width * node.display.height for name, node in nodes.items()}
    inputs = 0
    for step in plan.steps:
        if isinstance(step, SourceStep) and nodes[step.node].node.files(plan.checked.context.frame, root):
            channels = step.checked.type.planes if step.channels is None else step.channels
            inputs += 4 * len(channels) * pixels[step.node]
    return _PROCESS + min(threads, 2) * inputs + _PICTURES * 16 * max(pixels.values(), default=0)


def available_memory() -> int:
    """Bytes that can be used without swapping; where a container has a limit, what is left of that."""
    free = int(psutil.virtual_memory().available)
    for limit, used in (
        ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory.current"),
        ("/sys/fs/cgroup/memory/memory.limit_in_bytes", "/sys/fs/cgroup/memory/memory.usage_in_bytes"),
    ):
        try:
            free = min(free, int(Path(limit).read_text()) - int(Path(used).read_text()))
        except (OSError, ValueError):
            continue
    return max(0, int(free * (1 - _SPARED)))


def resident_memory(pid: int) -> int:
    """Bytes of memory that a process holds now; 0 where it is gone."""
    try:
        return int(psutil.Process(pid).memory_info().rss)
    except psutil.Error:
        return 0


def peak_memory() -> int:
    """Bytes of memory that this process has held at most."""
    try:
        import resource
    except ImportError:
        return int(getattr(psutil.Process().memory_info(), "peak_wset", 0))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak if os.uname().sysname == "Darwin" else peak * 1024)
