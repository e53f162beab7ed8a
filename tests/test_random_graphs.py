"""Random graphs of all kinds obey the laws that single kinds do: fused or not, in tiles, alone or in company."""

from __future__ import annotations

import os
import shutil
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import random_graphs
from random_graphs import FRAME

from stackcomp import KINDS, Composition, Image, Window, set_threads
from stackcomp.files import exr
from stackcomp.files.id_channels import id_channels
from stackcomp.nodes.base import AreaNode, Context

pytestmark = pytest.mark.slow

# Set the variable to try more.
GRAPHS, CHUNK = int(os.environ.get("STACKCOMP_RANDOM_GRAPHS", "100")), 10
chunks = pytest.mark.parametrize("first", range(0, GRAPHS, CHUNK))


def results(comp: Composition, names: list[str], **options) -> dict[str, Image]:
    computed = comp.results(names, 2, warn=lambda *_: None, **options)
    with np.errstate(all="ignore"):
        return {result.node: result.image for result in computed}


def looks_at_neighbours(made: random_graphs.RandomGraph, name: str) -> bool:
    """Whether an area kind is on the way, whose sums may come in another order over another window."""
    node = made.checked[name]
    area = isinstance(node.node, AreaNode) and not node.node.fuses(node.types, made.context)
    return area or any(looks_at_neighbours(made, wire.source) for wire in node.wires.values())


def same(got: Image, expected: Image, exact: bool, case: str) -> None:
    assert got.window == expected.window, case
    assert got.channels == expected.channels, case
    for name in expected:
        a, b = got[name], expected[name]
        if exact or a.dtype != np.float32:
            np.testing.assert_array_equal(a, b, err_msg=f"{case} {name}")
            continue
        finite = np.isfinite(a) & np.isfinite(b)
        peak = float(np.abs(b).max(initial=1e-3, where=finite))
        with np.errstate(invalid="ignore"):
            near = (a == b) | (np.isnan(a) & np.isnan(b)) | (np.abs(a - b) <= 1e-4 * peak)
        # A curve or a threshold behind a sum may turn its last bit into more, in few pixels.
        assert near.mean() > 0.98 if near.size else True, f"{case} {name}: {near.mean():.1%} alike"


@chunks
def test_laws_of_random_graphs(first, tmp_path):
    for seed in range(first, first + CHUNK):
        folder = tmp_path / str(seed)
        folder.mkdir()
        _laws(folder, seed)


def _laws(folder: Path, seed: int) -> None:
    made = random_graphs.make(folder, seed)
    comp = Composition(made.graph, root=folder)
    names, case = list(made.checked), f"seed {seed}: {made.graph.to_json()}"
    exact = {name: not looks_at_neighbours(made, name) for name in names}

    one_by_one = results(comp, names, fused=False)
    for name in names:
        image, node = one_by_one[name], made.checked[name]
        assert image.type == node.type, case
        assert image.display == node.display, case
        assert image.channels == node.type.planes, case
        assert all(plane.shape == image.window.shape for plane in image.planes.values()), case
    _spreads_nothing(made, one_by_one, case)
    # All that nobody reads, in fused loops: whole, in tiles, smaller, with one thread; and one of them by itself.
    ends = made.ends
    together = results(comp, ends)
    tiles = [results(comp, ends, window=tile) for tile in (Window(-4, -4, 17, 11), Window(17, 11, 40, 32))]
    small = results(comp, ends, scale=0.4)
    try:
        set_threads(1)
        again = results(comp, ends)
    finally:
        set_threads(None)
    one = ends[seed % len(ends)]
    same(results(comp, [one])[one], together[one], exact[one], f"{one} alone, {case}")
    for name in ends:
        whole = together[name]
        same(whole, one_by_one[name], exact[name], f"{name} fused, {case}")
        same(again[name], whole, True, f"{name} in one thread, {case}")
        for tile, parts in zip((Window(-4, -4, 17, 11), Window(17, 11, 40, 32)), tiles, strict=True):
            same(parts[name], whole.over(whole.window & tile), exact[name], f"{name} in {tile}, {case}")
        assert small[name].display == whole.display.scaled(0.4), case
    _half_files_are_as_floats(folder, made, case)


