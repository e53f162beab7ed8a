"""Defocus at 3840×2160, against the exact method, OpenCV and the floor that memory sets, in the same run.

The picture is a bench, a wall and things in front of them, all out of focus, with lamps; opaque, RGBA and a radius
for each pixel. The exact method computes a part of it, and its time is scaled to the whole.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
from timing import in_turn, table

from stackcomp.kernels.defocus import defocus, margin
from stackcomp.kernels.defocus_fast import defocus_fast, fast_margin

WIDTH, HEIGHT = 3840, 2160
#: Rows and columns that the exact method computes, in the middle of the picture.
PART = (54, 256)
RADII = (8.0, 16.0, 32.0)


def studio(
    largest: float, around: int, size: tuple[int, int] = (HEIGHT, WIDTH)
) -> tuple[list[np.ndarray], np.ndarray]:
    """R, G, B, alpha and the signed radii of discs, with a margin."""
    height, width = size[0] + 2 * around, size[1] + 2 * around
    random = np.random.default_rng(1)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    light = 0.3 + 0.2 * np.sin(x / 7) * np.cos(y / 9) + 0.1 * random.random((height, width), np.float32)
    light[random.random((height, width), np.float32) > 0.9995] += 40
    bench = largest * (1 - 1.8 * (y / height - 0.6))
    spread = np.where(y > 0.6 * height, bench, 0.95 * largest)
    for _ in range(12):
        middle, radius = random.random(2) * (height, width), (0.03 + 0.06 * random.random()) * width
        away = np.hypot(y - middle[0], x - middle[1]) / radius
        ball = random.choice([-1, -0.7, 0.6]) * largest * (1 - 0.1 * np.sqrt(np.maximum(0, 1 - away**2)))
        spread = np.where(away < 1, ball, spread)
    # All are out of focus.
    spread = np.copysign(np.maximum(np.abs(spread), 0.25 * largest), spread)
    planes = [(light * tint).astype(np.float32) for tint in (1, 0.8, 0.6)]
    return [*planes, np.ones((height, width), np.float32)], spread.astype(np.float32)


def _seconds(run: Callable[[], object], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        started = time.perf_counter()
        run()
        times.append(time.perf_counter() - started)
    return float(np.median(times))


def by_depth(rounds: int, radii: Sequence[float] = RADII, *, compare: bool = True) -> str:
    """Every pixel a radius of its own, fast and exact; how far both are apart."""
    lines = [
        f"### By depth, {WIDTH}×{HEIGHT}, all out of focus",
        "",
        "| largest radius | fast s | exact s, scaled | times as fast | copies of 9 planes | mean difference | "
        "largest |",
        "|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for largest in radii:
        around = max(margin(largest), fast_margin(largest))
        planes, spread = studio(largest, around)
        some = [np.empty_like(plane) for plane in (*planes, *planes, spread)]

        def copy(to: list[np.ndarray] = some, of: tuple[np.ndarray, ...] = (*planes, *planes, spread)) -> None:
            for one, other in zip(to, of, strict=True):
                np.copyto(one, other)

        copy()
        floor = _seconds(copy, rounds)
        result = defocus_fast(planes, spread, largest, around=around)
        fast = _seconds(lambda: defocus_fast(planes, spread, largest, around=around), rounds)  # noqa: B023
        row = f"| {largest:g} | {fast:.2f} | "
        if compare:
            inner = margin(largest)
            top, left = (HEIGHT - PART[0]) // 2, (WIDTH - PART[1]) // 2
            rows = slice(top + around - inner, top + around + PART[0] + inner)
            columns = slice(left + around - inner, left + around + PART[1] + inner)
            part = [plane[rows, columns] for plane in planes]
            started = time.perf_counter()
            wanted = defocus(part, spread[rows, columns], largest)
            exact = (time.perf_counter() - started) * WIDTH * HEIGHT / (PART[0] * PART[1])
            here = slice(top, top + PART[0]), slice(left, left + PART[1])
            off = np.abs(np.stack([one[here] - other for one, other in zip(result, wanted, strict=True)]))
            row += f"{exact:.0f} | {exact / fast:.0f} | {fast / floor:.0f} | {off.mean():.5f} | {off.max():.3f} |"
        else:
            row += f"- | - | {fast / floor:.0f} | - | - |"
        lines.append(row)
    return "\n".join(lines) + "\n"


def worst(rounds: int) -> str:
    """Distances that differ from pixel to pixel, so that nothing is alike and all layers are everywhere."""
    lines = [f"### Noise of all distances, {WIDTH}×{HEIGHT}", "", "| largest radius | fast s |", "|---:|---:|"]
    for largest in RADII:
        around = fast_margin(largest)
        planes, spread = studio(largest, around)
        spread = (largest * (2 * np.random.default_rng(2).random(spread.shape, np.float32) - 1)).astype(np.float32)
        lines.append(f"| {largest:g} | {_seconds(lambda: defocus_fast(planes, spread, largest), rounds):.2f} |")  # noqa: B023
    return "\n".join(lines) + "\n"


def even(rounds: int, radius: float = 20.0, size: tuple[int, int] = (1080, 1920)) -> str:
    """One radius for all pixels, against OpenCV's filter with the same disc, in one thread, as it is made."""
    around = fast_margin(radius)
    random = np.random.default_rng(0)
    planes = [random.random((size[0] + 2 * around, size[1] + 2 * around), np.float32) for _ in range(4)]
    spread = np.full(planes[0].shape, radius, np.float32)
    offsets = np.arange(-int(radius) - 1, int(radius) + 2)
    disc = np.clip(radius + 0.5 - np.hypot(offsets[:, None], offsets), 0, 1)
    disc = (disc / disc.sum()).astype(np.float32)
    reference = "cv2.filter2D"
    contestants: dict[str, Callable[[], object]] = {
        reference: lambda: [cv2.filter2D(plane, -1, disc) for plane in planes],
        "defocus, one radius": lambda: defocus_fast(planes, spread, radius),
    }
    ours = defocus_fast(planes, spread, radius)[0]
    theirs = cv2.filter2D(planes[0], -1, disc)[around:-around, around:-around]
    title = f"One radius of {radius:g} px, {size[1]}×{size[0]} RGBA"
    words = f"\nLargest difference: {np.abs(ours - theirs).max():.1e}.\n"
    return table(title, in_turn(contestants, reference, max(3, rounds)), reference) + words


def memory() -> str:
    """What is used at most beside the picture, at the largest radius; on Linux."""
    around = fast_margin(RADII[-1])
    planes, spread = studio(RADII[-1], around)
    defocus_fast([plane[:200, :200] for plane in planes], spread[:200, :200], RADII[-1])
    size = sum(plane.nbytes for plane in (*planes, spread)) / 2**20
    # So that the highest use is that from here on.
    Path("/proc/self/clear_refs").write_text("5")
    before = _use("VmRSS")
    result = defocus_fast(planes, spread, RADII[-1])
    own = sum(plane.nbytes for plane in result) / 2**20
    return (
        f"Peak memory at a radius of {RADII[-1]:g}: {_use('VmHWM') - before:.0f} MB beside the picture of "
        f"{size:.0f} MB, of which the result is {own:.0f} MB.\n"
    )


def _use(what: str) -> float:
    """A line of the process's state, in MB."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(f"{what}:"))


def tables(rounds: int) -> str:
    """All tables."""
    return "\n".join([memory(), by_depth(rounds), worst(1), even(rounds)])
