"""Timing of benchmarks: all contestants run in turn, in one process, for several rounds.

The speed of a shared machine varies, so times of different runs cannot be compared. Ratios within a round can; the
result is the median over rounds.
"""

from __future__ import annotations

import statistics
import time
import tracemalloc
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stackcomp.kernels.strips import over_strips


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


def copy_of(planes: Sequence[np.ndarray]) -> Callable[[], object]:
    """What a loop that reads planes and makes as many new ones costs at the least, in all threads."""

    def run() -> None:
        made = [np.empty_like(plane) for plane in planes]

        def strip(first: int, last: int) -> None:
            for new, old in zip(made, planes, strict=True):
                np.copyto(new[first:last], old[first:last])

        over_strips(strip, planes[0].shape[0])

    return run


def peak(run: Callable[[], object]) -> float:
    """The most that numpy holds at a time in a run, its result included, in MB."""
    tracemalloc.start()
    try:
        run()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


def table(
    title: str,
    timings: Mapping[str, Timing],
    reference: str,
    floor: str | None = None,
    peaks: Mapping[str, float] | None = None,
) -> str:
    """Return a Markdown table, fastest first.

    Args:
        title: above the table.
        timings: of the contestants, by name.
        reference: name of the contestant to which ratios are.
        floor: name of the one that memory sets a limit with; how far the others are from it becomes a column.
        peaks: megabytes that some of them hold; they become a column.
    """
    head, rule = f"| | best ms | median ms | × {reference} |", "|---|---:|---:|---:|"
    if floor is not None:
        head, rule = f"{head} × {floor} |", f"{rule}---:|"
    if peaks is not None:
        head, rule = f"{head} peak MB |", f"{rule}---:|"
    lines = [f"### {title}", "", head, rule]
    for name, timing in sorted(timings.items(), key=lambda item: item[1].median):
        line = f"| {name} | {timing.best:.1f} | {timing.median:.1f} | {timing.ratio:.2f} |"
        if floor is not None:
            line = f"{line} {timing.median / timings[floor].median:.1f} |"
        if peaks is not None:
            line = f"{line} {peaks[name]:.0f} |" if name in peaks else f"{line} |"
        lines.append(line)
    return "\n".join(lines) + "\n"
