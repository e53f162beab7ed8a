"""What the read nodes of a graph are for, by where their pictures go."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from stackcomp.nodes.kinds import KINDS

__all__ = ["FileRole", "roles_of_reads"]

FileRole = Literal["plate", "cg", "clean", "matte", "holdout", "other"]

#: A port that tells what arrives there; where the kind does not matter it is left out.
_BY_PORT: dict[tuple[str, str], FileRole] = {
    ("clean_patch", "patch"): "clean",
    ("holdout", "matte"): "holdout",
    ("restore", "matte"): "matte",
    ("restore", "source"): "plate",
    ("", "source"): "cg",
    ("", "shadow"): "cg",
    ("", "depth"): "cg",
    ("", "backdrop"): "plate",
    ("", "matte"): "other",
    ("", "within"): "other",
}
#: Kinds that make one matte of others, so that what they feed tells.
_OF_MATTES = frozenset(("join_mattes", "invert_matte", "soft_matte"))


def roles_of_reads(nodes: Mapping[str, Any]) -> dict[str, FileRole]:
    """The role of each read node: what most of the ports say that its pictures reach first.

    Args:
        nodes: name → fields, as written.
    """
    feeds: dict[str, list[tuple[str, str, str]]] = {}
    for name, fields in nodes.items():
        for port in _ports(fields):
            fed = fields.get(port)
            for source in fed if isinstance(fed, list) else [fed]:
                if isinstance(source, str):
                    feeds.setdefault(source, []).append((name, str(fields.get("kind")), port))
    reads = [
        name for name, fields in nodes.items() if isinstance(fields, Mapping) and fields.get("kind") == "read"
    ]
    roles: dict[str, FileRole] = {}
    for name in reads:
        told = Counter(_reached(name, feeds))
        roles[name] = max(told, key=lambda role: (role != "other", told[role])) if told else "other"
    return roles


def _ports(fields: Any) -> list[str]:
    kind = KINDS.get(str(fields.get("kind"))) if isinstance(fields, Mapping) else None
    return list(kind.ports()) if kind is not None else []


def _reached(start: str, feeds: Mapping[str, list[tuple[str, str, str]]]) -> Iterator[FileRole]:
    """Roles of the ports that a node's picture reaches, through nodes that only change it."""
    waiting, seen = [start], {start}
    while waiting:
        for name, kind, port in feeds.get(waiting.pop(), []):
            role = _BY_PORT.get((kind, port)) or _BY_PORT.get(("", port))
            if role is not None and kind not in _OF_MATTES:
                yield role
            elif name not in seen:
                seen.add(name)
                waiting.append(name)
