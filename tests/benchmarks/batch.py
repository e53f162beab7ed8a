"""Batches: two workers against one, a whole shot against its files alone, memory over many frames, second runs.

The shot has the pixel-node comp of 20 nodes at 3840×2160: plate R, G and B, CG with 11 channels, all half and zip,
out R, G, B and A. Its files alone are decoded and encoded by as many processes with as many threads.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import frame
import numpy as np

from stackcomp import Graph, Image
from stackcomp.files import exr

_COMMAND = [sys.executable, "-m", "stackcomp", "batch"]


def comp_of_20(folder: Path, frames: str) -> Path:
    """The graph file of the shot; its frames are one picture under many names."""
    graph = Graph(frames=frames)
    first, last = map(int, frames.split("-"))
    for name in ("plate", "cg"):
        graph.add("read", name, path=f"{name}.{{frame:04d}}.exr", encoding="ACEScg")
        for number in range(first, last + 1):
            if not (other := folder / f"{name}.{number:04d}.exr").exists():
                other.hardlink_to(folder / f"{name}.exr")
    source, backdrop = "cg", "plate"
    for k in range(9):
        source = graph.add("exposure", f"cg{k}", image=source, stops=0.1 - 0.02 * k)
        backdrop = graph.add("channel_gain", f"plate{k}", image=backdrop, gain=[1 + 0.01 * k, 1, 1 - 0.01 * k])
    graph.add("match_black", "lifted", image=source, black=0.002)
    graph.add("over", "comp", source="lifted", backdrop=backdrop)
    graph.add("deliver", "out", image="comp", path="out/out.{frame:04d}.exr")
    path = folder / f"shot_{frames}.json"
    graph.save(path)
    return path


def _run(graph: Path, workers: int, threads: int, *options: str) -> dict:
    """The summary of a batch that renders everything."""
    environment = {**os.environ, "STACKCOMP_THREADS": str(workers * threads)}
    words = [*_COMMAND, str(graph), "--root", str(graph.parent), "--workers", str(workers), "--json", *options]
    result = subprocess.run(words, capture_output=True, text=True, env=environment)
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert lines[-1]["ok"], lines[-1]
    lines[-1]["records"] = [line for line in lines if line["event"] == "frame"]
    return lines[-1]


_ALONE = """
import sys, time
sys.path.insert(0, sys.argv[1])
from pathlib import Path
import frame, OpenEXR
from stackcomp.files import exr_level
folder, numbers = Path(sys.argv[2]), range(int(sys.argv[3]), int(sys.argv[4]), 2)
finished = OpenEXR.File(str(folder / "out/out.0001.exr"), separate_channels=True)
planes = {name: channel.pixels for name, channel in finished.channels().items()}
header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
for number in numbers:
    for name in ("plate", "cg"):
        OpenEXR.File(str(folder / f"{name}.{number:04d}.exr"), separate_channels=True).channels()
    with exr_level.compression_level(exr_level.DEFAULT):
        file = OpenEXR.File(dict(header), {name: plane.copy() for name, plane in planes.items()})
        file.write(str(folder / f"alone.{number:04d}.exr"))
