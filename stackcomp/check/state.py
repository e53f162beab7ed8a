"""What one run of the check stage knows: the graph, what is typed so far, and the findings."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import networkx as nx

from stackcomp.check.checked import CheckedNode
from stackcomp.check.mended import MendedEncoding
from stackcomp.check.outputs import Outputs
from stackcomp.data.image import Image
from stackcomp.data.port_types import Encoding
from stackcomp.data.window import Window
from stackcomp.document.model import Document
from stackcomp.errors import CheckError, Problem, Severity, unknown_node

__all__ = ["CheckState", "tidy"]


@dataclass
class CheckState:
    """Shared by all rules.

    Attributes:
        document: typed nodes.
        root: folder for relative paths.
        frames: frames that will be rendered.
        given: pictures that stand in for the results of nodes.
        outputs: which files will be written, and over what.
        graph: nodes and wires; an edge goes from a node to each node that it feeds.
        only: names of the nodes to check.
        problems: findings so far.
        done: nodes whose output type and frame are known.
        data_windows: of those nodes for which headers tell where they have pixels.
        unsized: nodes whose inputs, or whose inputs' inputs, differ in size.
        working_space: colour space of the comp.
        mended: stands in for a colour space with an error.
    """

    document: Document
    root: Path
    frames: tuple[int, ...]
    given: Mapping[str, Image]
    outputs: Outputs
    graph: nx.DiGraph[str]
    only: set[str]
    problems: list[Problem] = field(default_factory=list)
    done: dict[str, CheckedNode] = field(default_factory=dict)
    data_windows: dict[str, Window] = field(default_factory=dict)
    unsized: set[str] = field(default_factory=set)
    working_space: Encoding = field(default_factory=lambda: MendedEncoding("", "scene-linear"))
    mended: Encoding = field(default_factory=lambda: MendedEncoding("", "scene-linear"))

    @classmethod
    def of(
        cls,
        document: Document,
        root: Path,
        frames: Collection[int] | None,
        wanted: Collection[str] | None,
        given: Mapping[str, Image],
        outputs: Outputs,
    ) -> CheckState:
        """Return the state in which a run begins; arguments as for `stackcomp.check.check_graph.check_graph`.

        Raises:
            CheckError: a wanted node does not exist.
        """
        graph: nx.DiGraph[str] = nx.DiGraph()
        graph.add_nodes_from(document.nodes)
        for name, node in document.nodes.items():
            if name not in given:
                sources = (source for source in node.inputs().values() if source in document.nodes)
                graph.add_edges_from((source, name) for source in sources)
        chosen = tuple(document.frames if frames is None else frames)
        return cls(document, root, chosen, given, outputs, graph, _upstream(document, graph, wanted))

    def inputs(self, name: str) -> dict[str, str]:
        """Connected inputs of a node, port → source; none where its picture is given."""
        return {} if name in self.given else self.document.nodes[name].inputs()

    def order(self) -> dict[str, int]:
        """Position of each node in the document."""
        return {name: position for position, name in enumerate(self.document.nodes)}

    def say(
        self, node: str, field: str, rule: str, message: str, way_out: str = "", *, severity: Severity = "error"
    ) -> None:
        """Add a finding; arguments as for `Problem`."""
        self.add(Problem(rule, message, way_out, node=node, field=field, severity=severity))

    def add(self, problem: Problem) -> None:
        """Add a finding, with the place of the document."""
        self.problems.append(tidy(replace(problem, place=self.document.place)))

    @property
    def has_errors(self) -> bool:
        """Whether any finding is an error."""
        return any(problem.severity == "error" for problem in self.problems)


def _upstream(document: Document, graph: nx.DiGraph[str], wanted: Collection[str] | None) -> set[str]:
    """The wanted nodes and all that they depend on."""
    if wanted is None:
        return set(document.nodes)
    unknown = [name for name in wanted if name not in document.nodes]
    if unknown:
        known = list(document.nodes)
        raise CheckError(unknown_node(name, known, place=document.place) for name in unknown)
    needed = set(wanted)
    for name in wanted:
        needed |= nx.ancestors(graph, name)
    return needed


def tidy(problem: Problem) -> Problem:
    """Return the finding with its way out in the field for it, where the message ends with one."""
    message, dash, way_out = problem.message.partition(" — ")
    return replace(problem, message=message, way_out=way_out) if dash and not problem.way_out else problem
