"""Any node's picture, written as a deliver node would write it, and never over an original."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from stackcomp.check import CheckedGraph, check_graph
from stackcomp.composition import Composition
from stackcomp.document.model import Document
from stackcomp.errors import CheckError, GraphError, Problem
from stackcomp.files.paths import FramePath, resolve
from stackcomp.image import Image
from stackcomp.nodes.base import Job, SourceNode
from stackcomp.nodes.deliver import Deliver
from stackcomp.port_types import Colour, Matte, PortType
from stackcomp.provenance import notes_for
from stackcomp.window import Window

__all__ = ["PictureWriter", "checked_for", "keep_originals"]


def checked_for(composition: Composition, nodes: Collection[str], frames: Collection[int]) -> CheckedGraph:
    """The checked graph behind some nodes; its ``warnings`` are what is doubtful.

    Raises:
        CheckError: something is wrong with them; it holds every problem.
    """
    checked, problems = check_graph(composition.document, composition.root, frames=frames, wanted=nodes)
    if checked is None:
        raise CheckError(problem for problem in problems if problem.severity == "error")
    return checked


def keep_originals(document: Document, root: Path, frames: Iterable[int], outputs: Iterable[Path]) -> None:
    """Make sure that no file to be written is one that the graph is made from.

    Args:
        document: the graph; all its nodes count, whether or not they are rendered.
        root: folder for relative paths.
        frames: frames that will be rendered.
        outputs: files that will be written.

    Raises:
        GraphError: one of them is; it names every clash.
    """
    originals = {_real(Path(document.place)): "the graph itself"} if document.place else {}
    sequences: list[tuple[re.Pattern[str], str]] = []
    for name, node in document.nodes.items():
        said = f'what node "{name}" reads'
        originals.update((_real(path), said) for frame in frames for path in node.files(frame, root))
        if isinstance(node, SourceNode):
            sequences += [(pattern, said) for pattern in _sequence(node, root)]
    clashes = []
    for path in outputs:
        real = _real(path)
        known = originals.get(real) or next((said for pattern, said in sequences if pattern.fullmatch(real)), None)
        if known is not None:
            clashes.append(Problem("overwrites-input", f"would write {path} over {known}", _KEEP))
    if clashes:
        raise GraphError(clashes)


def _sequence(node: SourceNode, root: Path) -> Iterator[re.Pattern[str]]:
    """Matches every file of a sequence that a node reads: frames not wanted today are originals too."""
    path = getattr(node, "path", None)
    if isinstance(path, str) and FramePath(path).has_frame:
        text = re.escape(_real(resolve(root, path, _ANY_FRAME)))
        yield re.compile(re.sub(f"0*{_ANY_FRAME}", r"-?\\d+", text))


def _real(path: Path) -> str:
    return os.path.normcase(os.path.realpath(path))


_KEEP = "originals are never overwritten; write to another folder or name"
#: Stands for any frame in a path; no folder is likely to have it in its name.
_ANY_FRAME = 987_654_321


class PictureWriter:
    """Writes the results of one node: OpenEXR with all planes as float, ids bit for bit; or a still.

    Args:
        checked: the graph.
        node: the node's name.
        path: file, perhaps with a frame token; its ending says the format.
        folder: where a relative path starts.
    """

    def __init__(self, checked: CheckedGraph, node: str, path: str, folder: str | Path = ".") -> None:
        self.checked, self.node, self.folder = checked, node, Path(folder)
        try:
            FramePath(path)
        except ValueError as error:
            raise GraphError(Problem("path", str(error))) from None
        self.sink = Deliver(kind="deliver", image=node, path=path, pixel_type="float")
        # Where files go does not depend on where the graph's own paths start.
        self.context = replace(checked.context, root=self.folder)

    @property
    def still(self) -> bool:
        """Whether it writes a still, which holds the frame alone and 0 to 1."""
        return not self.sink.path.lower().endswith(".exr")

    def look(self) -> Iterator[Problem]:
        """What is wrong or doubtful about writing this node to this path."""
        type = _delivered(self.checked, self.node)
        if self.still and not isinstance(type, Colour | Matte):
            yield Problem("format", f'"{self.node}" gives {type}, which a still cannot hold', "write it as .exr")
            return
        for problem in self.sink.look({"image": type}, self.context):
            if problem.rule == "straight-alpha":
                said = f'"{self.node}" gives straight colour, which other programs do not expect in OpenEXR'
                way_out = 'read it back with "alpha": "straight"'
                yield Problem(problem.rule, said, way_out, node=self.node, severity="warning")
            else:
                yield replace(problem, field="", message=f"{self.sink.path}: {problem.message}")

    def file(self, frame: int) -> Path:
        """The file of a frame."""
        return self.sink.outputs(frame, self.folder)[0]

    def write(
        self,
        image: Image,
        frame: int,
        *,
        scale: float = 1.0,
        crop: Window | None = None,
        warn: Callable[[str], None] = lambda message: None,
        notes: Mapping[str, Any] | None = None,
    ) -> Path:
        """Write one frame, whole or not at all.

        Args:
            image: the node's picture.
            frame: frame number.
            scale: at which the picture was made.
            crop: what a still shows instead of the frame, at the picture's scale.
            warn: told of what stops nothing.
            notes: further attributes for the header of an OpenEXR file.

        Raises:
            FileError: it cannot be written.
        """
        if crop is not None and self.still:
            image = replace(image, display=crop)
        told = {
            **notes_for(self.checked.document, self.checked.context.root, self.node, frame),
            "stackcomp/node": self.node,
            "stackcomp/type": str(image.type),
            **(notes or {}),
        }
        return self.sink.write(image, Job(frame, scale, self.context, warn), told)[0]


def _delivered(checked: CheckedGraph, node: str) -> PortType:
    return checked.nodes[node].type
