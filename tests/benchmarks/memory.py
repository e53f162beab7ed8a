"""Peak memory of long chains and of area nodes: the resident set of a separate process, including everything."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

FRAME_MB = 3840 * 2160 * 4 * 4 / 2**20

_CHILD = """
import json, sys
import numpy as np
import stackcomp
W, H, nodes, fused = 3840, 2160, int(sys.argv[1]), sys.argv[2] == "fused"
def peak():
    # Not ru_maxrss, which a child process inherits from its parent.
    line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024
def build(w, h):
    g = stackcomp.Graph(frames="1")
    g.add("flat", "backdrop", size=[w, h])
    g.add("flat", "source", size=[w, h])
    last = "backdrop"
    for k in range(nodes // 2):
        g.add("exposure", f"e{k}", image=last, stops=0.1 * (-1) ** k)
        last = g.add("over", f"o{k}", source="source", backdrop=f"e{k}")
    return stackcomp.Composition(g), last
def picture(w, h):
    window = stackcomp.Window.of_size(w, h)
    colour = stackcomp.Colour("premultiplied", stackcomp.Encoding("ACEScg", "scene-linear"))
    return stackcomp.Image({c: np.full((h, w), 0.5, np.float32) for c in "RGBA"}, window, window, colour)
small, last = build(64, 64)
tiny = {"backdrop": picture(64, 64), "source": picture(64, 64)}
for _ in small.results([last], 1, replace=tiny, fused=fused): pass
before = peak()
comp, last = build(W, H)
given = {"backdrop": picture(W, H), "source": picture(W, H)}
for result in comp.results([last], 1, replace=given, fused=fused): pass
print(json.dumps(peak() - before))
"""


def growth(nodes: int, *, fused: bool) -> float:
    """Return the growth of the peak of a warm process in megabytes, including the two input pictures."""
    command = [sys.executable, "-c", _CHILD, str(nodes), "fused" if fused else "single"]
    return float(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def table(rows: list[tuple[int, bool]]) -> str:
    """Return a table of the peak growth in frames (RGBA float32 at 3840×2160) beyond the two input pictures."""
    lines = [
        "### Peak memory beyond the inputs, 3840×2160",
        "",
        f"| nodes | computed | MB in all | frames beyond the 2 inputs (one is {FRAME_MB:.0f} MB) |",
        "|---:|---|---:|---:|",
    ]
    for nodes, fused in rows:
        megabytes = growth(nodes, fused=fused)
        beyond = megabytes / FRAME_MB - 2
        lines.append(f"| {nodes} | {'fused' if fused else 'one by one'} | {megabytes:.0f} | {beyond:.2f} |")
    return "\n".join(lines) + "\n"


_AREA_CHILD = """
import json, sys
import numpy as np
import stackcomp
W, H, nodes = 3840, 2160, json.loads(sys.argv[1])
def peak():
    line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024
def render(w, h):
    window = stackcomp.Window.of_size(w, h)
    linear = stackcomp.Encoding("ACEScg", "scene-linear")
    words = {
        "picture": (stackcomp.Colour("premultiplied", linear), "RGBA", "colour"),
        "plate": (stackcomp.Colour("premultiplied", linear), "RGBA", "colour"),
        "depth": (stackcomp.Depth(), "Z", "colour"),
        "matte": (stackcomp.Matte(), "A", "matte"),
    }
    graph, given = stackcomp.Graph(frames="1"), {}
    used = {value for _, fields in nodes for value in fields.values() if isinstance(value, str)}
    for name in sorted(used & set(words)):
        type, planes, word = words[name]
        graph.add("flat", name, size=[w, h], as_=word)
        given[name] = stackcomp.Image(
            {c: np.full((h, w), 0.5, np.float32) for c in planes}, window, window, type
        )
        for plane in given[name].planes.values():
            plane[:, : w // 2] += 0.5
    for k, (kind, fields) in enumerate(nodes):
        graph.add(kind, f"n{k}", **fields)
    result = next(iter(stackcomp.Composition(graph).results([f"n{len(nodes) - 1}"], 1, replace=given))).image
    return sum(plane.nbytes for image in given.values() for plane in image.planes.values()) / 2**20, result
render(64, 48)
before = peak()
inputs, result = render(W, H)
print(json.dumps(peak() - before - inputs))
"""
_LENS = {"focal_length": 50, "f_number": 4, "focus_distance": 0.6, "gate_width": 36, "largest_radius": 8}
_TURN = {"turn": 5, "pivot": [1920, 1080]}
_LEANING = [1, 0.05, 3, 0, 1, 2, 0, 0.0001, 1]
#: Measured chains: nodes in order, whose inputs are pictures by name or earlier nodes (n0, n1, …).
AREA: dict[str, list[tuple[str, dict[str, Any]]]] = {
    "glow, radius 20": [("glow", {"image": "picture", "radius": 20})],
    "glow, radius 200": [("glow", {"image": "picture", "radius": 200})],
    "glow, radius 2000": [("glow", {"image": "picture", "radius": 2000})],
    "glow, radius 20, in a matte": [("glow", {"image": "picture", "radius": 20, "within": "matte"})],
    "defocus, radius 3": [("defocus", {"image": "picture", "radius": 3})],
    "defocus by depth, up to 8 px": [("defocus", {"image": "picture", "depth": "depth", **_LENS})],
    "soft_matte": [("soft_matte", {"matte": "matte", "grow": 3, "feather": 4, "curve": 1.5})],
    "place, turned": [("place", {"image": "picture", **_TURN, "scale": 0.9})],
    "place, with a horizon": [("place", {"image": "picture", "homography": [1, 0, 0, 0, 1, 0, 0, -0.0006, 1]})],
    "place, twice as large": [("place", {"image": "picture", "scale": 2, "pivot": [0, 0]})],
    "clean_patch": [
        ("clean_patch", {"backdrop": "plate", "patch": "picture", "feather": 5, "homography": _LEANING})
    ],
    "exposure → glow → defocus → place → over": [
        ("exposure", {"image": "picture", "stops": 1}),
        ("glow", {"image": "n0", "radius": 20}),
        ("defocus", {"image": "n1", "radius": 2}),
        ("place", {"image": "n2", **_TURN}),
        ("over", {"source": "n3", "backdrop": "plate"}),
    ],
    "8 area nodes": [
        ("glow", {"image": "picture", "radius": 20}),
        ("place", {"image": "n0", **_TURN}),
        ("glow", {"image": "n1", "radius": 5, "falloff": "gaussian"}),
        ("place", {"image": "n2", "move": [500, 0]}),
        ("glow", {"image": "n3", "radius": 50}),
        ("defocus", {"image": "n4", "radius": 1}),
        ("place", {"image": "n5", "move": [-500, 0]}),
        ("glow", {"image": "n6", "radius": 9, "amount": 0.5}),
    ],
}


def area_growth(nodes: list[tuple[str, dict[str, Any]]]) -> float:
    """Return the growth of the peak of a warm process beyond the inputs in megabytes, including the result."""
    command = [sys.executable, "-c", _AREA_CHILD, json.dumps(nodes)]
    return float(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def area_table() -> str:
    """Return a table of the peak growth in frames beyond the inputs for area nodes."""
    lines = [
        "### Peak memory of area nodes beyond their inputs, 3840×2160",
        "",
        f"| nodes | MB | frames, the result included (one is {FRAME_MB:.0f} MB) |",
        "|---|---:|---:|",
    ]
    for label, nodes in AREA.items():
        megabytes = area_growth(nodes)
        lines.append(f"| {label} | {megabytes:.0f} | {megabytes / FRAME_MB:.2f} |")
    return "\n".join(lines) + "\n"
