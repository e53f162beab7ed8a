"""Kinds for edges at 3840×2160, against peers in the same run.

The estimate of a foreground is held against pymatting's multi-level one, on the lemur of its open data, enlarged.
The other figures are those of whole nodes, as between files.
"""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import cv2
import numpy as np
import pymatting
from timing import in_turn, table

sys.path.insert(0, str(Path(__file__).parents[1]))

from lemur import lemur, to_light

from stackcomp import Composition, Graph, Image, Matte
from stackcomp.execute.executor import Executor
from stackcomp.execute.frame import Request
from stackcomp.kernels.foreground import foreground

WIDTH, HEIGHT = 3840, 2160
_MATERIAL = Path(__file__).parents[3] / "shared" / "material"


@functools.cache
def _lemur() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Photograph and foreground in light and alpha, float32, enlarged."""
    some = lemur(_MATERIAL)
    photograph, own, alpha = (
        cv2.resize(picture.astype(np.float32), (WIDTH, HEIGHT))
        for picture in (to_light(some["photograph"]), to_light(some["foreground"]), some["alpha"])
    )
    return photograph, own, np.clip(alpha, 0, 1)


def foregrounds(rounds: int) -> str:
    """The estimate against pymatting's, with the errors of both in the soft pixels."""
    photograph, own, alpha = _lemur()
    planes = [np.ascontiguousarray(photograph[..., k]) for k in range(3)]
    soft = (alpha > 0) & (alpha < 1)
    found = {
        "stackcomp": np.stack(foreground(planes, alpha), axis=-1),
        "pymatting": pymatting.estimate_foreground_ml(photograph, alpha),
        "untouched": photograph,
    }
    off = {name: np.abs((picture - own) * alpha[..., None])[soft].mean() for name, picture in found.items()}
    contestants: dict[str, Callable[[], object]] = {
        "stackcomp, foreground of R G B": lambda: foreground(planes, alpha),
        "pymatting, estimate_foreground_ml": lambda: pymatting.estimate_foreground_ml(photograph, alpha),
    }
    reference = next(iter(contestants))
    title = f"Foreground estimation, {WIDTH}×{HEIGHT}, {soft.mean():.0%} of it soft"
    words = ", ".join(f"{name} {error:.5f}" for name, error in off.items())
    return table(title, in_turn(contestants, reference, rounds), reference) + f"\nMean error × alpha: {words}.\n"


def node(kind: str, given: Mapping[str, Image], **fields: object) -> Callable[[], None]:
    """A node to be computed again and again; no picture is handed out."""
    graph = Graph(frames="1")
    for name in given:
        graph.add("flat", name, size=[WIDTH, HEIGHT])
    graph.add(kind, "it", **fields)
    made = Composition(graph).executor(["it"], replace=given)
    executor = Executor(made.plan)

    def run() -> None:
        for _ in executor._run(Request(1)).finished():
            pass

    return run


def nodes(rounds: int) -> str:
    """Whole nodes, against a copy of four planes."""
    photograph, _, alpha = _lemur()
    premultiplied = np.dstack([photograph * alpha[..., None], alpha])
    bar = np.zeros((HEIGHT, WIDTH), np.float32)
    bar[:, 1800:1900] = 1
    given = {
        "cg": Image.from_array(premultiplied),
        "plate": Image.from_array(photograph),
        "alpha": Image.from_array(alpha, type=Matte()),
        "bar": Image.from_array(bar, type=Matte()),
    }
    restored = {"source": "plate", "backdrop": "cg", "matte": "alpha"}
    examples: dict[str, tuple[str, dict[str, object]]] = {
        "extend_edges, whole frame": ("extend_edges", {"image": "cg"}),
        "extend_edges, 200 px": ("extend_edges", {"image": "cg", "distance": 200, "fade": 100}),
        "extend_edges, down": ("extend_edges", {"image": "cg", "direction": 80}),
        "extend_edges, right": ("extend_edges", {"image": "cg", "direction": 10}),
        "contact_shade, size 4, softness 8": (
            "contact_shade",
            {"image": "cg", "matte": "bar", "offset": [12.5, 6], "size": 4, "softness": 8},
        ),
        "restore": ("restore", restored),
        "restore, estimate": ("restore", {**restored, "edge_colour": "estimate"}),
    }
    planes = [np.ones((HEIGHT, WIDTH), np.float32) for _ in range(8)]

    def copy() -> None:
        for k in range(4):
            np.copyto(planes[k], planes[4 + k])

    contestants: dict[str, Callable[[], object]] = {"copy of 4 planes, one thread": copy}
    for label, (kind, fields) in examples.items():
        used = {name: given[name] for name in given if name in fields.values()}
        contestants[label] = node(kind, used, **fields)
    reference = next(iter(contestants))
    return table(f"Kinds for edges, {WIDTH}×{HEIGHT}", in_turn(contestants, reference, rounds), reference)


def tables(rounds: int) -> str:
    """Both tables."""
    return f"{foregrounds(rounds)}\n{nodes(rounds)}"
