"""Files with ids for tests, their decode in plain numpy, and graphs with one id_matte node."""

from __future__ import annotations

import json

import numpy as np

from stackcomp import Composition, Graph, Window
from stackcomp.files import exr
from stackcomp.files.id_hash import id_of

FRAME = Window.of_size(12, 8)
NAMES = ("bench", "bolt*", "lamp", "lamp_2")


def header(names=NAMES, type="CryptoObject", key="3ae39a5", **more):
    """Attributes of a header; ``names`` None leaves the manifest out."""
    made = {f"cryptomatte/{key}/name": type, f"cryptomatte/{key}/hash": "MurmurHash3_32"}
    if names is not None:
        ids = names if isinstance(names, dict) else {name: f"{id_of(name):08x}" for name in names}
        made[f"cryptomatte/{key}/manifest"] = json.dumps(ids)
    return {**made, **{f"cryptomatte/{key}/{what}": value for what, value in more.items()}}


def planes(seed=1, window=FRAME, type="CryptoObject", names=NAMES, layers=2):
    """Noise: in every pixel ranked names with coverages that add up to less than 1."""
    draw = np.random.default_rng(seed)
    bits = np.array([0, *(id_of(name) for name in names)], np.uint32)
    made = {}
    for k in range(layers):
        for one, two in ("rg", "ba"):
            made[f"{type}{k:02d}.{one}"] = bits[draw.integers(0, len(bits), window.shape)].view(np.float32)
            made[f"{type}{k:02d}.{two}"] = draw.random(window.shape, np.float32) / (2 * layers)
    return made


def plain(made, chosen, type="CryptoObject"):
    """The specification's decode in float64."""
    total, wanted = 0.0, np.array([id_of(name) for name in chosen], np.uint32)
    for name in made:
        layer, _, last = name.rpartition(".")
        if last in "rb" and layer.startswith(type):
            cover = made[f"{layer}.{'g' if last == 'r' else 'a'}"].astype(np.float64)
            total += np.where(np.isin(made[name].view(np.uint32), wanted), cover, 0)
    return total


def write(path, made, metadata, window=FRAME, display=FRAME, pixel_type="float", compression="zip"):
    exr.write(path, made, window=window, display=display, pixel_type=pixel_type, compression=compression,
              metadata=metadata)  # fmt: skip


def composition(folder, path="cg.exr", frames="1", pick=None, **fields):
    graph = Graph(frames=frames)
    graph.add("read", "cg", path=path)
    if pick is not None:
        graph.add("pick_channels", "picked", layers="cg", as_="ids", channels=pick)
    graph.add("id_matte", "matte", layers="cg" if pick is None else "picked", **fields)
    return Composition(graph, root=folder)


def matte(folder, frame=1, scale=1.0, warn=None, window=None, **more):
    made = composition(folder, **more)
    results = made.results(["matte"], frame, scale=scale, warn=warn or (lambda *_: None), window=window)
    return next(iter(results)).image


def problems(folder, **more):
    made = composition(folder, **more)
    return [(p.severity, p.rule, p.field, p.message, p.way_out) for p in made.check()]
