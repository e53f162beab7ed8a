"""Attributes of a delivered file that describe its origin.

Attributes of the EXR header: ``stackcomp/version``, ``stackcomp/graph`` (hash of the graph with its variables
filled in), ``stackcomp/inputs`` (hash of the contents of every file the picture depends on), ``stackcomp/frame``,
``stackcomp/packages`` (packages whose kinds the graph uses, with their versions, if it uses any); the mark of the
program (`stackcomp.files.mark`), which stills carry too; and the plate's ``timeCode``, ``framesPerSecond`` and
``pixelAspectRatio``, passed through. The frame rate of the graph, if it has one, goes before that of the plate.
Where the plate has none of these, none is written. No path and no clock time is recorded, so the same inputs give
the same bytes anywhere.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from stackcomp.check.outputs import mark_of
from stackcomp.document.model import Document
from stackcomp.files.file_hash import file_hash
from stackcomp.files.file_state import file_state
from stackcomp.files.mark import ATTRIBUTE, MarkKind
from stackcomp.nodes.base import Node, SinkNode, SourceNode
from stackcomp.nodes.kinds import KINDS
from stackcomp.nodes.read import Read

__all__ = ["graph_hash", "input_files", "node_fields", "notes_for", "passed_on"]

_PASSED_ON = ("timeCode", "framesPerSecond", "pixelAspectRatio")


def graph_hash(document: Document) -> str:
    """Return a hash of everything in the graph that can change a pixel (not notes, not names of variables)."""
    nodes = {name: node_fields(node) for name, node in document.nodes.items()}
    head: dict[str, Any] = {
        "working_space": document.head.working_space,
        "colour_config": document.head.colour_config,
    }
    if packages := _packages(document):
        head["packages"] = packages
    text = json.dumps({**head, "nodes": nodes}, sort_keys=True, ensure_ascii=False)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def node_fields(node: Node) -> dict[str, Any]:
    """Return the fields of a node that can change a pixel, as JSON data."""
    return node.model_dump(mode="json", by_alias=True, exclude={"about", *_where(node)})


def _packages(document: Document) -> list[str]:
    """Return the packages of the document's kinds, with their versions, which may compute other pixels."""
    origins = (KINDS.origin(node.kind) for node in document.nodes.values())
    return sorted({str(origin) for origin in origins if origin is not None})


def _where(node: Node) -> set[str]:
    """Return the fields that are paths: the contents of files that are read have a hash of their own."""
    if isinstance(node, SinkNode):
        return {"path", "replace"}
    return {"path"} if isinstance(node, SourceNode) else {"file"} & set(type(node).model_fields)


def notes_for(
    document: Document, root: Path, node: str, frame: int, kind: MarkKind = "delivery"
) -> Mapping[str, Any]:
    """Return the header attributes of what a deliver node writes at a frame, and the mark of that kind."""
    from stackcomp.version import __version__

    notes: dict[str, Any] = {
        "stackcomp/version": __version__,
        "stackcomp/graph": graph_hash(document),
        "stackcomp/inputs": _inputs_hash(document, root, node, frame),
        "stackcomp/frame": frame,
        ATTRIBUTE: mark_of(document, root, kind),
    }
    if packages := _packages(document):
        notes["stackcomp/packages"] = ", ".join(packages)
    notes.update(passed_on(document, root, node, frame))
    return notes


def passed_on(document: Document, root: Path, node: str, frame: int) -> dict[str, Any]:
    """Return what files of a deliver node take over from the plate; the graph's own frame rate goes before its."""
    told = _from_plate(document, root, node, frame)
    return told if document.frame_rate is None else {**told, "framesPerSecond": document.frame_rate}


def input_files(document: Document, root: Path, nodes: Iterable[str], frame: int) -> list[Path]:
    """Return the files that some nodes' pictures depend on at a frame, each once, without the colour config."""
    return list(dict.fromkeys(path for node in nodes for path in _files(document, root, node, frame)))


def _inputs_hash(document: Document, root: Path, node: str, frame: int) -> str:
    whole = hashlib.blake2b(digest_size=16)
    for path in sorted(set(_files(document, root, node, frame))):
        if path.is_file():
            whole.update(file_hash(path, file_state(path)))
    return whole.hexdigest()


def _files(document: Document, root: Path, node: str, frame: int) -> list[Path]:
    files: list[Path] = []
    waiting, visited = [node], {node}
    while waiting:
        here = document.nodes[waiting.pop()]
        files += here.files(frame, root)
        new = [name for name in here.inputs().values() if name in document.nodes and name not in visited]
        visited.update(new)
        waiting += new
    return files


def _from_plate(document: Document, root: Path, node: str, frame: int) -> dict[str, Any]:
    """Timecode and pixel shape of the file at the bottom: the way down follows backdrops."""
    name = node
    visited: set[str] = set()
    while name in document.nodes and name not in visited:
        visited.add(name)
        here = document.nodes[name]
        inputs = here.inputs()
        if isinstance(here, SourceNode) or not inputs:
            return _told_by(here.files(frame, root)) if isinstance(here, Read) else {}
        name = inputs.get("backdrop") or inputs.get("image") or next(iter(inputs.values()))
    return {}


def _told_by(files: list[Path]) -> dict[str, Any]:
    from stackcomp.files.picture_file import header_of

    for path in files:
        header = header_of(path)[0]
        if header.format == "OpenEXR":
            return {name: header.metadata[name] for name in _PASSED_ON if name in header.metadata}
    return {}
