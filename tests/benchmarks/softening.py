"""Softening and light wrap, against OpenCV and SciPy, and their memory.

soften        four planes of a UHD frame, by the kernel alone and as a node
light_wrap    a CG disc over a backdrop, as a node
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import memory
import numpy as np
from timing import in_turn
from timing import table as as_table

from stackcomp import Colour, Composition, Encoding, Graph, Image, Window
from stackcomp.kernels.softening import soften
from stackcomp.kernels.strips import over_strips, thread_count

__all__ = ["memory_table", "tables"]

WIDTH, HEIGHT = 3840, 2160
FRAME = Window.of_size(WIDTH, HEIGHT)
COPY = "copy of 4 planes"
_LINEAR = Encoding("ACEScg", "scene-linear")


def _planes(seed: int, count: int) -> list[np.ndarray]:
    draw = np.random.default_rng(seed)
    return [draw.random((HEIGHT, WIDTH), dtype=np.float32) for _ in range(count)]


def _copy_rows(target: np.ndarray, plane: np.ndarray, first: int, last: int) -> None:
    np.copyto(target[first:last], plane[first:last])


def _copy(planes: list[np.ndarray]) -> Callable[[], object]:
    targets = [np.empty_like(plane) for plane in planes]

    def run() -> None:
        for target, plane in zip(targets, planes, strict=True):
            over_strips(partial(_copy_rows, target, plane), HEIGHT)

    return run


def _node(kind: str, given: dict[str, Image], **fields: Any) -> Callable[[], object]:
    graph = Graph(frames="1")
    for name in given:
        graph.add("flat", name, size=[WIDTH, HEIGHT])
    graph.add(kind, "it", **fields)
    executor = Composition(graph).executor(["it"], replace=given)
    return lambda: list(executor.results(1))


def _picture(planes: list[np.ndarray]) -> Image:
    alpha = "premultiplied" if len(planes) == 4 else "none"
    return Image(dict(zip("RGBA", planes, strict=False)), FRAME, FRAME, Colour(alpha, _LINEAR))


def softenings(rounds: int) -> str:
    """RGBA float32 by the same standard deviations, with pixels going on beyond the frame."""
    import cv2

    cv2.setNumThreads(thread_count())
    planes = _planes(1, 4)
    mixed = np.dstack(planes)
    everywhere = (True,) * 4
    contestants: dict[str, Callable[[], object]] = {COPY: _copy(planes)}
    for radius in (0.5, 1.0, 2.0):
        contestants[f"kernel, radius {radius}"] = lambda radius=radius: [
            soften(plane, FRAME, FRAME, radius, goes_on=everywhere) for plane in planes
        ]
        contestants[f"soften, radius {radius}"] = _node(
            "soften", {"cg": _picture(planes)}, image="cg", radius=radius
        )
        contestants[f"OpenCV's GaussianBlur, sigma {radius}"] = lambda radius=radius: cv2.GaussianBlur(
            mixed, (0, 0), radius, borderType=cv2.BORDER_REPLICATE
        )
    return as_table(f"soften, {WIDTH}×{HEIGHT} RGBA", in_turn(contestants, COPY, rounds), COPY)


def wraps(rounds: int) -> str:
    """A disc of CG that covers a fifth of the frame."""
    planes = _planes(2, 4)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    planes[3] = np.clip(750 - np.hypot(x - WIDTH / 2, y - HEIGHT / 2), 0, 1).astype(np.float32)
    planes[:3] = [plane * planes[3] for plane in planes[:3]]
    given = {"cg": _picture(planes), "plate": _picture(_planes(3, 3))}
    contestants: dict[str, Callable[[], object]] = {COPY: _copy(planes)}
    for reach in (8, 40):
        contestants[f"light_wrap, reach {reach}"] = _node(
            "light_wrap", given, image="cg", backdrop="plate", reach=reach
        )
    return as_table(f"light_wrap, {WIDTH}×{HEIGHT} RGBA", in_turn(contestants, COPY, rounds), COPY)


def tables(rounds: int) -> str:
    """Both tables."""
    return softenings(rounds) + "\n" + wraps(rounds)


def memory_table() -> str:
    """Peak memory of both kinds, in frames beyond their inputs."""
    title = "### Peak memory of softening kinds beyond their inputs"
    lines = [title, "", "| nodes | MB | frames |", "|---|---:|---:|"]
    for label, nodes in {
        "soften": [("soften", {"image": "picture", "radius": 0.6})],
        "light_wrap": [("light_wrap", {"image": "picture", "backdrop": "plate", "reach": 10})],
    }.items():
        megabytes = memory.area_growth(nodes)
        lines.append(f"| {label} | {megabytes:.0f} | {megabytes / memory.FRAME_MB:.2f} |")
    return "\n".join(lines) + "\n"
