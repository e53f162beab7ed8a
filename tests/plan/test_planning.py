"""Which pixel nodes share a loop. Small pictures of graphs stand above each case; ── is a wire."""

from pathlib import Path

import pytest

import stackcomp
from stackcomp.check.check_graph import check_graph
from stackcomp.plan.planning import AreaStep, SweepStep, make_plan

SIZE = [12, 8]


def plan_of(graph, wanted, **options):
    document = graph.document()
    checked, problems = check_graph(document, Path("."), frames=(1,), wanted=wanted)
    assert checked is not None, "\n".join(map(str, problems))
    return make_plan(checked, wanted, **options)


def sweeps_of(plan):
    """Names of the nodes of each loop, and of those results that are stored."""
    return [
        ({value.key.node for value in step.values}, {key.node for key in step.makes})
        for step in plan.steps
        if isinstance(step, SweepStep)
    ]


@pytest.fixture
def graph():
    made = stackcomp.Graph(frames="1")
    made.add("flat", "plate", size=SIZE)
    made.add("flat", "cg", size=SIZE)
    return made


def test_a_chain_is_one_loop(graph):
    """plate ── a ── b ── c, cg ── c."""
    graph.add("exposure", "a", image="plate", stops=1)
    graph.add("exposure", "b", image="a", stops=1)
    graph.add("over", "c", source="cg", backdrop="b")
    assert sweeps_of(plan_of(graph, ["c"])) == [({"a", "b", "c"}, {"c"})]


def test_a_diamond_is_one_loop(graph):
    """
    plate ── a ──┬─ b ──┬─ d
                 └─ c ──┘
    """
    graph.add("exposure", "a", image="plate", stops=1)
    graph.add("exposure", "b", image="a", stops=1)
    graph.add("exposure", "c", image="a", stops=-1)
    graph.add("over", "d", source="b", backdrop="c")
    assert sweeps_of(plan_of(graph, ["d"])) == [({"a", "b", "c", "d"}, {"d"})]


def test_wanted_results_are_stored_without_cutting_the_loop(graph):
    """plate ── a* ── b ── c*."""
    graph.add("exposure", "a", image="plate", stops=1)
    graph.add("exposure", "b", image="a", stops=1)
    graph.add("exposure", "c", image="b", stops=1)
    assert sweeps_of(plan_of(graph, ["a", "c"])) == [({"a", "b", "c"}, {"a", "c"})]


def test_a_path_through_an_area_node_cuts_the_loop(graph):
    """
    plate ── a ──┬─ glow ── b ──┬─ c
                 └──────────────┘
    """
    graph.add("exposure", "a", image="plate", stops=1)
    graph.add("glow", "shine", image="a", radius=2)
    graph.add("exposure", "b", image="shine", stops=1)
    graph.add("over", "c", source="b", backdrop="a")
    plan = plan_of(graph, ["c"])
    assert sweeps_of(plan) == [({"a"}, {"a"}), ({"b", "c"}, {"c"})]
    kinds = [type(step).__name__ for step in plan.steps if isinstance(step, SweepStep | AreaStep)]
    assert kinds == ["SweepStep", "AreaStep", "SweepStep"]


def test_a_node_moves_to_the_only_loop_that_reads_it(graph):
    """
    plate ── glow ── b ──┐
    cg ───── early ──────┴─ c      early need not be stored for c's sake
    """
    graph.add("glow", "shine", image="plate", radius=2)
    graph.add("exposure", "b", image="shine", stops=1)
    graph.add("exposure", "early", image="cg", stops=1)
    graph.add("over", "c", source="early", backdrop="b")
    assert sweeps_of(plan_of(graph, ["c"])) == [({"b", "early", "c"}, {"c"})]


def test_a_node_read_by_two_loops_is_stored(graph):
    """
    cg ── early ──┬─ glow ──┐
                  └─────────┴─ c
    """
    graph.add("exposure", "early", image="cg", stops=1)
    graph.add("glow", "shine", image="early", radius=2)
    graph.add("over", "c", source="early", backdrop="shine")
    assert sweeps_of(plan_of(graph, ["c"])) == [({"early"}, {"early"}), ({"c"}, {"c"})]


def test_unfused_computes_every_node_by_itself(graph):
    graph.add("exposure", "a", image="plate", stops=1)
    graph.add("exposure", "b", image="a", stops=1)
    assert sweeps_of(plan_of(graph, ["b"], fused=False)) == [({"a"}, {"a"}), ({"b"}, {"b"})]


def test_what_is_not_wanted_is_not_planned(graph):
    graph.add("exposure", "a", image="plate", stops=1)
    graph.add("exposure", "b", image="cg", stops=1)
    plan = plan_of(graph, ["a"])
    assert {key.node for step in plan.steps for key in step.makes} == {"plate", "a"}


def test_an_area_node_with_an_amount_is_mixed_in_the_next_loop(graph):
    """plate ── glow (amount ½) ── b: the mix joins b's loop."""
    graph.add("glow", "shine", image="plate", radius=2, amount=0.5)
    graph.add("exposure", "b", image="shine", stops=1)
    assert sweeps_of(plan_of(graph, ["b"])) == [({"shine", "b"}, {"b"})]


def test_two_hundred_nodes_in_a_row(graph):
    last = "plate"
    for k in range(200):
        last = graph.add("exposure", f"n{k}", image=last, stops=0.01)
    (only,) = sweeps_of(plan_of(graph, [last]))
    assert len(only[0]) == 200
    assert only[1] == {last}
