"""The machine code of fused loops: planes that do not overlap, whole vectors, no interpreter lock.

Without the promise that planes do not overlap, the compiler compares every pair of planes before the loop, and
with enough of them it gives up on vectors. No result would tell, only the time.
"""

from __future__ import annotations

import re
import sys
from typing import Any

import numpy as np
import pytest

from stackcomp import Composition, Encoding, Graph, Image, Matte
from stackcomp.execute import fuse

SIZE = [24, 16]


def graded_over(graph: Graph) -> None:
    """A power curve within a matte, then over: division by alpha, a mix, two pictures."""
    graph.add("cdl", "graded", image="cg", slope=1.1, offset=0.02, power=0.9, within="matte", amount=0.8)
    graph.add("over", "result", source="graded", backdrop="plate")


def long_chain(graph: Graph) -> None:
    """Many planes: three pictures and a matte come in, three pictures are wanted at once."""
    graph.add("exposure", "brighter", image="cg", stops=0.5)
    graph.add("over", "first", source="brighter", backdrop="plate")
    graph.add("restore", "second", source="plate", backdrop="first", matte="matte")
    graph.add("over", "result", source="lamp", backdrop="second")


def loaded() -> dict[str, Any]:
    return {name: module for name, module in sys.modules.items() if name.startswith("stackcomp_loops.")}


@pytest.fixture(
    scope="module",
    params=[(graded_over, ["result"]), (long_chain, ["first", "second", "result"])],
    ids=["graded over", "long chain"],
)
def loops(request, tmp_path_factory):
    """The loops that a graph is computed by, compiled afresh: one that comes from disk has no text any more."""
    build, wanted = request.param
    graph = Graph()
    pixels = np.full((SIZE[1], SIZE[0], 4), 0.5)
    colour = Image.from_array(pixels, encoding=Encoding("ACEScg", "scene-linear"))
    matte = Image.from_array(pixels[..., :1], type=Matte())
    for name in ("cg", "plate", "lamp"):
        graph.add("flat", name, size=SIZE)
    graph.add("flat", "matte", size=SIZE, as_="matte")
    build(graph)
    given = {"cg": colour, "plate": colour, "lamp": colour, "matte": matte}
    before = loaded()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STACKCOMP_CACHE", str(tmp_path_factory.mktemp("loops")))
        patch.setattr(fuse, "_folder", None)
        patch.setattr(fuse, "_loaded", {})
        results = list(Composition(graph).results(wanted, 1, replace=given))
    assert len(results) == len(wanted)
    return [module.run for name, module in loaded().items() if before.get(name) is not module]


def llvm(loop) -> str:
    (text,) = loop.inspect_llvm().values()
    return text


def test_a_graph_of_pixel_nodes_is_one_loop(loops):
    assert len(loops) == 1


def test_every_plane_is_marked_as_not_overlapping(loops):
    for loop in loops:
        (signature,) = (
            line for line in llvm(loop).splitlines() if line.startswith("define") and "%arg.y0" in line
        )
        planes = re.findall(r"ptr ([^%,]*)%arg\.([io]\d+)\.4\b", signature)
        arrays = [argument for argument in loop.signatures[0] if getattr(argument, "ndim", 0) == 2]
        assert len({name for _, name in planes}) == len(arrays) > 8
        assert all("noalias" in words.split() for words, _ in planes)


def test_the_loop_compares_no_planes_and_works_on_vectors(loops):
    for loop in loops:
        text = llvm(loop)
        assert "memcheck" not in text, "the loop compares where its planes lie"
        lanes = [int(count) for count in re.findall(r"fmul <(\d+) x float>", text)]
        assert lanes, "the loop multiplies no vectors"
        assert min(lanes) >= 4


def test_the_loop_releases_the_interpreter_lock_and_keeps_nan_and_infinity(loops):
    for loop in loops:
        assert loop.targetoptions["nogil"] is True
        assert not loop.targetoptions.get("fastmath")
        assert not re.search(r"f(add|sub|mul|div) (fast|nnan|ninf|reassoc)", llvm(loop))
