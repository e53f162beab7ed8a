"""Any node's picture, written as a deliver node would write it, and never over an original."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from stackcomp.check.checked import CheckedGraph
from stackcomp.check.originals import Writing, refusals
from stackcomp.check.outputs import readings
from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Matte, PortType
from stackcomp.data.window import Window
from stackcomp.deliver.provenance import notes_for
from stackcomp.errors import BadValueError, Problem, RequestError
from stackcomp.files.mark import Mark, MarkKind
from stackcomp.files.paths import FramePath
from stackcomp.nodes.base import Job
from stackcomp.nodes.deliver import Deliver

__all__ = ["PictureWriter", "keep_originals"]


def keep_originals(
    composition: Composition, frames: Collection[int], outputs: Iterable[Writing], *, replace_foreign: bool = False
) -> None:
    """Make sure that no file to be written takes the place of one that must stay (`stackcomp.check.originals`).

    Args:
        composition: the graph; all its nodes count, whether or not they are rendered.
        frames: frames that will be rendered.
        outputs: files that will be written.
        replace_foreign: whether files that this program did not write, and deliveries, may be replaced.

    Raises:
        RequestError: one of them does; it names all of them.
    """
    known = readings(composition.document, composition.root, frames, composition.variable_files)
    allow = "--replace-foreign lets it be replaced"
    problems = refusals(outputs, known, composition.root, replace_foreign=replace_foreign, allow=allow)
    if problems:
        raise RequestError(problems)


class PictureWriter:
    """Writes the results of one node: OpenEXR with all planes as float, ids bit for bit; or a still.

    Args:
        checked: the graph.
        node: the node's name.
        path: file, perhaps with a frame token; its ending says the format.
        folder: where a relative path starts.
        kind: what its files are marked as.
        viewing_stops: exposure of stills of scene-linear and log colour, -30 to 30; OpenEXR files never change.

    Raises:
        RequestError: the path cannot be understood.
    """

    def __init__(
        self,
        checked: CheckedGraph,
        node: str,
        path: str,
        folder: str | Path = ".",
        kind: MarkKind = "picture",
        *,
        viewing_stops: float = 0.0,
    ) -> None:
        self.checked, self.node, self.folder, self.kind = checked, node, Path(folder), kind
        try:
            FramePath(path)
        except BadValueError as error:
            raise RequestError(Problem("path", error.message, error.way_out)) from None
        self.sink = Deliver(kind="deliver", image=node, path=path, pixel_type="float", viewing_stops=viewing_stops)
        # Where files go does not depend on where the graph's own paths start.
        self.context = replace(checked.context, root=self.folder)

    @property
    def _display(self) -> Window:
        return self.checked.nodes[self.node].display

    @property
    def still(self) -> bool:
        """Whether it writes a still, which holds the frame alone and 0 to 1."""
        return not self.sink.path.lower().endswith(".exr")

    @property
    def known_ending(self) -> bool:
        """Whether the ending of the path is that of a file format."""
        return self.sink.path.lower().endswith((".exr", ".png", ".jpg", ".jpeg", ".tif", ".tiff"))

    def look(self) -> Iterator[Problem]:
        """Return the findings about writing this node to this path."""
        type = _delivered(self.checked, self.node)
        if self.still and self.known_ending and not isinstance(type, Colour | Matte):
            yield Problem("format", f'"{self.node}" gives {type}, which a still cannot hold', "write it as .exr")
            return
        for problem in self.sink.look({"image": type}, {"image": self._display}, self.context):
            if problem.rule == "straight-alpha":
                message = f'"{self.node}" gives straight colour, which other programs do not expect in OpenEXR'
                way_out = 'read it back with "alpha": "straight"'
                yield Problem(problem.rule, message, way_out, node=self.node, severity="warning")
            else:
                yield replace(problem, field="", message=f"{self.sink.path}: {problem.message}")

    def writing(self, frame: int) -> Writing:
        """Return the file of a frame, for the check before it is written."""
        return Writing(self.sink.outputs(frame, self.folder)[0], Mark(self.kind))

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
            warn: called with what stops nothing.
            notes: further attributes for the header of an OpenEXR file.

        Raises:
            FileError: it cannot be written.
        """
        if crop is not None and self.still:
            image = replace(image, display=crop)
        notes = {
            **notes_for(self.checked.document, self.checked.context.root, self.node, frame, self.kind),
            "stackcomp/node": self.node,
            "stackcomp/type": str(image.type),
            **(notes or {}),
        }
        return self.sink.write(image, Job(frame, scale, self.context, warn), notes)[0]


def _delivered(checked: CheckedGraph, node: str) -> PortType:
    return checked.nodes[node].type
