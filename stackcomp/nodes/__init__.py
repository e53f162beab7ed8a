"""The list of kinds. A new kind is one file beside this one, one line here, and one test file."""

from __future__ import annotations

from stackcomp.nodes.base import Node
from stackcomp.nodes.deliver import Deliver
from stackcomp.nodes.flat import Flat
from stackcomp.nodes.over import Over
from stackcomp.nodes.ramp import Ramp
from stackcomp.nodes.read import Read
from stackcomp.nodes.shuffle import Shuffle

__all__ = ["KINDS"]

#: Every kind by its name in a graph, in the order of the reference page.
KINDS: dict[str, type[Node]] = {
    kind.kind_name(): kind
    for kind in (
        Read,
        Deliver,
        Flat,
        Ramp,
        Shuffle,
        Over,
    )
}  # fmt: skip
