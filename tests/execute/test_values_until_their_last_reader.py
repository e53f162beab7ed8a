"""A value is kept until its last reader has run, whoever else has read it before."""

from __future__ import annotations

import random

import numpy as np
import pytest

from stackcomp import Composition, Graph, Image

SIZE = (12, 9)
SOURCES = ("cg", "plate")


def sources() -> dict[str, Image]:
    random_pixels = np.random.default_rng(11)
    return {
        name: Image.from_array(random_pixels.random((SIZE[1], SIZE[0], 4), np.float32), encoding="ACEScg")
        for name in SOURCES
    }


def drawn(seed: int) -> tuple[Graph, dict[str, list[str]]]:
    """A random graph of pixel and area nodes, and the inputs of each node; most values have several readers."""
    draw = random.Random(seed)
    graph = Graph()
    inputs: dict[str, list[str]] = {}
    for name in SOURCES:
        graph.add("flat", name, size=list(SIZE))
    for number in range(draw.randrange(5, 12)):
        known = [*SOURCES, *inputs]
        # Near and far readers of the same values: the last three, or anything.
        first, second = (draw.choice(known[-3:] if draw.random() < 0.5 else known) for _ in range(2))
        name = f"n{number}"
        kind = draw.choice(["exposure", "glow", "over", "over"])
        if kind == "over":
            graph.add("over", name, source=first, backdrop=second)
        elif kind == "glow":
            graph.add("glow", name, image=first, radius=1, falloff="gaussian", strength=0.5)
        else:
            graph.add("exposure", name, image=first, stops=draw.choice([-1, 0.5]))
        inputs[name] = [first, second] if kind == "over" else [first]
    return graph, inputs


def one_by_one(graph: Graph, inputs: dict[str, list[str]]) -> dict[str, Image]:
    """Every node's picture from plans of one node each, in which there is nothing to drop."""
    comp, pictures = Composition(graph), sources()
    for name, wires in inputs.items():
        pictures[name] = comp.render(name, 1, replace={wire: pictures[wire] for wire in wires})
    return pictures


@pytest.mark.parametrize("seed", range(24))
def test_any_results_of_any_graph_are_those_of_its_nodes_one_by_one(seed):
    graph, inputs = drawn(seed)
    expected = one_by_one(graph, inputs)
    comp, given = Composition(graph), sources()
    draw = random.Random(-seed)
    for wanted in (list(inputs), [list(inputs)[-1]], draw.sample(list(inputs), 2)):
        # All are held until the end: what is computed later must not be written over them.
        results = list(comp.results(wanted, 1, replace=given, fused=False))
        assert sorted(result.node for result in results) == sorted(wanted)
        for result in results:
            for plane in "RGBA":
                np.testing.assert_array_equal(result.image[plane], expected[result.node][plane], f"seed {seed}")
    for name, image in sources().items():
        np.testing.assert_array_equal(given[name].to_array(), image.to_array())


@pytest.mark.parametrize("seed", range(24))
def test_the_last_reader_of_a_value_is_the_last_step_that_reads_it(seed):
    graph, inputs = drawn(seed)
    plan = Composition(graph).executor(list(inputs), fused=seed % 2 == 0).plan
    last = plan.last_reads
    made: set[object] = set()
    for number, step in enumerate(plan.steps):
        assert set(step.reads) <= made, "a step reads what no step before it makes"
        for key in step.reads:
            assert last[key] >= number, f"{key} is dropped before step {number} reads it"
        made |= set(step.makes)
    for key, number in last.items():
        assert key in plan.steps[number].reads


def test_a_result_that_is_wanted_and_read_by_two_others():
    graph = Graph()
    graph.add("flat", "cg", size=list(SIZE))
    graph.add("exposure", "first", image="cg", stops=1)
    graph.add("glow", "near", image="first", radius=1)
    graph.add("exposure", "between", image="near", stops=-1)
    graph.add("over", "far", source="first", backdrop="between")
    comp, given = Composition(graph), {"cg": sources()["cg"]}
    expected = given["cg"].to_array() * np.float32([2, 2, 2, 1])
    for fused in (True, False):
        images = {r.node: r.image for r in comp.results(["first", "near", "far"], 1, replace=given, fused=fused)}
        np.testing.assert_array_equal(images["first"].to_array(), expected)
        alone = comp.render("far", 1, replace={"first": images["first"], "between": comp.render(
            "between", 1, replace={"near": images["near"]})})  # fmt: skip
        np.testing.assert_array_equal(images["far"].to_array(), alone.to_array())
