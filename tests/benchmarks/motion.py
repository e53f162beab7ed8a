"""Motion blur, 3840×2160, float32 R G B A: against a copy and OpenCV's filter with a line; its memory.

OpenCV's filter does less: all pixels have one motion, nothing is in front, and nothing is uncovered.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from timing import in_turn, table

from stackcomp import Composition, Depth, Graph, Image, Motion, Window
from stackcomp.kernels.strips import thread_count

FRAME = Window.of_size(3840, 2160)
#: Motion in pixels per frame, of which the shutter of 180 degrees sees half.
LENGTHS = (10, 40, 80, 320)
_FLOOR = "a copy of all planes"


def _pictures() -> tuple[np.ndarray, np.ndarray]:
    """An opaque picture, and a matte of forty discs."""
    pixels = np.random.default_rng(1).random((*FRAME.shape, 4), np.float32)
    pixels[..., 3] = 1
    y, x = np.mgrid[: FRAME.height, : FRAME.width].astype(np.float32)
    discs = np.zeros(FRAME.shape, bool)
    for cx, cy, radius in np.random.default_rng(2).uniform([0, 0, 40], [3840, 2160, 160], (40, 3)):
        discs |= np.hypot(x - cx, y - cy) < radius
    return pixels, discs


def _moving(dx: Any, dy: Any) -> Image:
    motion = np.empty((*FRAME.shape, 2), np.float32)
    motion[..., 0], motion[..., 1] = dx, dy
    return Image.from_array(motion, type=Motion())


def _run(given: dict[str, Image], **fields: Any) -> Callable[[], object]:
    graph = Graph(frames="1")
    for name in given:
        graph.add("flat", name, size=[FRAME.width, FRAME.height])
    graph.add("motion_blur", "it", image="p", motion="m", largest_length=400, **fields)
    executor = Composition(graph).executor(["it"], replace=given)
    return lambda: list(executor.results(1))


def _line(pixels: np.ndarray, length: float) -> Callable[[], object]:
    """OpenCV's filter with a line of the same length and direction."""
    size = int(length // 2) + 1
    kernel = np.zeros((2 * size + 1, 2 * size + 1), np.float32)
    for share in np.linspace(-0.25, 0.25, 401):
        kernel[round(size + 0.6 * length * share), round(size + 0.8 * length * share)] += 1 / 401
    return lambda: cv2.filter2D(pixels, -1, kernel)


def tables(rounds: int) -> str:
    """Times, by length and by scene, and peak memory."""
    cv2.setNumThreads(thread_count())
    pixels, discs = _pictures()
    picture = Image.from_array(pixels)
    contestants: dict[str, Callable[[], object]] = {_FLOOR: pixels.copy}
    contestants["nothing moves"] = _run({"p": picture, "m": _moving(0, 0)})
    for length in LENGTHS:
        given = {"p": picture, "m": _moving(0.8 * length, 0.6 * length)}
        contestants[f"all moves {length} px per frame"] = _run(given)
    for length in LENGTHS[1:3]:
        contestants[f"OpenCV's filter, a line for {length} px per frame"] = _line(pixels, length)
    across, down = np.meshgrid(np.arange(3840.0) - 1920, np.arange(2160.0) - 1080)
    contestants["all turns, up to 80 px per frame"] = _run(
        {"p": picture, "m": _moving(-down * 80 / 2203, across * 80 / 2203)}
    )
    depth = Image.from_array(np.where(discs, 2, 5).astype(np.float32), type=Depth())
    some = {"p": picture, "m": _moving(np.where(discs, 40, 0), 0)}
    contestants["discs move 40 px per frame over still ground"] = _run(some)
    contestants["the same, by depth"] = _run({**some, "z": depth}, depth="z")
    layer = Image.from_array(pixels * discs[..., None])
    contestants["discs alone, with alpha"] = _run({"p": layer, "m": some["m"]})
    title = f"motion_blur, 180 degrees, 3840×2160 ({100 * discs.mean():.0f} % of the picture are discs)"
    return "\n".join([table(title, in_turn(contestants, _FLOOR, rounds), _FLOOR), memory()])


_CHILD = """
import json, sys
import numpy as np
from stackcomp import Composition, Graph, Image, Motion
def peak():
    # Not ru_maxrss, which a child process inherits from its parent.
    line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024
def render(w, h, length):
    graph = Graph(frames="1")
    for name in ("p", "m"):
        graph.add("flat", name, size=[w, h])
    graph.add("motion_blur", "it", image="p", motion="m", largest_length=400)
    pixels = np.random.default_rng(1).random((h, w, 4), np.float32)
    given = {"p": Image.from_array(pixels)}
    given["m"] = Image.from_array(np.full((h, w, 2), length, np.float32), type=Motion())
    del pixels
    inputs = sum(plane.nbytes for image in given.values() for plane in image.planes.values()) / 2**20
    before = peak()
    result = Composition(graph).render("it", 1, replace=given)
    return peak() - before
render(64, 48, 4)
print(json.dumps(render(3840, 2160, float(sys.argv[1]))))
"""


def memory() -> str:
    """Peak memory beyond the inputs."""
    frame = 3840 * 2160 * 16 / 2**20
    lines = ["### Peak memory of motion_blur beyond its inputs, 3840×2160", ""]
    lines += [f"| motion | MB | frames, the result included (one is {frame:.0f} MB) |", "|---|---:|---:|"]
    for length in (0, *LENGTHS):
        command = [sys.executable, "-c", _CHILD, str(length)]
        grown = float(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
        lines.append(f"| {length} px to the right and down | {grown:.0f} | {grown / frame:.2f} |")
    return "\n".join(lines) + "\n"
