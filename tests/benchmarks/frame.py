"""A whole frame from files to a file, 3840×2160, all half and zip: against decoding and encoding alone.

The plate has R, G and B, the CG 11 channels, the shadow pass R, G and B. The shadow is laid on the plate with a
gamma, the CG is graded and put over it. The floor opens the same files with the same library and threads, and
writes the finished picture again.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from stackcomp import Composition, Graph, Window
from stackcomp.data.frames import parse_frames
from stackcomp.execute.executor import Executor
from stackcomp.execute.frame import Request
from stackcomp.files import exr, exr_level
from stackcomp.files.exr_write import library_threads

FRAME = Window.of_size(3840, 2160)
_FILES = ("plate", "cg", "shadow")


def write_files(folder: Path) -> None:
    """Soft shapes with some noise, as rendered pictures and plates have."""
    draw = np.random.default_rng(0)
    y, x = np.mgrid[0 : FRAME.height, 0 : FRAME.width].astype(np.float32)
    light = (np.sin(x / 300) + np.cos(y / 200) + 2.2) / 4

    def noisy(k: int) -> np.ndarray:
        return (light * (1 + 0.1 * k) + draw.normal(0, 0.01, light.shape)).astype(np.float32)

    disc = ((x - 1900) ** 2 + (y - 1000) ** 2 < 700**2).astype(np.float32)
    shade = np.clip(1 - 0.5 * np.exp(-((x - 1900) ** 2 + (y - 1700) ** 2) / 3e5), 0, 1).astype(np.float32)
    cg = {name: noisy(k) * disc for k, name in enumerate("RGB")} | {"A": disc}
    cg |= {f"light{k}.R": noisy(k) * disc for k in range(7)}
    pictures = {
        "plate": {name: noisy(k) for k, name in enumerate("RGB")},
        "cg": cg,
        "shadow": dict.fromkeys("RGB", shade),
    }
    for name, planes in pictures.items():
        exr.write(folder / f"{name}.exr", planes, window=FRAME, display=FRAME)


def composition(folder: Path, frames: str = "1-20") -> Composition:
    """The comp. Every frame has files of its own, which are the same ones under other names."""
    graph = Graph(frames=frames)
    for name in _FILES:
        graph.add("read", name, path=f"{name}.{{frame:04d}}.exr", encoding="ACEScg")
        for frame in parse_frames(frames):
            if not (other := folder / f"{name}.{frame:04d}.exr").exists():
                other.hardlink_to(folder / f"{name}.exr")
    graph.add("pick_channels", "ratio", layers="shadow", as_="ratio", channels={name: name for name in "RGB"})
    graph.add("multiply_shadow", "shaded", backdrop="plate", shadow="ratio", gamma=1.3)
    graph.add("cdl", "graded", image="cg", slope=[1.1, 1, 0.9], offset=0.01, power=[0.9, 1.1, 1.2])
    graph.add("over", "comp", source="graded", backdrop="shaded")
    graph.add("deliver", "out", image="comp", path="out.{frame:04d}.exr")
    return Composition(graph, root=folder)


def files_alone(folder: Path, count: int) -> None:
    """Decode the inputs and encode a finished picture, as many times as there are frames."""
    import OpenEXR

    threads = library_threads()
    finished = OpenEXR.File(str(folder / "out.0001.exr"), separate_channels=True, num_threads=threads)
    planes = {name: channel.pixels for name, channel in finished.channels().items()}
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    for k in range(count):
        for name in _FILES:
            OpenEXR.File(str(folder / f"{name}.exr"), separate_channels=True, num_threads=threads).channels()
        with exr_level.compression_level(exr_level.DEFAULT):
            file = OpenEXR.File(
                dict(header), {name: plane.copy() for name, plane in planes.items()}, num_threads=threads
            )
            file.write(str(folder / f"alone.{k:04d}.exr"))


def whole_frames(folder: Path, rounds: int, count: int = 20) -> str:
    """A table of the whole frame; frames and files alone take turns."""
    write_files(folder)
    comp = composition(folder)
    frames = list(range(1, count + 1))
    comp.deliver(frames[:1])
    times: dict[str, list[float]] = {"files": [], "overlapping": [], "one after the other": []}
    for _ in range(rounds):
        for name in times:
            started = time.perf_counter()
            if name == "files":
                files_alone(folder, count)
            else:
                comp.deliver(frames, overlap=name == "overlapping")
            times[name].append((time.perf_counter() - started) / count)
    lines = [
        f"### Whole frames, 3840×2160, half, zip: {count} frames, median of {rounds} rounds",
        "",
        "| | seconds a frame | × decoding and encoding alone |",
        "|---|---:|---:|",
    ]
    for name, own in times.items():
        ratio = np.median([mine / floor for mine, floor in zip(own, times["files"], strict=True)])
        label = "decoding and encoding alone" if name == "files" else f"stackcomp, {name}"
        lines.append(f"| {label} | {np.median(own):.2f} | {ratio:.2f} |")
    return "\n".join(lines) + "\n"


def windows(rounds: int) -> str:
    """A part of 512×512 of chains of 20, against its share of the whole."""
    import chain

    some = chain.pictures()
    lines = [
        "### A window of 512×512 of 3840×2160",
        "",
        "| chain of 20 | whole ms | window ms | × its share |",
        "|---|---:|---:|---:|",
    ]
    for name in ("plain", "powers"):
        graph, last, used = chain.graph_of(name)
        executor = Composition(graph).executor([last], replace={name: some[name] for name in used})
        lines.append(f"| {name} | {_window(executor, rounds)} |")
    return "\n".join(lines) + "\n"


def _window(executor: Executor, rounds: int) -> str:
    part = Window(1000, 700, 1512, 1212)
    share = part.width * part.height / (FRAME.width * FRAME.height)

    def seconds(window: Window | None) -> float:
        started = time.perf_counter()
        for _ in executor._run(Request(1, window=window)).finished():
            pass
        return time.perf_counter() - started

    seconds(None), seconds(part)
    whole = [seconds(None) for _ in range(rounds)]
    parts = [seconds(part) for _ in range(5 * rounds)]
    ratio = np.median(parts) / (np.median(whole) * share)
    return f"{np.median(whole) * 1e3:.1f} | {np.median(parts) * 1e3:.2f} | {ratio:.2f}"


_CHILD = """
import sys, json
sys.path.insert(0, sys.argv[2])
from pathlib import Path
import frame
def peak():
    line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024
