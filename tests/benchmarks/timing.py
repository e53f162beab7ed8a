"""Timing of benchmarks: all contestants run in turn, in one process, for several rounds.

The speed of a shared machine varies, so times of different runs cannot be compared. Ratios within a round can; the
result is the median over rounds.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """Milliseconds of the best and the median round, and the median ratio to the reference."""

    best: float
    median: float
    ratio: float


def in_turn(contestants: Mapping[str, Callable[[], object]], reference: str, rounds: int) -> dict[str, Timing]:
    """Time every contestant once per round, after one run to warm up."""
    for run in contestants.values():
        run()
    times: dict[str, list[float]] = {name: [] for name in contestants}
    for _ in range(rounds):
        for name, run in contestants.items():
            started = time.perf_counter()
            run()
            times[name].append((time.perf_counter() - started) * 1e3)
    return {
        name: Timing(
            min(own),
            statistics.median(own),
            statistics.median(mine / floor for mine, floor in zip(own, times[reference], strict=True)),
        )
        for name, own in times.items()
    }


def table(title: str, timings: Mapping[str, Timing], reference: str) -> str:
    """Return a Markdown table, fastest first."""
    lines = [f"### {title}", "", f"| | best ms | median ms | × {reference} |", "|---|---:|---:|---:|"]
    for name, timing in sorted(timings.items(), key=lambda item: item[1].median):
        lines.append(f"| {name} | {timing.best:.1f} | {timing.median:.1f} | {timing.ratio:.2f} |")
    return "\n".join(lines) + "\n"
