"""Gaussians and glows at 3840×2160 against OpenCV and scipy in the same run.

Beside each time stand the floor, which is what reading and writing the planes once costs at the speed of a copy,
how many times that it takes, the largest error, and the peak of memory beside the given planes.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from edges import node
from scipy import fft, ndimage
from timing import Timing, in_turn

from stackcomp import Image
from stackcomp.data.window import Window
from stackcomp.kernels.convolve import Spreading, falloff
from stackcomp.kernels.gaussian import gaussian, margin
from stackcomp.kernels.mixture import Mixture, parts_of
from stackcomp.kernels.strips import over_strips

WIDTH, HEIGHT = 3840, 2160
SIGMAS = (0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 40.0, 80.0, 200.0)
RADIUS = 200.0
_FRAME = Window.of_size(WIDTH, HEIGHT)
_PLANE = WIDTH * HEIGHT * 4
# OpenCV's time grows with sigma; from here on it is left out.
_SLOWEST = 40.0


@dataclass(frozen=True)
class _Row:
    name: str
    timing: Timing
    floor: float
    error: str
    memory: str
    compared: bool = True

    def __str__(self) -> str:
        taken = self.timing.median
        ratio = f"{self.timing.ratio:.3f}" if self.compared else ""
        return (
            f"| {self.name} | {self.timing.best:.1f} | {taken:.1f} | {ratio} | {self.floor:.1f} | "
            f"{taken / self.floor:.1f} | {self.error} | {self.memory} |"
        )


def _table(title: str, rows: list[_Row], reference: str) -> str:
    head = f"| | best ms | median ms | × {reference} | floor ms | × floor | largest error | planes beside |"
    return (
        "\n".join([f"### {title}", "", head, "|---|---:|---:|---:|---:|---:|---:|---:|", *map(str, rows)]) + "\n"
    )


def _picture() -> np.ndarray:
    """Noise, hard edges and single bright pixels."""
    draw = np.random.default_rng(1)
    plane = draw.random((HEIGHT, WIDTH), dtype=np.float32)
    plane[:, WIDTH // 3 : WIDTH // 2] = 0
    plane[HEIGHT // 4 : HEIGHT // 2, WIDTH // 2 : 2 * WIDTH // 3] = 1
    return plane


def _copy(planes: int) -> Callable[[], object]:
    """Copies of planes into memory that is kept, in all threads."""
    source, target = np.ones((planes, HEIGHT, WIDTH), np.float32), np.ones((planes, HEIGHT, WIDTH), np.float32)

    def run() -> None:
        for k in range(planes):
            over_strips(lambda first, last, k=k: np.copyto(target[k, first:last], source[k, first:last]), HEIGHT)

    return run


def _peak(run: Callable[[], object]) -> str:
    """The peak of what numpy allocates in a call, in planes."""
    tracemalloc.start()
    try:
        run()
        return f"{tracemalloc.get_traced_memory()[1] / _PLANE:.1f}"
    finally:
        tracemalloc.stop()


def gaussians(rounds: int) -> str:
    """Each sigma against OpenCV's; errors against scipy in float64, in a part of the picture."""
    plane = _picture()
    copy, rows = "copy", []
    for sigma in SIGMAS:
        reach = margin(sigma)
        padded = np.pad(plane, reach, mode="symmetric")

        def ours(padded: np.ndarray = padded, sigma: float = sigma, reach: int = reach) -> np.ndarray:
            return gaussian(padded, sigma, sigma, (-reach, -reach))

        def theirs(sigma: float = sigma) -> np.ndarray:
            return cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)

        contestants: dict[str, Callable[[], object]] = {copy: _copy(1), "stackcomp": ours}
        if sigma <= _SLOWEST:
            contestants["OpenCV"] = theirs
        timings = in_turn(contestants, "OpenCV" if "OpenCV" in contestants else copy, rounds if sigma < 20 else 3)
        part = np.s_[HEIGHT // 4 - 60 : HEIGHT // 4 + 60, WIDTH // 2 - 60 : WIDTH // 2 + 60]
        far = 8 * int(np.ceil(sigma)) + 60
        around = plane[
            max(0, HEIGHT // 4 - far) : HEIGHT // 4 + far, max(0, WIDTH // 2 - far) : WIDTH // 2 + far
        ].astype(np.float64)
        y, x = HEIGHT // 4 - max(0, HEIGHT // 4 - far), WIDTH // 2 - max(0, WIDTH // 2 - far)
        truth = ndimage.gaussian_filter(around, sigma, truncate=8, mode="reflect")[
            y - 60 : y + 60, x - 60 : x + 60
        ]
        for name in [one for one in ("stackcomp", "OpenCV") if one in timings]:
            run = ours if name == "stackcomp" else theirs
            error = f"{np.abs(run()[part] - truth).max():.1e}"
            memory = _peak(run) if name == "stackcomp" else ""
            floor, compared = timings[copy].best, "OpenCV" in timings
            rows.append(_Row(f"sigma {sigma:g}, {name}", timings[name], floor, error, memory, compared))
    return _table(f"Gaussian of one plane, {WIDTH}×{HEIGHT}", rows, "OpenCV")


def glows(rounds: int) -> str:
    """R G B at a radius of 200 pixels, against a convolution by scipy's transforms with the same falloff."""
    planes = [_picture() * k for k in (1.0, 0.7, 0.4)]
    planes = [plane.astype(np.float32) for plane in planes]
    quarter = falloff(RADIUS, "exponential", HEIGHT - 1, WIDTH - 1)
    kernel = np.pad(quarter, ((len(quarter) - 1, 0), (quarter.shape[1] - 1, 0)), mode="reflect").astype(np.float32)
    down, across = kernel.shape[0] // 2, kernel.shape[1] // 2
    shape = [fft.next_fast_len(side + far, real=True) for side, far in ((HEIGHT, down), (WIDTH, across))]
    rolled = np.zeros(shape, np.float32)
    rolled[: down + 1, : across + 1] = kernel[down:, across:]
    rolled[-down:, : across + 1] = kernel[:down, across:]
    rolled[: down + 1, -across:] = kernel[down:, :across]
    rolled[-down:, -across:] = kernel[:down, :across]

    def in_scipy() -> list[np.ndarray]:
        spectrum = fft.rfft2(rolled, workers=2)
        return [
            fft.irfft2(fft.rfft2(plane, shape, workers=2) * spectrum, shape, workers=2)[:HEIGHT, :WIDTH]
            for plane in planes
        ]

    given = {"picture": Image.from_array(np.stack(planes, axis=-1))}
    fields = {"image": "picture", "output": "alone"}
    lens = {"falloff": "glare", "focal_length": 35, "gate_width": 24.9}
    lobes = [{"radius": 4, "strength": 0.5}, {"radius": 300, "strength": 0.3}]
    ours = {
        "glow, radius 200": {"radius": RADIUS},
        "glow, radius 200, threshold and knee": {"radius": RADIUS, "threshold": 0.5, "knee": 0.2},
        "glow, radius 3": {"radius": 3},
        "glow, radius 14": {"radius": 14},
        "glow, radius 2000": {"radius": 2000},
        "glow, radius 200, gaussian": {"radius": RADIUS, "falloff": "gaussian"},
        "glow, glare": lens,
        "glow, two lobes, radius by channel": {"lobes": lobes, "channel_radius": [1.3, 1, 0.8]},
    }
    reference, exact = "scipy, float32 transforms, 2 workers", "stackcomp, exact (float64 transforms)"
    contestants: dict[str, Callable[[], object]] = {"copy": _copy(3)}
    for name, more in ours.items():
        contestants[name] = node("glow", given, **fields, **more)
    contestants[exact] = lambda: [Spreading(RADIUS, "exponential", _FRAME, _FRAME)(plane) for plane in planes]
    contestants[reference] = in_scipy
    timings = in_turn(contestants, reference, rounds)
    truth = Spreading(RADIUS, "exponential", _FRAME, _FRAME)(planes[0])
    made = Mixture(parts_of(RADIUS, "exponential"), _FRAME, _FRAME).spread(planes[0])
    errors = {
        "glow, radius 200": f"{np.abs(made - truth).max() / truth.max():.1e} of the brightest",
        reference: f"{np.abs(in_scipy()[0] - truth).max() / truth.max():.1e} of the brightest",
    }
    floor = timings["copy"].best
    rows = [
        _Row(name, timing, floor, errors.get(name, ""), _peak(contestants[name]) if name in ours else "")
        for name, timing in sorted(timings.items(), key=lambda item: item[1].median)
    ]
    return _table(f"Glow of R G B, {WIDTH}×{HEIGHT}", rows, "scipy")


def tables(rounds: int) -> str:
    """Both tables."""
    return f"{gaussians(rounds)}\n{glows(max(3, rounds // 3))}"