folder = Path(sys.argv[1])
comp = frame.composition(folder)
comp.deliver(list(range(1, 5)), overlap=sys.argv[3] == "overlap")
print(json.dumps(peak()))
"""


def memory(folder: Path) -> str:
    """Peak memory of delivering whole frames, in a process of its own."""
    picture = 16 * FRAME.width * FRAME.height / 2**20
    planes = {"plate": 3, "cg": 11, "shadow": 3}
    inputs = 2 * sum(planes.values()) * FRAME.width * FRAME.height / 2**20
    base = _resident([sys.executable, "-c", "import stackcomp, OpenEXR, llvmlite.binding\n" + _PEAK])
    lines = [
        "### Peak memory of whole frames, inputs held as half",
        "",
        f"Inputs are {inputs:.0f} MB with all channels of the files; a picture of four float32 planes is "
        f"{picture:.0f} MB; a process that has only loaded the libraries takes {base:.0f} MB.",
        "",
        "| | peak MB | pictures beyond inputs and libraries |",
        "|---|---:|---:|",
    ]
    for word in ("overlap", "one after the other"):
        command = [sys.executable, "-c", _CHILD, str(folder), str(Path(__file__).parent), word]
        highest = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        lines.append(f"| {word} | {highest:.0f} | {(highest - inputs - base) / picture:.2f} |")
    return "\n".join(lines) + "\n"


_PEAK = """
line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(int(line.split()[1]) / 1024)
"""


def _resident(command: list[str]) -> float:
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
