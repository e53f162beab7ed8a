"""A small invented shot on disk, and the commands run in this process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import stackcomp
from stackcomp.cli.app import app
from stackcomp.data.window import Window
from stackcomp.files import exr

WIDTH, HEIGHT = 24, 16
#: A bit pattern that as a float would be a signalling NaN: any arithmetic on it would change it.
OBJECT_ID = 0x7F800123


def write_shot(folder: Path, frames=(1, 2, 3)) -> None:
    window = Window.of_size(WIDTH, HEIGHT)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    for frame in frames:
        plate = {"R": x / WIDTH, "G": y / HEIGHT, "B": np.full_like(x, 0.25)}
        exr.write(folder / f"plate.{frame:04d}.exr", plate, window=window, display=window, pixel_type="float")
        alpha = np.clip(1.3 - np.hypot(x - 8 - frame, y - 8) / 5, 0, 1).astype(np.float32)
        ids = np.where(alpha > 0, np.uint32(OBJECT_ID), np.uint32(0))
        cg = {"R": alpha * 0.8, "G": alpha * 0.5, "B": alpha * 0.1, "A": alpha, "depth.Z": alpha * 3,
              "id.id0": ids.view(np.float32), "id.cover0": alpha}  # fmt: skip
        cg |= {f"shadow.{c}": 1 - alpha / 2 for c in "RGB"}
        exr.write(folder / f"cg.{frame:04d}.exr", cg, window=window, display=window, pixel_type="float",
                  bits_as_float=["id.id0"])  # fmt: skip


GRAPH: dict[str, Any] = {
    "stackcomp": 1,
    "about": "Signal lantern on the bench, invented for tests",
    "working_space": "ACEScg",
    "variables": {"shot": ".", "out": "out", "gamma": 1.3},
    "frames": "1-3",
    "nodes": {
        "plate": {"kind": "read", "path": "${shot}/plate.{frame:04d}.exr", "encoding": "ACEScg"},
        "cg": {"kind": "read", "path": "${shot}/cg.{frame:04d}.exr", "encoding": "ACEScg"},
        "beauty": {"kind": "pick_channels", "layers": "cg", "as": "colour", "alpha": "premultiplied"},
        "shadow": {"kind": "pick_channels", "layers": "cg", "as": "ratio", "layer": "shadow"},
        "shaded": {"kind": "multiply_shadow", "backdrop": "plate", "shadow": "shadow", "gamma": "${gamma}"},
        "final": {"kind": "over", "source": "beauty", "backdrop": "shaded"},
        "out": {"kind": "deliver", "image": "final", "path": "${out}/final.{frame:04d}.exr"},
    },
}
IDS = {"kind": "pick_channels", "layers": "cg", "as": "ids", "channels": {"id0": "id.id0", "cover0": "id.cover0"}}


@pytest.fixture
def shot(tmp_path, monkeypatch) -> Path:
    """The current folder, with the files of the shot and its graph."""
    write_shot(tmp_path)
    monkeypatch.chdir(tmp_path)
    save(tmp_path / "graph.json", GRAPH)
    return tmp_path


def save(path: Path, graph: dict[str, Any], **nodes: Any) -> str:
    """A graph as a file, with further nodes; None takes one away."""
    changed = {**graph["nodes"], **nodes}
    path.write_text(json.dumps({**graph, "nodes": {k: v for k, v in changed.items() if v is not None}}))
    return path.name


@pytest.fixture
def save_graph(shot):
    return lambda name="graph.json", **nodes: save(shot / name, GRAPH, **nodes)


@pytest.fixture(scope="session")
def run():
    """Runs a command in this process: ``exit_code``, ``stdout``, ``stderr``."""
    runner = CliRunner()
    return lambda *arguments: runner.invoke(app, [str(a) for a in arguments], prog_name="stackcomp")


def environment(**more: str) -> dict[str, str]:
    """For another process that imports the same package, installed or not."""
    home = str(Path(stackcomp.__file__).parents[1])
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(filter(None, (home, os.environ.get("PYTHONPATH")))),
        **more,
    }


@pytest.fixture(scope="session", name="environment")
def _environment():
    return environment


@pytest.fixture(scope="session")
def process():
    """Runs the program as its users do."""

    def start(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "stackcomp", *map(str, arguments)]
        options["env"] = environment(**options.get("env", {}))
        return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, **options)

    return start


def read_exr(path: Path):
    """A file by an independent reader: channel name → plane, as float bits."""
    oiio = pytest.importorskip("OpenImageIO")
    picture = oiio.ImageBuf(str(path))
    pixels = picture.get_pixels(oiio.FLOAT)
    return {name: np.ascontiguousarray(pixels[..., k]) for k, name in enumerate(picture.spec().channelnames)}


@pytest.fixture(scope="session")
def read_outside():
    return read_exr


@pytest.fixture(scope="session")
def ids_node():
    return dict(IDS)


@pytest.fixture(scope="session")
def object_id():
    return OBJECT_ID
