"""Which nodes give another picture than when a reference was written, as far as their records can tell.

What records can know: another type, window or channel of a node, exactly; and the root mean square by which its
pixels differ, as an estimate (`stackcomp.testing.sketches`). What they cannot know: where in the picture it
differs, and a difference that is smaller than the rounding errors of all pixels together. Nodes that differ by no
more than `ROUNDING` are called ``rounding``: with and without fused multiply-add, nodes of the demo's graphs
differ by up to 1.6e-8 (measured), and that is not a change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from stackcomp.testing.node_records import NodeRecord
from stackcomp.testing.sketches import rms_difference

__all__ = ["ROUNDING", "NodeChange", "NodeChanges", "node_changes"]

ROUNDING = 1e-6
"""Root mean square of a difference that may be rounding."""

State = Literal["same", "rounding", "different", "new"]


@dataclass(frozen=True)
class NodeChange:
    """How a node's picture differs from its record.

    Attributes:
        node: its name.
        kind: its kind now.
        state: ``"same"`` to the last bit; ``"rounding"``: it differs by less than the limit; ``"different"``;
            ``"new"``: there is no record of it.
        reason: what differs, in words.
        rms: estimated root mean square of the differences in the channel that differs most; None where pixels
            cannot be compared.
    """

    node: str
    kind: str
    state: State
    reason: str = ""
    rms: float | None = None

    def at_least(self, rms: float) -> bool:
        """Whether it differs by this or more; differences of another kind always do."""
        return self.state == "different" and (self.rms is None or self.rms >= rms)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {"node": self.node, "kind": self.kind, "state": self.state, "reason": self.reason, "rms": self.rms}


@dataclass(frozen=True)
class NodeChanges:
    """The nodes that a picture depends on, inputs first, the node itself last.

    Attributes:
        nodes: all of them.
        limit: root mean square up to which a difference counts as rounding.
        noticeable: root mean square from which a difference could be seen in the comparison of pictures.
        gone: nodes that have a record and that the picture does not depend on any more.
    """

    nodes: tuple[NodeChange, ...]
    limit: float
    noticeable: float = 0.0
    gone: tuple[str, ...] = ()

    @property
    def first(self) -> NodeChange | None:
        """The first node that is different."""
        return next((node for node in self.nodes if node.state == "different"), None)

    @property
    def changed(self) -> bool:
        """Whether a record of these nodes would have to be written again."""
        return bool(self.gone) or any(node.state in ("different", "new") for node in self.nodes)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        first = self.first
        return {
            "first_different": None if first is None else first.node,
            "limit": self.limit,
            "nodes": [node.as_dict() for node in self.nodes],
            "gone": list(self.gone),
        }

    def __str__(self) -> str:
        lines = []
        first = self.first
        if first is not None:
            lines.append(f'first node that differs: "{first.node}" ({first.kind}), {first.reason}')
            larger = next((node for node in self.nodes if node.at_least(self.noticeable)), None)
            if larger is not None and not first.at_least(self.noticeable):
                more = (
                    f'first by more than {self.noticeable:.1g}: "{larger.node}" ({larger.kind}), {larger.reason}'
                )
                lines.append(more)
        else:
            traces = [node for node in self.nodes if node.state == "rounding"]
            lines.append("no node before differs by more than rounding")
            if traces:
                lines[0] += f'; the first that differs at all: "{traces[0].node}", {traces[0].reason}'
        for what, names in (
            ("new since then", [node.node for node in self.nodes if node.state == "new"]),
            ("no longer used", list(self.gone)),
        ):
            if names:
                more = f" and {len(names) - 6} more" if len(names) > 6 else ""
                lines.append(f"{what}: {', '.join(names[:6])}{more}")
        return "\n".join(lines)


def node_changes(before: Sequence[NodeRecord], now: Sequence[NodeRecord], small: float) -> NodeChanges:
    """Compare records.

    Args:
        before: those of the reference.
        now: of the nodes as they are, inputs first.
        small: of the tolerance that pictures are compared with; 0 takes any difference for a change.
    """
    limit = min(ROUNDING, small / 10)
    known = {record.node: record for record in before}
    nodes = tuple(_change(known, record, limit) for record in now)
    names = {record.node for record in now}
    return NodeChanges(nodes, limit, small / 10, tuple(name for name in known if name not in names))


def _change(known: Mapping[str, NodeRecord], now: NodeRecord, limit: float) -> NodeChange:
    before = known.get(now.node)
    if before is None:
        return NodeChange(now.node, now.kind, "new")
    for what, old, new in (
        ("its type is", before.type, now.type),
        ("its frame is", before.display, now.display),
        ("its data window is", before.window, now.window),
        ("its channels are", ", ".join(before.planes), ", ".join(now.planes)),
    ):
        if old != new:
            return NodeChange(now.node, now.kind, "different", f"{what} {new}, not {old}")
    pixels = now.window.width * now.window.height
    found = {name: rms_difference(sums, before.planes[name], pixels) for name, sums in now.planes.items()}
    most = max(found, key=lambda name: found[name], default="")
    rms = found.get(most, 0.0)
    if rms == 0:
        return NodeChange(now.node, now.kind, "same", rms=0.0)
    state: State = "different" if rms > limit else "rounding"
    return NodeChange(now.node, now.kind, state, f"{most} by about {rms:.1g} RMS", rms)
