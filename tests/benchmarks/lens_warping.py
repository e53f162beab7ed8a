"""Warping by a lens and through s,t, 3840×2160 float32: against `cv2.remap` with its Lanczos kernel.

OpenCV is given the map, which it does not compute; its own map of the same lens is a contestant of its own. The
floor is the copy of the planes: each byte is read and written once.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable

import cv2
import numpy as np
from timing import in_turn, table

from stackcomp import Composition, Graph, Image, Window
from stackcomp.data.port_types import Coordinates
from stackcomp.execute.executor import Executor
from stackcomp.kernels.distortion import Distortion
from stackcomp.kernels.lens_map import Grid, LensMap
from stackcomp.kernels.strips import thread_count

FRAME = Window.of_size(3840, 2160)
LENS = {"focal": [3300.0, 3300.0], "centre": [1930.0, 1090.0], "k1": -0.12, "k2": 0.04, "p1": 0.001, "p2": -0.0015}
_INNER = np.array([[3300, 0, 1929.5], [0, 3300, 1089.5], [0, 0, 1.0]])
_NUMBERS = np.array([LENS["k1"], LENS["k2"], LENS["p1"], LENS["p2"], 0])
_REFERENCE = "cv2.remap, Lanczos, RGB, its map given"

_CHILD = """
import json, sys
import numpy as np
sys.path.insert(0, sys.argv[2])
import lens_warping as bench
from stackcomp import Window
def memory(which):
    line = next(line for line in open("/proc/self/status") if line.startswith(which))
    return int(line.split()[1]) / 1024
kind = sys.argv[1]
whole = bench.contestants(kind)
small = bench.FRAME
bench.FRAME = Window.of_size(64, 36)
list(bench.contestants(kind).results(1))
bench.FRAME = small
# What making the pictures took at its peak is forgotten.
with open("/proc/self/clear_refs", "w") as file:
    file.write("5")
before = memory("VmRSS")
for result in whole.results(1): pass
print(json.dumps(memory("VmHWM") - before))
"""


def _picture(channels: int = 3) -> np.ndarray:
    return np.random.default_rng(2).random((*FRAME.shape, channels), np.float32)


def _map(distorts: bool) -> LensMap:
    numbers = {name: value for name, value in LENS.items() if name[0] in "kp"}
    return LensMap(Distortion(**numbers), (3300.0, 3300.0), (1930.0, 1090.0), distorts)


def _looks(distorts: bool) -> tuple[np.ndarray, np.ndarray]:
    """Places of all pixels, with centres at half pixels."""
    places, _ = Grid.of(_map(distorts), FRAME).places(FRAME)
    return places[0], places[1]


def _executor(kind: str, given: dict[str, Image], **fields: object) -> Executor:
    graph = Graph(frames="1")
    for name in given:
        graph.add("flat", name, size=[FRAME.width, FRAME.height])
    graph.add(kind, "it", image="image", **fields)
    return Composition(graph).executor(["it"], replace=given)


def _coordinates(x: np.ndarray, y: np.ndarray) -> Image:
    st = np.dstack([x / FRAME.width, 1 - y / FRAME.height])
    return Image.from_array(st.astype(np.float32), type=Coordinates())


def contestants(kind: str) -> Executor:
    """One node on a picture, for the measure of memory."""
    image = Image.from_array(_picture())
    if kind == "coordinate_warp":
        y, x = np.mgrid[: FRAME.height, : FRAME.width] + 0.5
        given = {"image": image, "coordinates": _coordinates(x + 2, y - 1.5)}
        return _executor(kind, given, coordinates="coordinates")
    return _executor(kind, {"image": image}, direction="distort", **LENS)


def _runs(executor: Executor) -> Callable[[], object]:
    return lambda: list(executor.results(1))


def _peak(kind: str) -> float:
    command = [sys.executable, "-c", _CHILD, kind, __file__.rpartition("/")[0]]
    return float(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def tables(rounds: int) -> str:
    """A table for each direction, one of waves, and peak memory."""
    cv2.setNumThreads(thread_count())
    plain, covered = _picture(), _picture(4)
    rgb, rgba = Image.from_array(plain), Image.from_array(covered)
    parts = []
    for direction in ("distort", "straighten"):
        x, y = _looks(direction == "distort")
        parts.append(_one(direction, plain, rgb, rgba, x, y, rounds))
    rows, columns = np.mgrid[: FRAME.height, : FRAME.width] + 0.5
    x, y = columns + 20 * np.sin(rows / 90), rows + 15 * np.cos(columns / 120)
    parts.append(_one("", plain, rgb, rgba, x, y, rounds))
    memory = [f"| {kind} | {_peak(kind):.0f} |" for kind in ("lens_warp", "coordinate_warp")]
    head = ["### Peak memory beyond the inputs, 3840×2160 RGB (a picture is 95 MB)", "", "| | MB |", "|---|---:|"]
    return "\n".join([*parts, *head, *memory]) + "\n"


def _one(
    direction: str, plain: np.ndarray, rgb: Image, rgba: Image, x: np.ndarray, y: np.ndarray, rounds: int
) -> str:
    u, v = (x - 0.5).astype(np.float32), (y - 0.5).astype(np.float32)
    size = FRAME.width, FRAME.height
    through = {"image": rgb, "coordinates": _coordinates(x, y)}
    runs: dict[str, Callable[[], object]] = {
        "copy of 3 planes": lambda: [plane.copy() for plane in rgb.planes.values()],
        _REFERENCE: lambda: cv2.remap(plain, u, v, cv2.INTER_LANCZOS4),
        "coordinate_warp, RGB": _runs(_executor("coordinate_warp", through, coordinates="coordinates")),
    }
    if direction:
        own = cv2.initInverseRectificationMap if direction == "distort" else cv2.initUndistortRectifyMap

        def with_map() -> object:
            map = own(_INNER, _NUMBERS, None, _INNER, size, cv2.CV_32FC1)
            return cv2.remap(plain, *map, cv2.INTER_LANCZOS4)

        def afresh(executor: Executor) -> Callable[[], object]:
            def run() -> object:
                Grid.of.cache_clear()
                return list(executor.results(1))

            return run

        fields = {"direction": direction, **LENS}
        runs["cv2.remap, and its map computed"] = with_map
        runs["lens_warp, RGB"] = afresh(_executor("lens_warp", {"image": rgb}, **fields))
        runs["lens_warp, RGBA"] = afresh(_executor("lens_warp", {"image": rgba}, **fields))
        runs["lens_warp, RGB, lateral"] = afresh(
            _executor("lens_warp", {"image": rgb}, lateral=[2, -1.5], **fields)
        )
    title = {"distort": "Distorted", "straighten": "Straightened", "": "Waves through s,t"}[direction]
    return table(f"{title}, 3840×2160", in_turn(runs, _REFERENCE, rounds), _REFERENCE)
