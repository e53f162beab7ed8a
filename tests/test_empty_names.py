"""An empty name is never quoted as a node's."""

import pytest

from stackcomp import CheckError, Composition, Graph, RenderError, StackcompError
from stackcomp.cli.progress import Lines


@pytest.fixture
def comp():
    graph = Graph(frames="1")
    graph.add("flat", "slate", size=[4, 4])
    graph.add("exposure", "open", image="")
    return Composition(graph)


def test_a_failure_of_no_node_names_the_frame():
    assert str(RenderError("", 7, "no memory")) == "frame 7: no memory"


@pytest.mark.parametrize(
    "ask",
    [
        lambda comp: comp.render("", 1),
        lambda comp: comp.render("slate", 1, replace={"": comp.render("slate", 1)}),
        lambda comp: comp.deliver([1], nodes=[""]),
        lambda comp: comp.graph.set("", size=[2, 2]),
        lambda comp: comp.graph.add("flat", "", size=[2, 2]),
        lambda comp: comp.render("open", 1),
    ],
)
def test_an_empty_name(comp, ask):
    with pytest.raises(StackcompError) as error:
        ask(comp)
    assert 'node ""' not in str(error.value)
    assert "name" in str(error.value)


def test_an_empty_port(comp):
    with pytest.raises(CheckError, match=r'(?s)node "open": port "image" is empty.*give it the name of a node'):
        comp.render("open", 1)


def test_a_line_about_a_frame_without_a_node(capsys):
    Lines().fail(3, "", "the disk is full")
    assert capsys.readouterr().err == "frame 3 failed: the disk is full\n"
