"""Peak memory of a long chain, measured in a process of its own: resident set, everything included."""

from __future__ import annotations

import json
import subprocess
import sys

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
    """Megabytes by which the peak grew over a warm process, the two input pictures included."""
    command = [sys.executable, "-c", _CHILD, str(nodes), "fused" if fused else "single"]
    return float(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))


def table(rows: list[tuple[int, bool]]) -> str:
    """Peak growth in frames (one frame: RGBA float32 at 3840×2160) beyond the two input pictures."""
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
