"""Dumps for tests, written with the OpenEXR package and by hand: the truth does not come from the program."""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
from PIL import Image as Canvas

__all__ = ["ACESCG", "Made", "Truth", "colour", "random_colour", "truth", "write_dump"]

ACESCG = {"name": "ACEScg", "family": "scene-linear"}
_LETTERS = {"colour": "RGBA", "matte": "A", "depth": "Z", "ratio": "RGB"}


def colour(alpha: str = "none", encoding: Mapping[str, str] = ACESCG) -> dict[str, Any]:
    """The type of colour, as a dump has it."""
    words = "colour without alpha" if alpha == "none" else f"{alpha} colour"
    text = f"{words} in {encoding['name']} ({encoding['family']})"
    return {"name": "colour", "text": text, "alpha": alpha, "encoding": dict(encoding), "bare_light": False}


@dataclass
class Made:
    """A node of a dump.

    Attributes:
        name: any text.
        planes: by channel; uint32 planes hold ids, float16 planes are written as half. None: no picture.
        type: as ``nodes.json`` has it.
        corner: upper left pixel of the data window.
        frame: display window: x, y, width, height; the data window where None.
        more: fields of its entry that replace others.
        compressed: whether its file is; large noisy ones are written faster without.
    """

    name: str
    planes: Mapping[str, np.ndarray] | None = None
    type: Mapping[str, Any] = field(default_factory=colour)
    kind: str = "exposure"
    inputs: Mapping[str, str] = field(default_factory=dict)
    parameters: Mapping[str, Any] = field(default_factory=dict)
    corner: tuple[int, int] = (0, 0)
    frame: tuple[int, int, int, int] | None = None
    more: Mapping[str, Any] = field(default_factory=dict)
    compressed: bool = True


@dataclass(frozen=True)
class Truth:
    """A picture as the OpenEXR package reads it: planes by channel, and the first pixel of its data window."""

    planes: Mapping[str, np.ndarray]
    corner: tuple[int, int]

    def at(self, channel: str, x: int, y: int) -> np.float32:
        """The value at a pixel of the frame."""
        return self.planes[channel][y - self.corner[1], x - self.corner[0]]

    def bits(self, channel: str, x: int, y: int) -> int:
        """The 32 bits of the value at a pixel of the frame."""
        return struct.unpack("<I", self.at(channel, x, y).astype("<f4").tobytes())[0]


def truth(path: Path) -> Truth:
    """Read a picture."""
    with OpenEXR.File(str(path), separate_channels=True) as file:
        window = file.header()["dataWindow"]
        planes = {name: np.array(channel.pixels, np.float32) for name, channel in file.channels().items()}
    return Truth(planes, (int(window[0][0]), int(window[0][1])))


def random_colour(
    width: int, height: int, *, seed: int = 0, grain: float = 0.03, channels: str = "RGB"
) -> dict[str, np.ndarray]:
    """Light with a slope, a bright lamp, and noise in every value, as a camera has it."""
    random = np.random.default_rng(seed)
    across = np.linspace(0.02, 0.6, width, dtype=np.float32)[None]
    down = np.linspace(0.7, 1.3, height, dtype=np.float32)[:, None]
    planes = {}
    for number, name in enumerate(channels):
        light = across * down * np.float32(1 - 0.2 * number)
        noise = random.standard_normal((height, width), dtype=np.float32)
        planes[name] = light + noise * np.float32(grain) * np.sqrt(light)
        planes[name][height // 4 : height // 4 + 3, width // 4 : width // 4 + 3] += np.float32(40)
    if "A" in planes:
        planes["A"] = np.clip(planes["A"], 0, 1)
    return planes


def write_dump(
    folder: Path, nodes: Sequence[Made], frame: int = 1001, *, failed: Mapping[str, str] | None = None, **head: Any
) -> Path:
    """Write a dump of one frame, in the form that the program's dumps have."""
    folder.mkdir(parents=True, exist_ok=True)
    entries = [_entry(folder, number, node) for number, node in enumerate(nodes)]
    report = {
        "dump": 1,
        "program": "stackcomp 0.1.0",
        "graph": "bench.json",
        "about": "Lantern on the bench, invented",
        "graph_hash": "0" * 32,
        "frame": frame,
        "scale": 1.0,
        "viewing_stops": 0.0,
        "working_space": "ACEScg",
        "colour_config": "studio-config-v2.2.0_aces-v1.3_ocio-v2.4",
        "complete": failed is None,
        "failed": None if failed is None else dict(failed),
        "warnings": [],
        "nodes": entries,
        **head,
    }
    (folder / "nodes.json").write_text(json.dumps(report, ensure_ascii=False), encoding="utf-8")
    return folder


def _entry(folder: Path, number: int, node: Made) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "name": node.name,
        "kind": node.kind,
        "about": "",
        "state": "missing" if node.planes is None else "done",
        "inputs": dict(node.inputs),
        "input_types": dict.fromkeys(node.inputs, "colour without alpha in ACEScg (scene-linear)"),
        "parameters": dict(node.parameters),
        "type": dict(node.type),
        "warnings": [],
    }
    if node.planes is not None:
        entry |= _picture(folder, f"node{number}", node)
    return {**entry, **node.more}


def _picture(folder: Path, file_name: str, node: Made) -> dict[str, Any]:
    planes = dict(node.planes or {})
    height, width = next(iter(planes.values())).shape
    x, y = node.corner
    frame = node.frame or (x, y, width, height)
    header = {
        "compression": OpenEXR.ZIP_COMPRESSION if node.compressed else OpenEXR.NO_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "dataWindow": (np.array([x, y], np.int32), np.array([x + width - 1, y + height - 1], np.int32)),
        "displayWindow": (
            np.array(frame[:2], np.int32),
            np.array([frame[0] + frame[2] - 1, frame[1] + frame[3] - 1], np.int32),
        ),
    }
    ids = [name for name, plane in planes.items() if plane.dtype == np.uint32]
    written = {name: np.ascontiguousarray(p.view(np.float32) if name in ids else p) for name, p in planes.items()}
    OpenEXR.File(header, dict(written)).write(str(folder / f"{file_name}.exr"))
    shown_names = "RGB" if {"R", "G", "B"} <= set(planes) else [next(iter(planes))] * 3
    shown = np.stack([np.nan_to_num(written[name].astype(np.float32)) for name in shown_names], axis=-1)
    seen = Canvas.fromarray((np.sqrt(np.clip(shown, 0, 1)) * 255).astype(np.uint8))
    seen.save(folder / f"{file_name}.png", compress_level=6 if node.compressed else 1)
    figures = {}
    for name, plane in written.items():
        finite = plane[np.isfinite(plane)]
        least, most = (float(f(finite)) if finite.size else None for f in (np.min, np.max))
        mean = float(finite.mean(dtype=np.float64)) if finite.size else None
        figures[name] = {"min": least, "max": most, "mean": mean, "non_finite": int(plane.size - finite.size)}
    return {
        "files": {"exr": f"{file_name}.exr", "png": f"{file_name}.png"},
        "size": list(frame[2:]),
        "data_window": {"x": x, "y": y, "width": width, "height": height},
        "display_window": dict(zip(("x", "y", "width", "height"), frame, strict=True)),
        "channels": figures,
        **({"id_channels": ids} if ids else {}),
        "seconds": 0.0123,
        "compiled": False,
    }
