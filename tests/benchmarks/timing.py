"""How benchmarks measure: everything that is compared runs in turn, in one process, round after round.

A shared machine changes speed from minute to minute, so figures of different runs say nothing about each
other. Ratios within a round do; the median over rounds is what counts.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """Milliseconds: the best round and the median one, and the median ratio to the reference."""

    best: float
    median: float
    ratio: float


def in_turn(contestants: Mapping[str, Callable[[], object]], reference: str, rounds: int) -> dict[str, Timing]:
    """Time every contestant once a round; each was run once before, to warm up."""
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
    """A Markdown table, fastest first."""
    lines = [f"### {title}", "", f"| | best ms | median ms | × {reference} |", "|---|---:|---:|---:|"]
    for name, timing in sorted(timings.items(), key=lambda item: item[1].median):
        lines.append(f"| {name} | {timing.best:.1f} | {timing.median:.1f} | {timing.ratio:.2f} |")
    return "\n".join(lines) + "\n"
