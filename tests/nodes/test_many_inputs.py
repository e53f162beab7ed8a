"""A port that takes any number of nodes, from the graph to the picture."""

from dataclasses import replace
from typing import Annotated, Literal

import numpy as np
import pytest

import stackcomp
from stackcomp.data.port_types import Matte
from stackcomp.nodes.base import AreaNode, Port
from stackcomp.nodes.description import describe
from stackcomp.nodes.kinds import KINDS


class Sum(AreaNode):
    """Adds mattes; one of them may be left out."""

    kind: Literal["sum"] = "sum"
    mattes: Annotated[tuple[str, ...], Port((Matte,), doc="what is added", many=True)]
    less: Annotated[str | None, Port((Matte,), doc="what is taken away")] = None

    def result(self, types, context):
        return Matte()

    def domain(self, domains, types):
        return domains["mattes.0"]

    def needs(self, wanted, domains, frame):
        return dict.fromkeys(domains, wanted)

    def compute(self, wanted, images, job, type):
        total = sum(image["A"] for port, image in images.items() if port != "less")
        if "less" in images:
            total = total - images["less"]["A"]
        return replace(images["mattes.0"], planes={"A": total}, window=wanted)


@pytest.fixture
def graph(monkeypatch):
    monkeypatch.setitem(KINDS.built_in, "sum", Sum)
    made = stackcomp.Graph(frames="1")
    for name, coverage in (("a", 0.125), ("b", 0.25), ("c", 0.5)):
        made.add("flat", name, size=[4, 3], as_="matte", coverage=coverage)
    return made


def test_each_node_is_an_input_of_its_own(graph):
    graph.add("sum", "all", mattes=["a", "b", "c", "b"], less="a")
    node = graph.document().nodes["all"]
    assert node.inputs() == {"mattes.0": "a", "mattes.1": "b", "mattes.2": "c", "mattes.3": "b", "less": "a"}
    assert list(node.wired_ports()) == ["mattes.0", "mattes.1", "mattes.2", "mattes.3", "less"]
    np.testing.assert_array_equal(stackcomp.Composition(graph).render("all", 1)["A"], np.float32(1.0))


def test_none_of_them_may_be_wired(graph):
    node = graph.add("sum", "none", mattes=[], less="a")
    assert list(graph.document().nodes[node].wired_ports()) == ["less"]


def test_findings_name_the_place_in_the_list(graph):
    graph.add("flat", "picture", size=[4, 3])
    graph.add("sum", "bad", mattes=["a", "picture", "gone"])
    with pytest.raises(stackcomp.CheckError) as caught:
        stackcomp.Composition(graph).render("bad", 1)
    places = {problem.pointer: problem.message for problem in caught.value.problems}
    assert "there is no such node" in places["/nodes/bad/mattes/2"]
    assert 'port "mattes.1" requires a matte' in places["/nodes/bad/mattes/1"]


def test_frames_of_all_of_them_are_compared(graph):
    graph.add("flat", "larger", size=[5, 3], as_="matte")
    graph.add("sum", "bad", mattes=["a", "b", "larger"])
    with pytest.raises(stackcomp.CheckError, match=r'"larger" at port "mattes.2" has a frame of 5×3'):
        stackcomp.Composition(graph).render("bad", 1)


def test_a_cycle_through_the_list_is_found(graph):
    graph.add("sum", "first", mattes=["a", "second"])
    graph.add("sum", "second", mattes=["b", "first"])
    with pytest.raises(stackcomp.CheckError, match="cycle"):
        stackcomp.Composition(graph).render("second", 1)


def test_its_description_says_that_any_number_fits():
    text = describe(Sum)
    assert text.ports[0].takes == "any number of nodes: each a matte"
    assert text.example["mattes"] == ["mattes"]