def _half_files_are_as_floats(folder: Path, made: random_graphs.RandomGraph, case: str) -> None:
    """Numbers that a half holds give the same from half files, as they are, as from float files."""
    comps: list[Composition] = []
    heard: list[list[tuple[str, str]]] = [[], []]
    for pixel_type in ("half", "float"):
        (folder / pixel_type).mkdir()
        for path in folder.glob("*.exr"):
            _rounded(path, folder / pixel_type / path.name, pixel_type)
        for path in folder.glob("*.json"):
            shutil.copy(path, folder / pixel_type)
        comps.append(Composition(made.graph, root=folder / pixel_type))
    for window in (None, Window(17, 11, 40, 32)):
        images = []
        for comp, doubts in zip(comps, heard, strict=True):
            computed = comp.results(
                made.ends, 2, window=window, warn=lambda node, text, doubts=doubts: doubts.append((node, text))
            )
            with np.errstate(all="ignore"):
                images.append({result.node: result.image for result in computed})
        for name in made.ends:
            same(images[0][name], images[1][name], True, f"{name} from half files in {window}, {case}")
    assert sorted(heard[0]) == sorted(heard[1]), case


def _rounded(path: Path, to: Path, pixel_type: str) -> None:
    """The file with all floats but ids rounded to half, stored as half or as float."""
    pixels = exr.read(path)
    header = pixels.header
    bits = {name for name, plane in pixels.planes.items() if plane.dtype == np.uint32}
    bits |= id_channels(pixels.planes, header.metadata)
    with np.errstate(over="ignore"):
        planes = {
            name: plane if name in bits else plane.astype(np.float16).astype(np.float32)
            for name, plane in pixels.planes.items()
        }
    types = {name: "float" if name in bits else pixel_type for name in planes}
    exr.write(
        to,
        planes,
        window=pixels.window,
        display=header.display_window,
        pixel_type=types,
        metadata={name: value for name, value in header.metadata.items() if name.startswith("cryptomatte/")},
    )


def _spreads_nothing(made: random_graphs.RandomGraph, images: dict[str, Image], case: str) -> None:
    """No area kind spreads what is not finite: a pixel that it makes of others is never one of these."""
    for name, node in made.checked.items():
        computes = isinstance(node.node, AreaNode) and not node.node.fuses(node.types, made.context)
        if computes and _sees_neighbours(node.node, list(node.wires), made.context):
            # Mixing with its input brings back what input and matte hold, at their own pixels and no others.
            there = np.zeros(_AROUND.shape, bool)
            for wire in node.wires.values():
                there |= _not_finite(images[wire.source])
            assert not (_not_finite(images[name]) & ~there).any(), f"{name}, {case}"


def _sees_neighbours(node: AreaNode, ports: list[str], context: Context) -> bool:
    tile = Window(12, 10, 15, 13)
    frames = dict.fromkeys(ports, FRAME)
    ready = node.at(2).with_files(2, 1, context, {}).with_displays(frames, context)
    return any(needed != tile for needed in ready.needs(tile, frames, 2).values())


_AROUND = FRAME.grow(100)


def _not_finite(image: Image) -> np.ndarray:
    """Pixels of which some value is not finite."""
    planes = [plane for plane in image.over(_AROUND).planes.values() if plane.dtype == np.float32]
    return ~np.isfinite(np.stack(planes)).all(axis=0) if planes else np.zeros(_AROUND.shape, bool)


def test_every_kind_is_drawn(tmp_path):
    drawn: Counter[str] = Counter()
    for seed in range(60):
        folder = tmp_path / str(seed)
        folder.mkdir()
        drawn.update(node.node.kind for node in random_graphs.make(folder, seed).checked.values())
    assert not set(KINDS) - set(drawn), "say in random_graphs.DRAWN what to draw for the new kind"
