"""The matte of three names among twelve ranks of ids, against a copy of the planes that it reads.

Also: the same through the engine, from planes that are there to the finished matte; many names; and what the check
of a manifest of 32,166 names takes.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np

from stackcomp import Composition, Graph, Image, Window
from stackcomp.data.port_types import Layers
from stackcomp.files.id_hash import id_of
from stackcomp.files.id_manifest import embedded_manifest
from stackcomp.files.id_names import chosen_ids, chosen_name, nearest_names
from stackcomp.kernels.id_coverage import id_coverage
from stackcomp.kernels.strips import over_strips

WIDTH, HEIGHT, RANKS = 3840, 2160, 12
NAMES = tuple(f"bench_{k}" for k in range(64))
COPY = f"copy of {2 * RANKS} planes"


def pairs() -> list[tuple[np.ndarray, np.ndarray]]:
    """Blocks of 16×16 pixels of one object each; most ranks hold something in a tenth of the pixels only."""
    draw = np.random.default_rng(1)
    bits = np.array([id_of(name) for name in NAMES], np.uint32)
    made = []
    for rank in range(RANKS):
        blocks = bits[draw.integers(0, len(bits), (HEIGHT // 16, WIDTH // 16))]
        ids = np.kron(blocks, np.ones((16, 16), np.uint32)).astype(np.uint32)
        cover = draw.random((HEIGHT, WIDTH), np.float32) / RANKS
        if rank >= RANKS // 4:
            nothing = draw.random((HEIGHT, WIDTH), np.float32) < 0.9
            ids[nothing], cover[nothing] = 0, 0
        made.append((ids.view(np.float32), cover))
    return made


def contestants() -> dict[str, Callable[[], object]]:
    """The kernel with 3 and 64 names, the engine with 3, and the copy."""
    made = pairs()
    planes = [plane for pair in made for plane in pair]
    copies = [np.empty_like(plane) for plane in planes]
    target = np.empty((HEIGHT, WIDTH), np.float32)

    def copy() -> None:
        def strip(first: int, last: int) -> None:
            for plane, twin in zip(planes, copies, strict=True):
                np.copyto(twin[first:last], plane[first:last])

        over_strips(strip, HEIGHT)

    few, many = [id_of(name) for name in NAMES[:3]], [id_of(name) for name in NAMES]
    engine = _engine(made)
    id_coverage(made, few, target)
    truth = sum(np.where(np.isin(ids.view(np.uint32), few), cover.astype(np.float64), 0) for ids, cover in made)
    assert np.abs(target - truth).max() < 1e-6
    assert np.abs(engine() - truth).max() < 1e-6
    return {
        COPY: copy,
        "3 names": lambda: id_coverage(made, few, target),
        f"{len(many)} names": lambda: id_coverage(made, many, target),
        "3 names, an id_matte node": engine,
    }


def _engine(made: list[tuple[np.ndarray, np.ndarray]]) -> Callable[[], np.ndarray]:
    names = [(f"T{k // 2:02d}.{'rb'[k % 2]}", f"T{k // 2:02d}.{'ga'[k % 2]}") for k in range(RANKS)]
    planes = {
        name: plane for pair, own in zip(names, made, strict=True) for name, plane in zip(pair, own, strict=True)
    }
    manifest = json.dumps({name: f"{id_of(name):08x}" for name in NAMES})
    header = {"cryptomatte/k/name": "T", "cryptomatte/k/manifest": manifest}
    frame = Window.of_size(WIDTH, HEIGHT)
    image = Image(planes, frame, frame, Layers(tuple(planes), metadata=header), header)
    graph = Graph(frames="1")
    graph.add("flat", "cg", size=[WIDTH, HEIGHT])
    graph.add("id_matte", "matte", layers="cg", names=list(NAMES[:3]))
    executor = Composition(graph).executor(["matte"], replace={"cg": image})
    return lambda: next(iter(executor.results(1))).image["A"]


def manifests(count: int = 32166) -> dict[str, Callable[[], object]]:
    """What the check does with a large manifest: parsing, and choosing from it."""
    text = json.dumps({f"flower{k % 97}.petal_{k}.:{k * 7}": f"{k + 1:08x}" for k in range(count)})
    manifest = embedded_manifest(text, None, "T")
    names = [chosen_name(one) for one in ("flower1.petal_1.:7", "flower2?.*", "*:70*")]
    return {
        "json alone": lambda: json.loads(text),
        "parsed": lambda: embedded_manifest(
            text + " " * int(np.random.default_rng().integers(1 << 20)), None, "T"
        ),
        "three names chosen": lambda: chosen_ids(names, manifest),
        "nearest to an unknown name": lambda: nearest_names("flower3.petl_100.:700", manifest.ids),
    }
