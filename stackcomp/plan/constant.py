"""Values that are the same at every frame: made of stills and numbers that do not change over time."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from pathlib import Path

from stackcomp.nodes.base import Node, SourceNode
from stackcomp.plan.steps.area import AreaStep
from stackcomp.plan.steps.base import Key, Step
from stackcomp.plan.steps.coverage import CoverageStep
from stackcomp.plan.steps.source import SourceStep
from stackcomp.plan.steps.sweep import SweepStep
from stackcomp.plan.steps.view import ViewStep

__all__ = ["constant_values", "kept_values"]

#: Two frames; what reads the same files at both reads them at all.
_ANY_TWO = (1, 2)


def constant_values(steps: Sequence[Step], root: Path, moving: Collection[str] = ()) -> frozenset[Key]:
    """Keys of the values that are the same at every frame.

    Args:
        steps: of a plan, in order.
        root: folder for relative paths.
        moving: nodes that are known to use the number of the frame.
    """
    constant: set[Key] = set()
    for step in steps:
        nodes = _nodes(step)
        if nodes is None or step.node in moving or not constant.issuperset(step.reads):
            continue
        if all(_is_constant(node, root) for node in nodes):
            constant.update(step.makes)
    return frozenset(constant)


def kept_values(steps: Iterable[Step], constant: frozenset[Key]) -> frozenset[Key]:
    """Those of the constant values that are read where something changes; all behind them need not be kept."""
    readers = [step for step in steps if not constant.issuperset(step.makes) or not step.makes]
    return frozenset(key for step in readers for key in step.reads if key in constant)


def _nodes(step: Step) -> list[Node] | None:
    """Nodes that a step computes; None where what it makes is given from outside, or written to files."""
    if isinstance(step, SourceStep | AreaStep | CoverageStep):
        return [step.checked.node]
    if isinstance(step, SweepStep):
        return [value.checked.node for value in step.values]
    return [] if isinstance(step, ViewStep) else None


def _is_constant(node: Node, root: Path) -> bool:
    if not node.still:
        return False
    first, second = (node.files(frame, root) for frame in _ANY_TWO)
    # What a source opens is known at every frame; other nodes read their files on their own.
    return first == second and (isinstance(node, SourceNode) or not first)
