"""Placing pictures, 3840×2160, float32: against OpenCV's warp with its Lanczos kernel, which does not soften."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from timing import copy_of, in_turn, peak, table

from stackcomp import Composition, Graph, Image, Window
from stackcomp.execute.executor import Executor
from stackcomp.kernels.membrane import membrane
from stackcomp.kernels.strips import thread_count

FRAME = Window.of_size(3840, 2160)
#: Pixels of the patch → pixels of the frame: a little larger, as tracked, and a little smaller, and half as large.
HOMOGRAPHIES = {
    "a little larger": [[1.03, -0.02, -40], [0.02, 1.04, -30], [2e-6, 4e-6, 1]],
    "larger and smaller": [[1.0, -0.01, 10], [0.01, 1.0, 5], [1e-6, 2e-6, 1]],
    "a little smaller, turned": [[0.976, -0.085, 100], [0.085, 0.976, -50], [0, 0, 1]],
    "squeezed aslant": [[0.75, 0.2, 100], [0.2, 0.75, -50], [0, 0, 1]],
    "half": [[0.5, 0, 0], [0, 0.5, 0], [0, 0, 1]],
}
_REFERENCE, _FLOOR = "OpenCV, Lanczos, RGB", "copy of 3 planes"


def _picture(seed: int, channels: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).random((*FRAME.shape, channels), np.float32)


def _executor(kind: str, given: dict[str, Image], fields: dict[str, object]) -> Executor:
    graph = Graph(frames="1")
    for name in given:
        graph.add("flat", name, size=[FRAME.width, FRAME.height])
    graph.add(kind, "it", **fields)
    return Composition(graph).executor(["it"], replace=given)


def _runs(executor: Executor) -> Callable[[], object]:
    return lambda: list(executor.results(1))


def tables(rounds: int) -> str:
    """A table for each homography, and one of matching."""
    cv2.setNumThreads(thread_count())
    plate, patch, straight = _picture(1), _picture(2), _picture(3, 4)
    given = {"plate": Image.from_array(plate), "still": Image.from_array(patch)}
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
    still = {"still": given["still"]}
    parts = []
    for name, rows in HOMOGRAPHIES.items():
        # OpenCV puts whole numbers on pixel centres.
        at_centres = np.linalg.inv(half) @ np.array(rows) @ half
        nine = np.ravel(rows).tolist()

        def peer(source: np.ndarray, matrix: np.ndarray = at_centres) -> Callable[[], object]:
            size = (FRAME.width, FRAME.height)
            return lambda: cv2.warpPerspective(source, matrix, size, flags=cv2.INTER_LANCZOS4)

        patched = {"backdrop": "plate", "patch": "still", "homography": nine}
        contestants = {
            _REFERENCE: peer(patch),
            "OpenCV, Lanczos, RGBA": peer(straight),
            "clean_patch": _runs(_executor("clean_patch", given, patched)),
            "place, RGB": _runs(_executor("place", still, {"image": "still", "homography": nine})),
            _FLOOR: copy_of([given["still"][channel] for channel in "RGB"]),
        }
        peaks = {key: peak(run) for key, run in contestants.items() if key in ("clean_patch", "place, RGB")}
        timings = in_turn(contestants, _REFERENCE, rounds)
        parts.append(table(f"Placed {name}, 3840×2160", timings, _REFERENCE, _FLOOR, peaks))
    parts.append(_matching(given, rounds))
    return "\n".join(parts)


def _matching(given: dict[str, Image], rounds: int) -> str:
    """A patch of 800×600 pixels, and the membrane alone."""
    outline = [[1200, 800], [2000, 820], [1980, 1400], [1190, 1390]]
    fields = {
        "backdrop": "plate",
        "patch": "still",
        "homography": [1.01, 0.01, -3, 0, 1.02, 5, 0, 0, 1],
        "outline": outline,
        "feather": 8,
    }
    y, x = np.mgrid[:624, :824]
    area = np.hypot((x - 412) / 400, (y - 312) / 300) < 1
    known = (np.hypot((x - 412) / 404, (y - 312) / 304) < 1) & ~area
    values = [np.sin(x / 90).astype(np.float32)] * 3
    contestants = {
        "no match": _runs(_executor("clean_patch", given, fields)),
        "gain": _runs(_executor("clean_patch", given, {**fields, "match": "gain"})),
        "membrane": _runs(_executor("clean_patch", given, {**fields, "match": "membrane"})),
        "the membrane of 3 channels alone": lambda: membrane(values, known, area),
    }
    title = "A patch of 800×600 in 3840×2160, matched"
    return table(title, in_turn(contestants, "no match", rounds), "no match")