"""


def _files_alone(folder: Path, count: int) -> float:
    """Seconds for two processes with one thread each that only decode and encode."""
    environment = {**os.environ, "STACKCOMP_THREADS": "1"}
    started = time.perf_counter()
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", _ALONE, str(Path(__file__).parent), str(folder), str(first), str(count + 1)],
            env=environment,
        )
        for first in (1, 2)
    ]
    assert not any(process.wait() for process in processes)
    return time.perf_counter() - started


def shots(folder: Path, rounds: int, count: int = 40) -> str:
    """A shot by one worker, by two, and its files alone; all in turn."""
    frame.write_files(folder)
    graph = comp_of_20(folder, f"1-{count}")
    _run(graph, 2, 1)
    times: dict[str, list[float]] = {"files alone, two processes": [], "one worker": [], "two workers": []}
    for _ in range(rounds):
        times["files alone, two processes"].append(_files_alone(folder, count))
        times["one worker"].append(_run(graph, 1, 1, "--again")["seconds"])
        times["two workers"].append(_run(graph, 2, 1, "--again")["seconds"])
    alone, one, two = (np.array(own) for own in times.values())
    lines = [
        f"### A shot of {count} frames, 3840×2160, 20 pixel nodes, one thread a process: {rounds} rounds",
        "",
        "| | seconds | ratio |",
        "|---|---:|---:|",
        f"| decoding and encoding alone, two processes | {np.median(alone):.1f} | 1.00 |",
        f"| two workers | {np.median(two):.1f} | {np.median(two / alone):.2f} of decoding and encoding alone |",
        f"| one worker | {np.median(one):.1f} | {np.median(one / two):.2f} of two workers |",
    ]
    return "\n".join(lines) + "\n"


def memory(folder: Path, count: int = 500) -> str:
    """Memory that one worker has held at most, after 50 frames and after many."""
    graph = small_shot(folder, count, (540, 960))
    peaks = {record["frame"]: record["peak_memory"] for record in _run(graph, 1, 2)["records"]}
    early, late = peaks[50], max(peaks.values())
    growth = 100 * (late / early - 1)
    return (
        f"### Memory of a worker over {count} frames of 960×540\n\n"
        f"{early / 1e6:.0f} MB after 50 frames, {late / 1e6:.0f} MB at the end: {growth:.1f} % more\n"
    )


def small_shot(folder: Path, count: int, shape: tuple[int, int]) -> Path:
    """A shot of small frames."""
    folder.mkdir(exist_ok=True)
    draw = np.random.default_rng(0)
    pixels = draw.random((*shape, 4), np.float32)
    image = Image.from_array(pixels)
    window = image.window
    for name in ("plate", "cg"):
        exr.write(folder / f"{name}.exr", dict(image.planes), window=window, display=window)
    return comp_of_20(folder, f"1-{count}")


def second_runs(folder: Path, count: int = 1000) -> str:
    """A second run over finished frames, by size and time."""
    graph = small_shot(folder, count, (180, 320))
    first = _run(graph, 2, 1)["seconds"]
    started = time.perf_counter()
    assert _run(graph, 2, 1)["up_to_date"] == count
    second = time.perf_counter() - started
    return (
        f"### A second run over {count} finished frames\n\n"
        f"The first run took {first:.1f} s, the second {second:.2f} s with all of the command.\n"
    )


def checksums(folder: Path, count: int = 300) -> str:
    """A second run that compares contents, against reading the files, both from the disk and not from memory."""
    graph = small_shot(folder, count, (540, 960))
    _run(graph, 2, 1)
    paths = list(folder.rglob("*.exr"))
    size = sum(path.stat().st_size for path in paths)
    times: dict[str, list[float]] = {"read": [], "run": []}
    for _ in range(3):
        _forget(paths)
        started = time.perf_counter()
        for path in paths:
            path.read_bytes()
        times["read"].append(time.perf_counter() - started)
        _forget(paths)
        started = time.perf_counter()
        assert _run(graph, 2, 1, "--checksums")["up_to_date"] == count
        times["run"].append(time.perf_counter() - started)
    read, run = np.median(times["read"]), np.median(times["run"])
    return (
        f"### A second run over {count} frames with checksums\n\n"
        f"{size / 1e6:.0f} MB from the disk: reading alone {read:.1f} s, the whole command {run:.1f} s.\n"
    )


def _forget(paths: list[Path]) -> None:
    """Have the system drop the files from its memory."""
    os.sync()
    for path in paths:
        with path.open("rb") as file:
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def all_batches(folder: Path, rounds: int) -> str:
    """Every table."""
    parts = []
    for name, make in (("shots", shots), ("memory", memory), ("second", second_runs), ("sums", checksums)):
        (own := folder / name).mkdir()
        parts.append(make(own, min(rounds, 5)) if make is shots else make(own))
    return "\n".join(parts)
