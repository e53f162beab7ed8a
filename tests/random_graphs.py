"""Graphs made up at random from the registry, so that a new kind is tried in all company by itself.

A kind's ports, numbers and choices say what can be drawn for it. Only text (paths, names of channels and
colour spaces) and values that make sense in one form alone (homographies) are in `DRAWN`.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import numpy as np
from pydantic import ValidationError

from stackcomp import KINDS, DocumentError, Graph, Window
from stackcomp.check.check_graph import check_graph
from stackcomp.check.checked import CheckedNode
from stackcomp.data.numbers import Number, number_of
from stackcomp.data.port_types import Colour, Layers
from stackcomp.files import exr
from stackcomp.files.camera_file import write_camera
from stackcomp.files.grain_file import GrainFile, write_grain
from stackcomp.files.id_hash import id_of
from stackcomp.files.lens_file import write_lens
from stackcomp.files.track_file import track_text
from stackcomp.kernels.pinhole import Camera
from stackcomp.nodes.base import Context, Node, Port

FRAME = Window.of_size(37, 29)
_WINDOWS = (FRAME, FRAME.grow(3), Window(4, 3, 30, 26), Window(-2, 5, 20, 31), Window(8, 0, 37, 17))
_ENCODINGS = ("ACEScg", "ACES2065-1", "ACEScct", "Linear Rec.709 (sRGB)", "sRGB Encoded Rec.709 (sRGB)")
_CORNERS = {"a": (6, 5), "b": (30, 6), "c": (28, 22), "d": (7, 23)}
_OBJECTS = ("lamp", "bench", "bolt")
_DECLARED = {
    "cryptomatte/3ae39a5/name": "CryptoObject",
    "cryptomatte/3ae39a5/manifest": json.dumps({name: f"{id_of(name):08x}" for name in _OBJECTS}),
}
_WILD = (-3.0, -0.5, 0.0, -0.0, 1e-42, 1e4, np.inf, -np.inf, np.nan)


def write_files(folder: Path, seed: int) -> None:
    """Pictures with windows of all sorts, and numbers of all sorts: negative, tiny, large, not finite."""
    draw = np.random.default_rng(seed)
    for name in ("cg", "plate", "layers", "still"):
        window = _WINDOWS[draw.integers(len(_WINDOWS))]
        channels = {"cg": "RGBA", "plate": "RGB", "still": "RGB"}.get(name, "RGBA")
        planes = {channel: draw.random(window.shape, np.float32) * 2 for channel in channels}
        if "A" in planes:
            planes["A"] = np.clip(planes["A"] * 2 - 0.5, 0, 1)
        if name == "layers":
            planes["Z"] = 1 + 4 * draw.random(window.shape, np.float32)
            planes["mask"] = np.clip(draw.random(window.shape, np.float32) * 3 - 1, 0, 1)
            planes |= {f"shadow.{c}": draw.random(window.shape, np.float32) * 1.2 for c in "RGB"}
            planes |= {"dx": planes["R"] * 4, "dy": planes["G"] * -3}
            planes |= {f"CryptoObject00.{c}": draw.random(window.shape, np.float32) / 2 for c in "ga"}
        for plane in planes.values():
            wild = draw.random(window.shape) < 0.02
            plane[wild] = draw.choice(np.array(_WILD, np.float32), int(wild.sum()))
        if name == "layers":
            planes["id00"] = draw.integers(0, 1 << 32, window.shape, np.uint32)
            bits = np.array([0, *(id_of(name) for name in _OBJECTS), 0x7F800001, 0x80000000], np.uint32)
            for c in "rb":
                planes[f"CryptoObject00.{c}"] = bits[draw.integers(0, len(bits), window.shape)].view(np.float32)
        metadata = _DECLARED if name == "layers" else {}
        exr.write(
            folder / f"{name}.exr", planes, window=window, display=FRAME, pixel_type="float", metadata=metadata
        )
    moved = {name: {k: (x + k, y - 0.5 * k, 0) for k in (1, 2, 3)} for name, (x, y) in _CORNERS.items()}
    (folder / "track.json").write_text(track_text((FRAME.width, FRAME.height), 2, moved))
    cameras = {}
    for frame in (1, 2, 3):
        to_world = [[1, 0, 0, 0.05 * frame], [0, 0, 1, 0.1 * frame], [0, -1, 0, 0], [0, 0, 0, 1]]
        cameras[frame] = Camera(np.array(to_world, np.float64), 34.0 + frame, (36.0, 28.0))
    write_camera(folder / "camera.json", cameras)
    near = dict.fromkeys("RGB", ((0.3, 1, 0.3), (0.05, 0.2, 0.05)))
    grain = GrainFile(version=1, space="ACEScg", floor=(0.1,) * 3, slope=(0.2,) * 3, autocorrelation=near)
    write_grain(folder / "grain.json", grain)
    lens = {"model": "brown", "size": [FRAME.width, FRAME.height], "focal": [40, 41], "centre": [18, 15]}
    write_lens(folder / "lens.json", {**lens, "coefficients": {"k1": -0.2, "k2": 0.05, "p1": 0.01}})


@dataclass
class RandomGraph:
    """A graph that passes the check; ``kinds`` counts what was drawn, ``refused`` what the check refused."""

    graph: Graph
    folder: Path
    checked: dict[str, CheckedNode] = field(default_factory=dict)
    refused: int = 0
    context: Context | None = None

    @property
    def ends(self) -> list[str]:
        """Nodes that nobody reads."""
        read = {wire.source for node in self.checked.values() for wire in node.wires.values()}
        return [name for name in self.checked if name not in read]


def make(folder: Path, seed: int, nodes: int = 18) -> RandomGraph:
    """A graph of so many nodes, always the same for a seed and a registry."""
    write_files(folder, seed)
    draw = random.Random(seed)
    made = RandomGraph(Graph(frames="1-3"), folder)
    # Every graph begins with something of each sort to work on.
    for name in ("cg", "plate", "layers"):
        _add(made, draw, "read", {"path": f"{name}.exr", "encoding": "ACEScg",
                                  "non_finite": draw.choice(["repair", "keep"])})  # fmt: skip
    layers = list(made.checked)[-1]
    for what in (
        {"as_": "ratio", "layer": "shadow"},
        {"as_": "depth"},
        {"as_": "matte", "channels": {"A": "mask"}},
        {"as_": "motion"},
        {"as_": "coordinates", "channels": {"s": "R", "t": "mask"}},
    ):
        _add(made, draw, "pick_channels", {"layers": layers, **what})
    deck: list[str] = []
    tries = 0
    while len(made.checked) < nodes and tries < 60 * nodes:
        tries += 1
        if not deck:
            deck = sorted(KINDS)
            draw.shuffle(deck)
        # A kind that fits nothing yet gets another chance later.
        kind = deck.pop()
        if not any(_add(made, draw, kind) for _ in range(8)) and draw.random() < 0.5:
            deck.insert(0, kind)
    return made


def _add(made: RandomGraph, draw: random.Random, kind: str, forced: Mapping[str, Any] | None = None) -> bool:
    fields = _fields(made, draw, KINDS[kind]) if forced is None else dict(forced)
    if fields is None:
        return False
    try:
        KINDS[kind].model_validate({"kind": kind, **{key.removesuffix("_"): v for key, v in fields.items()}})
    except ValidationError:
        return False  # Rules between fields, such as a turn that needs a pivot: another draw will do.
    name = f"n{len(made.checked):02d}_{kind}"
    trial = Graph.from_json(made.graph.to_json())
    try:
        trial.add(kind, name, **fields)
    except DocumentError:
        return False
    checked, problems = check_graph(trial.document(), made.folder, wanted=[name])
    if checked is None:
        made.refused += 1
        assert all(problem.node == name for problem in problems if problem.severity == "error"), problems
        return False
    made.graph, made.context = trial, checked.context
    made.checked[name] = checked.nodes[name]
    return True


def _fields(made: RandomGraph, draw: random.Random, kind: type[Node]) -> dict[str, Any] | None:
    fields: dict[str, Any] = {}
    ports, first = kind.ports(), None
    for port, spec in ports.items():
        if not kind.model_fields[port].is_required() and draw.random() < 0.4:
            continue
        source = _source(made, draw, spec, first)
        if source is None:
            if kind.model_fields[port].is_required():
                return None
            continue
        fields[port] = source.name
        if spec.many:
            more = [_source(made, draw, spec, first) for _ in range(draw.randrange(3))]
            fields[port] = [source.name, *(other.name for other in more if other is not None)]
        if first is None and isinstance(_type_at(source, spec), Colour):
            first = _type_at(source, spec)
    bare = [name for name, number in kind.numbers_declared().items() if kind.model_fields[name].default is None]
    picked = draw.choice(bare or [""])
    one_alone = draw.random() < 0.4
    for name, info in kind.model_fields.items():
        if name in ports or name in ("kind", "about"):
            continue
        key = (kind.kind_name(), name)
        made_up = DRAWN.get(key) or DRAWN.get(("", name))
        number = number_of(info.metadata)
        if made_up is None and number is None and get_origin(info.annotation) is not Literal:
            continue
        # Numbers without a default belong together, or exclude each other, as a radius and those of a lens.
        left_out = (name == picked) != one_alone if name in bare else draw.random() < 0.45
        if not info.is_required() and left_out:
            continue
        if made_up is not None:
            fields[name] = made_up(draw)
        elif number is not None:
            fields[name] = _number(draw, number)
        else:
            fields[name] = draw.choice(get_args(info.annotation))
    if "track" in kind.model_fields:
        _one_way(fields, draw)
    if kind.kind_name() == "lens_warp":
        _one_lens(fields, draw)
    if kind.kind_name() == "defocus":
        _one_focus(fields, draw)
    return fields


def _one_way(fields: dict[str, Any], draw: random.Random) -> None:
    """Leave one of the fields that place something, and those alone that go with it."""
    ways = [way for way in ("homography", "track", "camera") if way in fields]
    way = draw.choice(ways) if ways else ""
    steps = {"move", "turn", "scale", "stretch", "pivot"} if way else set()
    for other in {"homography", "track", "camera", *steps} - {way}:
        fields.pop(other, None)
    if way not in ("track", "camera"):
        fields.pop("still_frame", None)
    if way != "track" and "missing" in fields:
        del fields["missing"]
    if way != "camera":
        for name in ("plane", "depth", "still_depth"):
            fields.pop(name, None)
    elif "depth" in fields:
        fields.pop("plane", None)
    if "still_depth" not in fields:
        fields.pop("tolerance", None)


def _one_focus(fields: dict[str, Any], draw: random.Random) -> None:
    """Leave a radius, or a lens that is focused at a distance: at a point there may be no surface."""
    fields.pop("focus_at", None)
    lens = ("focal_length", "f_number", "focus_distance", "gate_width")
    if "depth" in fields:
        fields.pop("radius", None)
        fields |= {"focal_length": 50, "f_number": 2, "focus_distance": draw.uniform(1, 8), "gate_width": 36}
    else:
        fields["radius"] = draw.uniform(0, 6)
        for name in lens:
            fields.pop(name, None)
    fields["blades"] = draw.choice([0, 0, 3, 6])


def _one_lens(fields: dict[str, Any], draw: random.Random) -> None:
    """Leave the lens file or numbers of a model that has them all."""
    if "lateral" in fields:
        fields["lateral"] = [draw.uniform(-5, 5), draw.uniform(-5, 5)]
    if draw.random() < 0.4:
        for name in [name for name in fields if name not in ("image", "direction", "lateral")]:
            del fields[name]
        fields["lens"] = "lens.json"
        return
    fields.pop("lens", None)
    fields |= {"model": "rational", "focal": [draw.uniform(25, 60), draw.uniform(25, 60)]}


def _type_at(source: CheckedNode, spec: Port) -> Any:
    type = source.type
    if isinstance(type, Layers) and Layers not in spec.accepts and type.encoding is not None:
        return Colour(type.alpha, type.encoding) if set("RGB") <= set(type.channels) else type
    return type


def _source(made: RandomGraph, draw: random.Random, spec: Port, first: Any) -> CheckedNode | None:
    """A node whose result a port takes, as far as a quick look shows."""

    def fits(source: CheckedNode) -> bool:
        type = _type_at(source, spec)
        if not isinstance(type, spec.accepts):
            return False
        if isinstance(type, Colour):
            if spec.alpha is not None and type.alpha not in spec.alpha:
                return False
            if spec.linear and not type.encoding.linear:
                return False
            return not isinstance(first, Colour) or type.encoding == first.encoding
        return True

    some = [source for source in made.checked.values() if fits(source)]
    # The newest are likelier, so that chains grow long.
    return draw.choice(some[-4:] if draw.random() < 0.6 else some) if some else None


def _number(draw: random.Random, number: Number) -> Any:
    if draw.random() < 0.2:
        values = [_plain(draw, number) for _ in range(2)]
        return {"keys": [[1, values[0]], [3, values[1]]], "between": draw.choice(["smooth", "linear", "hold"])}
    return _plain(draw, number)


def _plain(draw: random.Random, number: Number) -> Any:
    low = -2.0 if number.low is None else number.low
    low = low if number.above is None else max(low, number.above)
    high = 3.0 if number.high is None else number.high
    # Lengths stay within what so small a frame can show.
    low, high = max(low, -6.0 if number.unit == "px" else -4.0), min(high, 6.0 if number.unit == "px" else 4.0)

    def one() -> float:
        value = draw.choice([low, 0.0, 1.0, high]) if draw.random() < 0.25 else draw.uniform(low, high)
        value = min(max(value, low), high)
        return 0.5 * (low + high) if number.above is not None and value <= number.above else round(value, 3)

    return one() if number.size == 1 else [one() for _ in range(number.size)]


def _near_identity(draw: random.Random) -> list[float]:
    wobble = [draw.uniform(-0.2, 0.2) for _ in range(6)]
    shift = [draw.uniform(-9, 9) for _ in range(2)]
    tilt = [draw.uniform(-2e-3, 2e-3) for _ in range(2)]
    return [1 + wobble[0], wobble[1], shift[0], wobble[2], 1 + wobble[3], shift[1], *tilt, 1]


def _drawn(draw: random.Random, fewest: int, most: int) -> dict[str, Any]:
    """A shape or stroke of a few points in and around the frame, keyed or not."""
    count = draw.randrange(fewest, most + 1)

    def points() -> list[list[float]]:
        return [[round(draw.uniform(-9, 45), 2) for _ in range(2)] for _ in range(count)]

    keys = {"keys": [[1, points()], [3, points()]], "between": draw.choice(["smooth", "linear"])}
    return {"mode": draw.choice(["add", "subtract"]), "points": keys if draw.random() < 0.4 else points()}


def _picked(draw: random.Random) -> dict[str, Any]:
    return draw.choice(
        [
            {"A": "mask"}, {"A": 1}, {"A": "A"}, {"Z": "Z"}, {"R": "shadow.R", "G": "shadow.G", "B": "shadow.B"},
            {"R": "R", "G": "G", "B": "B", "A": "A"}, {"R": "R", "G": 0.5, "B": "B"},
            {"R": "A", "G": "A", "B": "A"},
            {"id0": "id00", "cover0": "A"}, {"dx": "dx", "dy": "dy"}, {"s": "mask", "t": "A"},
        ]
    )  # fmt: skip


#: What to draw for fields that their class does not describe; by kind and field, or by field for any kind.
DRAWN: dict[tuple[str, str], Callable[[random.Random], Any]] = {
    ("read", "path"): lambda draw: draw.choice(["cg.exr", "plate.exr", "layers.exr", "layers.exr"]),
    ("read", "encoding"): lambda draw: draw.choice(_ENCODINGS[:3]),
    ("read", "shift"): lambda draw: 0,
    ("read", "non_finite"): lambda draw: draw.choice(["repair", "keep"]),
    ("deliver", "path"): lambda draw: f"out{draw.randrange(10**6)}.{{frame}}.exr",
    ("deliver", "compression"): lambda draw: "none",
    ("convert_colour", "to"): lambda draw: draw.choice(_ENCODINGS),
    ("pick_channels", "channels"): _picked,
    ("pick_channels", "encoding"): lambda draw: draw.choice(_ENCODINGS[:3]),
    ("", "camera"): lambda draw: "camera.json",
    ("", "still_frame"): lambda draw: 1,
    ("", "track"): lambda draw: "track.json",
    ("", "plane"): lambda draw: {"point": [0, draw.uniform(1, 4), 0], "normal": [0.1, 1, draw.uniform(-1, 1)]},
    ("clean_patch", "match"): lambda draw: draw.choice(["gain", "membrane"]),
    ("place", "homography"): _near_identity,
    ("clean_patch", "homography"): _near_identity,
    ("clean_patch", "outline"): lambda draw: [[2, 2], [30, 4], [25, 26], [3, 20]],
    ("lens_warp", "lens"): lambda draw: "lens.json",
    ("lens_warp", "focal"): lambda draw: [draw.uniform(25, 60), draw.uniform(25, 60)],
    ("", "names"): lambda draw: draw.choice([["lamp"], ["lamp", "#1a2b3c4d"], ["l*"], ["bench", "?olt"]]),
    ("", "type"): lambda draw: "CryptoObject",
    ("match_grain", "file"): lambda draw: "grain.json",
    ("match_grain", "seed"): lambda draw: draw.randrange(3),
    ("colour_matrix", "matrix"): lambda draw: [1.1, -0.1, 0, 0.2, 0.7, 0.1, 0, 0.3, 0.9],
    ("shape_matte", "shapes"): lambda draw: [_drawn(draw, 2, 4) for _ in range(draw.randrange(1, 3))],
    ("stroke_matte", "strokes"): lambda draw: [
        {**_drawn(draw, 1, 3), "radius": round(draw.uniform(0, 6), 2)} for _ in range(draw.randrange(1, 3))
    ],
    ("glow", "lobes"): lambda draw: draw.choice([[], [{"radius": 2}, {"radius": 9.5, "strength": 0.2}]]),
    ("", "size"): lambda draw: [FRAME.width, FRAME.height],
}
