"""Graph files of older versions.

Each entry of `UPGRADES` turns a document of one version into the next; a document climbs until it is current.

A change of format takes three steps: raise `CURRENT` by one; add a function here that turns a document of the
version before into the new one, and enter it under the old number; store a file of the old version in
``tests/document/old/`` beside its current form. Functions that stand here are never changed again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from stackcomp.errors import DocumentError, Problem, kind_of, shown

__all__ = ["CURRENT", "UPGRADES", "upgrade"]

CURRENT = 1


def _from_0(old: dict[str, Any]) -> dict[str, Any]:
    """Version 0, the draft: nodes were a list with a ``name`` each, and the working space was ``space``."""
    new = {"working_space" if key == "space" else key: value for key, value in old.items() if key != "nodes"}
    nodes: dict[str, Any] = {}
    listed = old.get("nodes", [])
    if not isinstance(listed, list):
        raise DocumentError(
            Problem("upgrade", f'"nodes" of a version 0 graph is {kind_of(listed)}',
                    f'write a list, or "stackcomp": {CURRENT} at the top', field="nodes")
        )  # fmt: skip
    for number, node in enumerate(listed):
        pointer = f"/nodes/{number}"
        if not isinstance(node, dict) or not isinstance(node.get("name"), str):
            raise DocumentError(
                Problem("upgrade", f"node {number} of a version 0 graph has no name", "give it a name",
                        pointer_override=pointer)
            )  # fmt: skip
        if node["name"] in nodes:
            raise DocumentError(
                Problem("upgrade", f'two nodes of a version 0 graph are named "{node["name"]}"',
                        "give one another name", pointer_override=pointer)
            )  # fmt: skip
        nodes[node["name"]] = {key: value for key, value in node.items() if key != "name"}
    new["nodes"] = nodes
    return new


UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {0: _from_0}


def upgrade(document: dict[str, Any]) -> dict[str, Any]:
    """The document in the current version; the given one is not changed.

    Raises:
        DocumentError: no version, a version that is not a whole number, or one from the future.
    """
    version = document.get("stackcomp")
    if "stackcomp_sequence" in document:
        raise DocumentError(
            Problem("version", "the file is a sequence, not a graph",
                    "`stackcomp batch` renders its shots, and `stackcomp check` looks at them",
                    field="stackcomp_sequence")
        )  # fmt: skip
    if "stackcomp" not in document and "nodes" not in document:
        raise DocumentError(
            Problem("version", 'the file is not a graph: it has neither "stackcomp" nor "nodes"',
                    'a graph begins {"stackcomp": 1, …}; a file of variables is given with --variables',
                    field="stackcomp")
        )  # fmt: skip
    if isinstance(version, bool) or not isinstance(version, int):
        description = f"is {shown(version)}" if "stackcomp" in document else "is missing"
        raise DocumentError(
            Problem("version", f'the format version "stackcomp" {description}',
                    f'write "stackcomp": {CURRENT} at the top of the graph', field="stackcomp")
        )  # fmt: skip
    if version > CURRENT or version < 0:
        raise DocumentError(
            Problem("version", f"the graph has format version {version}; this program knows 0 to {CURRENT}",
                    "update stackcomp, or save the graph in an older version", field="stackcomp")
        )  # fmt: skip
    while version < CURRENT:
        document = UPGRADES[version](document)
        version += 1
        document = {**document, "stackcomp": version}
    return document
