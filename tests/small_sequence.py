"""A small sequence on disk, whose batches run in this process: a test of one takes milliseconds.

Only the processes are replaced; what is due, the checks, the ledger and the files are the program's own.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from stackcomp import Problem
from stackcomp.batch import run as run_module
from stackcomp.batch.due import FrameState
from stackcomp.batch.ledger import Ledger
from stackcomp.batch.record import FrameRecord
from stackcomp.batch.renderer import Renderer
from stackcomp.batch.run import Batch, Options, Summary
from stackcomp.cli.shots import open_batch
from stackcomp.data.window import Window
from stackcomp.files import exr

WIDTH, HEIGHT = 32, 18
GRAPH: dict[str, Any] = {
    "stackcomp": 1,
    "about": "The lantern on the bench, invented for tests",
    "working_space": "ACEScg",
    "variables": {"plates": "plates/${shot_name}", "out": "out/${shot_name}", "stops": 0.5},
    "frames": "1-3",
    "nodes": {
        "plate": {"kind": "read", "path": "${plates}/plate.{frame:04d}.exr", "encoding": "ACEScg"},
        "light": {"kind": "pick_channels", "layers": "plate", "as": "colour"},
        "brighter": {"kind": "exposure", "image": "light", "stops": "${stops}"},
        "exr": {"kind": "deliver", "image": "brighter", "path": "${out}/comp.{frame:04d}.exr"},
        "png": {"kind": "deliver", "image": "brighter", "path": "${out}/comp.{frame:04d}.png"},
    },
}
SEQUENCE: dict[str, Any] = {
    "stackcomp_sequence": 1,
    "graph": "graphs/comp.json",
    "shots": {"wide": {}, "close": {}},
}


def write_plate(
    path: Path, seed: int = 0, *, size: tuple[int, int] = (WIDTH, HEIGHT), channels: Sequence[str] = "RGB"
) -> None:
    """A plate of noise that is different for each seed, and has the same length in bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(seed)
    window = Window.of_size(*size)
    planes = {name: noise.random((size[1], size[0]), dtype=np.float32) for name in channels}
    exr.write(path, planes, window=window, display=window, pixel_type="half", compression="none")


def graph_with(
    changes: Mapping[str, Any] | None = None, base: Mapping[str, Any] = GRAPH, **head: Any
) -> dict[str, Any]:
    """The graph with other nodes, fields of nodes (as ``"node.field"``) and fields beside the nodes."""
    graph = copy.deepcopy({**base, **head})
    for name, value in (changes or {}).items():
        node, dot, parameter = name.rpartition(".")
        if dot and node in graph["nodes"]:
            graph["nodes"][node][parameter] = value
        elif value is None:
            del graph["nodes"][name]
        else:
            graph["nodes"][name] = value
    return graph


class InProcess:
    """Renders tasks in this process, in place of `stackcomp.batch.pool.Pool`."""

    def __init__(self, specs: Mapping[str, Any], **options: Any) -> None:
        self._specs, self._stopped = specs, False

    def run(self, tasks: Sequence[Any]) -> Iterator[FrameRecord]:
        for shot in dict.fromkeys(task.shot for task in tasks):
            for record in Renderer(self._specs[shot]).frames([t.frame for t in tasks if t.shot == shot]):
                yield record
                if self._stopped:
                    return

    def stop(self, *, at_once: bool = False) -> None:
        self._stopped = True


@dataclass
class Outcome:
    """What a batch did, and what it said while it did it."""

    summary: Summary = field(default_factory=Summary)
    warnings: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def rendered(self) -> list[tuple[str, int]]:
        """Shots and frames that were rendered."""
        return sorted((record.shot, record.frame) for record in self.summary.done)

    @property
    def failed(self) -> dict[tuple[str, int], str]:
        """Shots and frames that failed, with the reason."""
        return {
            (record.shot, record.frame): record.reason.message
            for record in self.summary.failed
            if record.reason is not None
        }

    # -- as `stackcomp.batch.run.Watch` --

    def begin(self, due: Sequence[FrameState], done: int, workers: int, threads: int) -> None:
        pass

    def warn(self, problem: Problem) -> None:
        self.warnings.append(problem)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def frame(self, record: FrameRecord) -> None:
        pass

    def interrupted(self, presses: int) -> None:
        pass

    def delivery(self, name: str, shot: str, path: Path, seconds: float) -> None:
        pass

    def delivery_failed(self, name: str, shot: str, reason: str) -> None:
        pass


class Project:
    """A folder with plates, a graph and a sequence of it."""

    def __init__(
        self, folder: Path, *, frames: Sequence[int] = (1, 2, 3), shots: Sequence[str] = ("wide", "close")
    ):
        self.folder = folder
        self.file = folder / "lantern.json"
        for number, shot in enumerate(shots):
            for frame in frames:
                write_plate(self.plate(shot, frame), 100 * number + frame)
        self.write_graph()
        self.write(shots={shot: {} for shot in shots})

    def plate(self, shot: str, frame: int) -> Path:
        return self.folder / "plates" / shot / f"plate.{frame:04d}.exr"

    def output(self, shot: str, frame: int, ending: str = "exr") -> Path:
        return self.folder / "out" / shot / f"comp.{frame:04d}.{ending}"

    def write(self, **fields: Any) -> Path:
        """Write the sequence file; returns it."""
        self.file.write_text(json.dumps({**SEQUENCE, **fields}), encoding="utf-8")
        return self.file

    def write_graph(self, changes: Mapping[str, Any] | None = None, name: str = "comp.json", **head: Any) -> Path:
        path = self.folder / "graphs" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(graph_with(changes, **head)), encoding="utf-8")
        return path

    def open(self, *sets: str, variables: Sequence[Path] = (), file: Path | None = None) -> Batch:
        return open_batch(str(file or self.file), None, [str(path) for path in variables], list(sets))

    def run(self, *sets: str, file: Path | None = None, **options: Any) -> Outcome:
        outcome = Outcome()
        with patch.object(run_module, "Pool", InProcess):
            outcome.summary = self.open(*sets, file=file).run(Options(**options), outcome)
        return outcome

    def states(self, *sets: str, file: Path | None = None, **options: Any) -> dict[tuple[str, int], FrameState]:
        states = self.open(*sets, file=file).states(Options(**options))
        return {(state.shot, state.frame): state for state in states}

    def due(self, *sets: str, file: Path | None = None, **options: Any) -> dict[tuple[str, int], tuple[str, str]]:
        """Status and reason of each frame that is to be rendered."""
        states = self.states(*sets, file=file, **options)
        return {key: (state.status, state.why) for key, state in states.items() if state.due}

    def ledger(self) -> Ledger:
        return Ledger(self.open().ledger_path, read_only=True)


def contents(folder: Path) -> dict[str, Any]:
    """What was delivered below a folder, by relative path: bytes, or pixels and header of OpenEXR.

    The header holds a hash of the whole graph, in which a node may change that the picture does not depend on; it
    is left out.
    """
    found: dict[str, Any] = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.suffix == ".exr":
            picture = exr.read(path)
            header = {key: repr(v) for key, v in picture.header.metadata.items() if key != "stackcomp/graph"}
            found[name] = ({channel: plane.tobytes() for channel, plane in picture.planes.items()}, header)
        elif path.suffix == ".png":
            found[name] = path.read_bytes()
    return found
