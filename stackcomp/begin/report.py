"""What was taken for what, and why: for people and for programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from stackcomp.errors import Problem

__all__ = ["Item", "Report"]


@dataclass(frozen=True)
class Item:
    """A file or a layer, what it was taken for, and why.

    Attributes:
        what: the file or layer.
        taken_as: what for; for a layer that is left out, what it is.
        reason: why; may be empty.
        nodes: names of nodes that use it.
    """

    what: str
    taken_as: str
    reason: str = ""
    nodes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.what}: {self.taken_as}" + (f", {self.reason}" if self.reason else "")


@dataclass
class Report:
    """All that is to be said about a begun graph.

    Attributes:
        taken: files and layers that the graph uses.
        left_out: layers that it does not use.
        notes: what is doubtful or worth knowing.
        warnings: warnings of the check.
        next: what the artist does next.
    """

    taken: list[Item] = field(default_factory=list)
    left_out: list[Item] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    next: list[str] = field(default_factory=list)

    def lines(self) -> Iterator[str]:
        """The report as text."""
        for item in self.taken:
            yield str(item)
        for title, items in (("left out", self.left_out), ("notes", self.notes), ("next", self.next)):
            if items:
                yield f"{title}:"
                yield from (f"  {item}" for item in items)
        for warning in self.warnings:
            yield f"warning: {warning}"

    def as_dict(self) -> dict[str, Any]:
        """The report as JSON data."""

        def of(item: Item) -> dict[str, Any]:
            return {
                "what": item.what,
                "taken_as": item.taken_as,
                "reason": item.reason,
                "nodes": list(item.nodes),
            }

        return {
            "taken": [of(item) for item in self.taken],
            "left_out": [of(item) for item in self.left_out],
            "notes": list(self.notes),
            "warnings": [problem.as_dict() for problem in self.warnings],
            "next": list(self.next),
        }
