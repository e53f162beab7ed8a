"""A node's result is one picture: its window does not depend on what else is computed."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from slow_cases import few_fast

from stackcomp import Composition, Graph, Image, Window
from stackcomp.files import exr

FRAME = Window.of_size(60, 40)
OVERSCAN = FRAME.grow(6)
NODES = ("placed", "soft", "bright", "glowing", "comp")


def graph(move: tuple[float, float], deliver: bool = False) -> Graph:
    graph = Graph(frames="1")
    graph.add("read", "cg", path="cg.exr", encoding="ACEScg")
    graph.add("read", "plate", path="plate.exr", encoding="ACEScg")
    graph.add("place", "placed", image="cg", move=list(move))
    graph.add("defocus", "soft", image="placed", radius=5.0)
    graph.add("exposure", "bright", image="placed", stops=0.5)
    graph.add("glow", "glowing", image="bright", radius=1.5, falloff="gaussian")
    graph.add("over", "comp", source="soft", backdrop="plate")
    if deliver:
        for name in NODES:
            graph.add("deliver", f"out_{name}", image=name, path=f"{name}.exr", pixel_type="float")
    return graph


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("windows")
    noise = np.random.default_rng(4).random((4, *OVERSCAN.shape)).astype(np.float32)
    exr.write(folder / "cg.exr", dict(zip("RGBA", noise, strict=True)), window=OVERSCAN, display=FRAME)
    planes = {name: np.ones(FRAME.shape, np.float32) for name in "RGB"}
    exr.write(folder / "plate.exr", planes, window=FRAME, display=FRAME)
    return folder


MOVES = [(0, 0), (20, -3), (-70, 0), (61.5, 2)]


@pytest.mark.parametrize("move", few_fast(MOVES, 2))
@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_alone_and_with_any_other(folder, move, scale):
    comp = Composition(graph(move), root=folder)
    alone: dict[str, Image] = {name: comp.render(name, 1, scale=scale) for name in NODES}
    for some in (*combinations(NODES, 2), NODES):
        for fused in (True, False):
            for result in comp.results(some, 1, scale=scale, fused=fused):
                expected = alone[result.node]
                assert result.image.window == expected.window, (result.node, some)
                for name in expected:
                    np.testing.assert_allclose(result.image[name], expected[name], atol=1e-5)


@pytest.mark.parametrize("move", MOVES)
def test_deliveries_hold_that_picture_together_and_alone(folder, move, tmp_path):
    for file in ("cg.exr", "plate.exr"):
        (tmp_path / file).symlink_to(folder / file)
    comp = Composition(graph(move, deliver=True), root=tmp_path)
    comp.deliver()
    for name in NODES:
        expected = comp.render(name, 1)
        together = exr.read(tmp_path / f"{name}.exr")
        comp.deliver(nodes=[f"out_{name}"])
        alone = exr.read(tmp_path / f"{name}.exr")
        # The format has no empty windows.
        wanted = Window(0, 0, 1, 1) if expected.window.empty else expected.window
        assert together.window == alone.window == wanted, name


def test_overscan_that_came_in_goes_out(folder):
    comp = Composition(graph((0, 0)), root=folder)
    for name in NODES:
        assert comp.render(name, 1).window == OVERSCAN, name
    # Moved, it ends where the overscan ended: a result is the frame with the overscan that came in.
    assert comp.render("placed", 1).window in OVERSCAN
