"""Renders of the graphs in graphs/, held against the stored pictures in tests/renders/.

A graph without an entry in the table fails, and so does one with a node that no picture of it depends on. When a
picture is meant to change: `python -m pytest tests/test_graphs.py --update-renders`, look at it, and commit it.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import stackcomp
from stackcomp.compare import Tolerance
from stackcomp.testing.node_records import upstream

ROOT = Path(__file__).parents[1]
GRAPHS = sorted(path.stem for path in (ROOT / "graphs").glob("*.json"))

#: References are half, which rounds by 4.9e-4 at most; with and without fused multiply-add, pixels differ by up to
#: 1.2e-7 (measured). So no pixel may differ by more than this.
TOLERANCE = Tolerance(small=1e-3, share=0, hard=1e-3)


@dataclass(frozen=True)
class Render:
    """A node of a graph at a frame of one of the demo's shots."""

    node: str
    shot: str = "wide"
    frame: int = 1003
    window: str | None = None
    scale: float = 1.0
    more: Mapping[str, Any] = field(default_factory=dict)

    @property
    def variables(self) -> list[Any]:
        """The shot's file and what else the graph wants."""
        shot = [str(ROOT / "demo_shot" / self.shot / "shot.json")] if self.shot else []
        return [*shot, dict(self.more)]


#: The lantern's foot with its shadow, and the jar in front; where the rig was.
FOOT = "176,150,128,80"
#: The cord in front of the lantern, and the jar.
CORD = "212,96,96,88"
#: As the measurements of the cook-book find them.
FOUND = {"gain": [0.791, 0.990, 1.374], "black": [0.0028, 0.0027, 0.0026]}

RENDERS: dict[str, list[Render]] = {
    "lantern": [
        Render("finished", window=FOOT),
        Render("finished", "close", 1001, scale=0.25),
        Render("finished", "lamp", 1005, scale=0.25),
    ],
    "rig_removed": [Render("mended", frame=1001, window=FOOT), Render("final", frame=1005, scale=0.25)],
    "rig_by_track": [Render("finished", frame=1001, window=FOOT)],
    "rig_by_camera": [Render("finished", "close", 1005, scale=0.25)],
    "cord_by_shapes": [Render("finished", "lamp", 1002, scale=0.25)],
    "evening_lens": [Render("grained", "evening", 1002, scale=0.25)],
    "front_and_behind": [Render("by_holdout", window=CORD), Render("by_restore", window=CORD)],
    "glass_by_id": [Render("final", "close", window="200,60,128,128")],
    "lamp_isolated": [Render("final", "lamp", scale=0.25), Render("shine", "lamp", scale=0.25)],
    "shadow_stretched": [Render("final", window="224,150,128,80")],
    "shadow_extended": [Render("final", window="300,140,160,80"), Render("final", "lamp", 1005, window=CORD)],
    "chart_to_comp": [Render("final", scale=0.25, more=FOUND)],
    "corrected_hdri": [Render("balanced", "", 1, scale=0.25, more={"gain": FOUND["gain"]})],
}
CASES = [
    pytest.param(graph, render, id="-".join(filter(None, (graph, render.node, render.shot))))
    for graph, renders in RENDERS.items()
    for render in renders
]


def composition(graph: str, render: Render) -> stackcomp.Composition:
    return stackcomp.load(ROOT / f"graphs/{graph}.json", root=ROOT, variables=render.variables)


@pytest.mark.parametrize(("graph", "render"), CASES)
def test_render(compare_render, graph, render):
    image = compare_render(
        composition(graph, render),
        render.node,
        render.frame,
        window=render.window,
        scale=render.scale,
        tolerance=TOLERANCE,
    )
    # A window that shows nothing would hold any change to be none.
    for channel in "RGB":
        assert np.isfinite(image[channel]).all()
        assert image[channel].std() > 1e-3


@pytest.mark.parametrize("graph", GRAPHS)
def test_every_node_of_a_graph_is_in_a_picture(graph):
    assert graph in RENDERS, f"graphs/{graph}.json has no render: add it to the table of {Path(__file__).name}"
    seen: set[str] = set()
    for render in RENDERS[graph]:
        comp = composition(graph, render)
        seen |= set(upstream(comp.document, render.node))
    assert set(comp.nodes) - set(comp.sinks) == seen


def test_the_table_names_graphs_that_there_are():
    assert set(RENDERS) == set(GRAPHS)


def test_no_reference_is_left_over():
    folder = Path(__file__).parent / "renders"
    names = {f"{Path(__file__).stem}.test_render-{case.id}.exr" for case in CASES}
    assert {path.name for path in folder.iterdir()} == names


def test_references_are_small():
    assert sum(path.stat().st_size for path in (Path(__file__).parent / "renders").iterdir()) < 1.5e6


@pytest.mark.slow
def test_a_changed_number_is_found(compare_render, request, tmp_path):
    """The shadow's exponent by a tenth: seen in the comp's picture, and told by the name of its node."""
    if request.config.getoption("--update-renders"):
        pytest.skip("this run would write the reference that is to differ")
    data = json.loads((ROOT / "graphs/lantern.json").read_text("utf-8"))
    data["nodes"]["shaded"]["gamma"] = 1.1
    (tmp_path / "changed.json").write_text(json.dumps(data), encoding="utf-8")
    (render, *_) = RENDERS["lantern"]
    reference = tmp_path / "finished.exr"
    shutil.copy(ROOT / "tests/renders/test_graphs.test_render-lantern-finished-wide.exr", reference)
    with pytest.raises(pytest.fail.Exception, match=r'first node that differs: "shaded" \(multiply_shadow\)'):
        compare_render(
            tmp_path / "changed.json",
            "finished",
            1003,
            root=ROOT,
            variables=render.variables,
            window=FOOT,
            reference=reference,
            tolerance=TOLERANCE,
        )
