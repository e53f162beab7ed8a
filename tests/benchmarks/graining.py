"""match_grain at 3840×2160: time against a copy of its planes, distance, memory."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable

import numpy as np
import timing

from stackcomp.data.window import Window
from stackcomp.kernels.grain_field import GrainLaw, GrainShape, add_grain
from stackcomp.kernels.grain_shape import gaussian_autocorrelation, shape_at
from stackcomp.kernels.strips import over_strips

FRAME = Window.of_size(3840, 2160)
COPY = "copy of 4 planes, in strips"


def planes(count: int) -> tuple[np.ndarray, ...]:
    """Light or coverage, 0 to 1."""
    draw = np.random.default_rng(1)
    return tuple(draw.random(FRAME.shape, np.float32) for _ in range(count))


def copy(some: tuple[np.ndarray, ...]) -> Callable[[], object]:
    """What a loop over these planes that makes new ones costs at the least."""

    def run() -> None:
        made = [np.empty_like(plane) for plane in some]
        over_strips(
            lambda first, last: [
                np.copyto(new[first:last], old[first:last]) for new, old in zip(made, some, strict=True)
            ],
            FRAME.height,
        )

    return run


def shape(size: float, kind: str = "gaussian") -> GrainShape:
    """Grain of a size; "exponential" is no product of one filter down and one across."""
    half = gaussian_autocorrelation(size)
    if kind == "exponential":
        y, x = np.mgrid[0:9, -8:9]
        half = np.exp(-np.hypot(y, x) / size)
    return shape_at([half] * 3, [[1, 0.4, 0.2], [0.4, 1, 0.3], [0.2, 0.3, 1]], 1.0)[0]


def law(levels: int) -> GrainLaw:
    """A line, or a table of levels."""
    knots = np.tile(np.linspace(0, 0.9, levels, dtype=np.float32), (3, 1))
    return GrainLaw(np.full(3, 1e-5, np.float32), knots, np.full((3, levels), 1e-4 / levels, np.float32))


def table(rounds: int) -> str:
    """Times; R G B and A in, R G B out."""
    *light, alpha = planes(4)
    rgb = (light[0], light[1], light[2])

    def grain(some: GrainShape, levels: int = 1) -> Callable[[], object]:
        return lambda: add_grain(rgb, FRAME, law(levels), some, frame=1001, seed=1, alpha=alpha)

    def in_numpy() -> None:
        draw = np.random.Generator(np.random.SFC64(1))
        keep = alpha * (2 - alpha)
        for plane in rgb:
            plane + np.sqrt(keep * (1e-5 + 1e-4 * plane)) * draw.standard_normal(FRAME.shape, np.float32)

    contestants = {
        COPY: copy((*rgb, alpha)),
        "independent": grain(shape(0)),
        "size 0.6 px": grain(shape(0.6)),
        "size 1.2 px": grain(shape(1.2)),
        "size 2 px": grain(shape(2.0)),
        "exponential, 1.3 px": grain(shape(1.3, "exponential")),
        "size 0.6 px, 16 levels": grain(shape(0.6), 16),
        "numpy, independent numbers without a filter": in_numpy,
    }
    return timing.table("match_grain, 3840×2160", timing.in_turn(contestants, COPY, rounds), COPY)


def distance() -> str:
    """How far variance and correlation of a field are from what was asked for."""
    lines = ["### Fields of 3840×2160 against what was asked for", ""]
    black = (np.zeros(FRAME.shape, np.float32),) * 3
    even = GrainLaw(np.ones(3, np.float32), *[np.zeros((3, 1), np.float32)] * 2)
    for size in (0.0, 0.6, 1.2, 2.0):
        made = add_grain(black, FRAME, even, shape(size), frame=1, seed=1)[0].astype(np.float64)
        half = gaussian_autocorrelation(size)
        errors = [
            abs((made[down:, across:] * made[: 2160 - down, : 3840 - across]).mean() - half[down, 8 + across])
            for down, across in ((0, 1), (1, 0), (1, 1), (0, 3), (3, 3))
        ]
        lines.append(f"- size {size:g} px: variance {made.var():.4f}, autocorrelation within {max(errors):.4f}")
    return "\n".join(lines) + "\n"


def memory() -> str:
    """The largest memory beside inputs and results, as numpy counts it."""
    *light, alpha = planes(4)
    tracemalloc.start()
    made = add_grain((light[0], light[1], light[2]), FRAME, law(1), shape(1.2), frame=1, seed=1, alpha=alpha)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    results = sum(plane.nbytes for plane in made)
    return f"match_grain keeps {results / 2**20:.0f} MiB of results; at the most {peak / 2**20:.0f} MiB.\n"
