"""Every pixel kind alone, 3840×2160, float and half: the time against copying the planes that it reads and
writes."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from timing import in_turn

from stackcomp import KINDS, Composition, Depth, Graph, Image, Matte, Ratio, Window
from stackcomp.data.image import Held
from stackcomp.data.port_types import Colour, Encoding, PortType
from stackcomp.execute.executor import Executor
from stackcomp.execute.frame import Request
from stackcomp.kernels.strips import over_strips
from stackcomp.nodes.base import PixelNode
from stackcomp.plan.steps.sweep import SweepStep

FRAME = Window.of_size(3840, 2160)
_LINEAR, _LOG = Encoding("ACEScg", "scene-linear"), Encoding("ACEScct", "log")
_TYPES: dict[str, PortType] = {
    "cg": Colour("premultiplied", _LINEAR),
    "other": Colour("premultiplied", _LINEAR),
    "plate": Colour("none", _LINEAR),
    "straight": Colour("straight", _LINEAR),
    "log": Colour("none", _LOG),
    "matte": Matte(),
    "ratio": Ratio(),
    "depth": Depth(),
}
_TIMES: dict[str, Any] = {"slope": [1.2, 0.8, 1.1], "offset": 0.05}
_GRADE: dict[str, Any] = {**_TIMES, "power": [0.8, 1.2, 1.5], "saturation": 1.3}
#: A kind, its fields, and whether a curve is part of it: a power, a logarithm, a root, division by alpha.
EXAMPLES: list[tuple[str, dict[str, Any], bool]] = [
    ("exposure", {"image": "cg", "stops": 0.7}, False),
    ("exposure", {"image": "cg", "stops": 0.7, "within": "matte", "amount": 0.5}, False),
    ("channel_gain", {"image": "cg", "gain": [2, 0.5, 1.5]}, False),
    ("colour_matrix", {"image": "cg", "matrix": [1.2, -0.1, 0, 0.1, 0.8, 0, 0.3, 0, 1]}, False),
    ("match_black", {"image": "cg", "black": [0.1, 0.05, 0.02]}, False),
    ("premultiply", {"image": "straight"}, False),
    ("unpremultiply", {"image": "cg"}, True),
    ("over", {"source": "cg", "backdrop": "other"}, False),
    ("porter_duff", {"source": "cg", "backdrop": "other", "mode": "xor"}, False),
    ("blend", {"source": "cg", "backdrop": "other", "mode": "normal"}, False),
    ("blend", {"source": "cg", "backdrop": "other", "mode": "soft-light"}, True),
    ("holdout", {"image": "cg", "matte": "matte"}, False),
    ("restore", {"source": "other", "backdrop": "cg", "matte": "matte"}, False),
    ("join_mattes", {"first": "matte", "second": "matte"}, False),
    ("luma_matte", {"image": "plate", "low": 0.5, "low_softness": 0.3}, False),
    ("luma_matte", {"image": "cg", "unit": "stops", "low": 0.5, "low_softness": 1}, True),
    ("colour_matte", {"image": "plate", "colour": [0.5, 0.3, 0.1]}, True),
    ("difference_matte", {"image": "plate", "clean": "plate", "grain_floor": 0.01, "grain_slope": 0.001}, False),
    ("depth_matte", {"depth": "depth", "near": 2, "near_softness": 1}, False),
    ("invert_matte", {"matte": "matte"}, False),
    ("multiply_shadow", {"backdrop": "plate", "shadow": "ratio"}, False),
    ("multiply_shadow", {"backdrop": "plate", "shadow": "ratio", "gamma": 1.4}, True),
    ("multiply_shadow", {"backdrop": "cg", "shadow": "ratio", "gamma": 1.4}, True),
    ("cdl", {"image": "plate", **_TIMES}, False),
    ("cdl", {"image": "plate", **_GRADE}, True),
    ("cdl", {"image": "cg", **_GRADE}, True),
    ("convert_colour", {"image": "cg", "to": "ACES2065-1"}, False),
    ("convert_colour", {"image": "log"}, True),
    ("convert_colour", {"image": "plate", "to": "ACEScct"}, True),
    ("convert_colour", {"image": "plate", "to": "sRGB - Display"}, True),
    ("convert_colour", {"image": "cg", "to": "ACEScct"}, True),
]
#: Kinds with a benchmark of their own.
ELSEWHERE = {"id_matte"}
assert {kind for kind, *_ in EXAMPLES} | ELSEWHERE == {
    name for name, kind in KINDS.items() if issubclass(kind, PixelNode)
}


def label_of(kind: str, fields: dict[str, Any]) -> str:
    """The kind with what its example is about."""
    ports = [str(value) for name, value in fields.items() if name in KINDS[kind].ports()]
    choices = [f"{name} {value}" for name, value in fields.items() if name in ("mode", "to", "gamma", "power")]
    return f"{kind}: {', '.join([*ports, *choices])}"


@functools.cache
def picture(name: str, half: bool) -> Image:
    """A picture by name, with light and coverage from 0 to 1."""
    type = _TYPES[name]
    draw = np.random.default_rng(sum(name.encode()))
    planes = {plane: draw.random(FRAME.shape, dtype=np.float32) for plane in type.planes}
    if isinstance(type, Colour) and type.alpha == "premultiplied":
        planes = {plane: values if plane == "A" else values * planes["A"] for plane, values in planes.items()}
    dtype = np.float16 if half else np.float32
    planes = {plane: values.astype(dtype) for plane, values in planes.items()}
    return (Held if half else Image)(planes, FRAME, FRAME, type)


class Measured:
    """One kind, to be computed again and again as between files: no picture is handed out."""

    def __init__(self, kind: str, fields: dict[str, Any], half: bool) -> None:
        graph = Graph(frames="1")
        fed = [value for name, value in fields.items() if name in KINDS[kind].ports()]
        used = {str(name) for value in fed for name in ([value] if isinstance(value, str) else value)}
        for name in used:
            graph.add("flat", name, size=[FRAME.width, FRAME.height])
        graph.add(kind, "it", **fields)
        made = Composition(graph).executor(["it"], replace={name: picture(name, half) for name in used})
        steps = tuple(
            replace(step, halved=frozenset(step.makes)) if half and isinstance(step, SweepStep) else step
            for step in made.plan.steps
        )
        self.half = half
        self.executor = Executor(replace(made.plan, steps=steps))

    def __call__(self) -> None:
        """Compute the frame."""
        for _ in self.executor._run(Request(1)).finished():
            pass

    def copy(self) -> Callable[[], None]:
        """A copy of as many planes as the loop reads and writes."""
        self()
        ((_, program, _),) = self.executor._loops.values()
        return copy_of(program.inputs + len(program.outputs), self.half)


@functools.cache
def _planes(half: bool) -> list[np.ndarray]:
    return [np.ones(FRAME.shape, np.float16 if half else np.float32) for _ in range(20)]


def copy_of(count: int, half: bool) -> Callable[[], None]:
    """A copy that reads and writes so many planes together; of the last one half, where the number is odd."""
    planes = _planes(half)
    pairs = [(planes[2 * k], planes[2 * k + 1]) for k in range(count // 2)]
    if count % 2:
        rows = FRAME.height // 2
        pairs.append((planes[-2][:rows], planes[-1][:rows]))

    def strip(first: int, last: int) -> None:
        for source, target in pairs:
            begin, end = (len(source) * row // FRAME.height for row in (first, last))
            np.copyto(target[begin:end], source[begin:end])

    return lambda: over_strips(strip, FRAME.height)


def table(rounds: int) -> str:
    """A table of all kinds."""
    lines = [
        "### Every pixel kind alone, 3840×2160",
        "",
        "Median time, and the ratio to copying the planes that the loop reads and writes. Half planes in and out "
        "are half as large, so the same work is a larger ratio.",
        "",
        "| kind | | float ms | × copy | half ms | × copy |",
        "|---|---|---:|---:|---:|---:|",
    ]
    for kind, fields, curve in EXAMPLES:
        cells = []
        for half in (False, True):
            measured = Measured(kind, fields, half)
            timing = in_turn({"copy": measured.copy(), "kind": measured}, "copy", rounds)["kind"]
            cells += [f"{timing.median:.1f}", f"{timing.ratio:.2f}"]
        sort = "curve" if curve else "arithmetic"
        lines.append(f"| {label_of(kind, fields)} | {sort} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
