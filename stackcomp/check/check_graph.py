"""Second stage: every wire gets a type, and every mistake is found before a pixel is read.

`check_graph` never stops at the first finding. Where a wire carries the right kind of picture in the wrong
state, it reports that and goes on as if it had been mended, so that one mistake does not hide the next; where
the kind itself is wrong, what depends on it is left unchecked rather than blamed.

The rules are in files of their own, in this order: `wiring`, `head`, then node by node `one_node` (which asks
`one_wire` for each of its inputs), then `whole`. All of them add their findings to one `CheckState`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

from stackcomp.check.checked import CheckedGraph
from stackcomp.check.head import check_head, nodes_without_frames
from stackcomp.check.mended import MendedEncoding
from stackcomp.check.one_node import check_node
from stackcomp.check.outputs import Outputs
from stackcomp.check.state import CheckState
from stackcomp.check.whole import check_frames, check_outputs, check_unused
from stackcomp.check.wiring import check_wiring, inputs_first
from stackcomp.data.image import Image
from stackcomp.document.model import Document
from stackcomp.errors import Problem
from stackcomp.nodes.base import Context

__all__ = ["check_graph"]


def check_graph(
    document: Document,
    root: Path,
    *,
    frames: Collection[int] | None = None,
    wanted: Collection[str] | None = None,
    given: Mapping[str, Image] | None = None,
    outputs: Outputs | None = None,
) -> tuple[CheckedGraph | None, list[Problem]]:
    """Return all findings, and the checked graph when none of them is an error.

    Args:
        document: typed nodes.
        root: folder for relative paths.
        frames: frames that will be rendered; the document's own when None.
        wanted: check only these nodes and what they depend on; all when None.
        given: pictures that stand in for the results of nodes.
        outputs: which files will be written, and over what; when None, all those of the wanted deliver nodes.

    Raises:
        CheckError: a wanted node does not exist.
        BugError: a node's own code failed in a way that no graph and no file should cause.
    """
    state = CheckState.of(document, root, frames, wanted, given or {}, outputs or Outputs())
    check_wiring(state)
    context = check_head(state)
    if context is not None:
        _check_nodes(state, context)
    check_outputs(state)
    if not state.has_errors:
        # While something is wrong, it is not known what will be unused once it is mended.
        check_unused(state)
    order = state.order()
    problems = sorted(dict.fromkeys(state.problems), key=lambda p: (order.get(p.node, -1), p.severity))
    if context is None or state.has_errors:
        return None, problems
    return CheckedGraph(document, context, state.done, dict(state.given), tuple(problems)), problems


def _check_nodes(state: CheckState, context: Context) -> None:
    state.working_space = context.working_space
    state.mended = MendedEncoding(context.working_space.name, "scene-linear")
    skipped = nodes_without_frames(state)
    for name in inputs_first(state):
        if name not in skipped:
            check_node(state, name, context)
    check_frames(state, context)
