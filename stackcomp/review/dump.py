"""A dump: every node of a graph at one frame, as files for people and programs.

For each node an OpenEXR file with all its planes as float (ids bit for bit) and a PNG to look at; and
``nodes.json`` with everything else. Each node is computed separately, so that its time can be measured, and its
picture is released before the next one is computed. The report is written last: if it exists, the dump has ended.

A dump into the folder of an older one replaces it: files that the older report lists, that have the mark of a
dump, and that this dump does not write, are removed. Nothing else is ever removed. During a
dump, the folder has ``nodes.unfinished.json`` instead of ``nodes.json``; it lists the files of both, so that the
next dump can also clear up after one that was stopped.

``nodes.json`` holds ``dump`` (version of its form), ``program``, ``graph``, ``graph_hash``, ``frame``, ``scale``,
``viewing_stops`` (exposure of the PNGs), ``working_space``, ``colour_config``, ``complete``, ``failed`` (None, or
the node and the reason), ``warnings`` (of the check) and ``nodes``, in the graph's order. A node has

======================  ================================================================================
``name, kind, about``   as in the graph
``state``               ``done``, ``failed``, or ``missing`` where a failure came before it
``inputs``              port → node
``input_types``         port → what arrives there, in words
``parameters``          at that frame, lengths at full size
``type``                name, words, and state
``files``               ``exr`` and ``png``, beside ``nodes.json``
``size``                width and height of the frame
``data_window``         where there are pixels: x, y, width, height
``display_window``      the frame, likewise
``channels``            name → min, max, mean of the finite values; ``non_finite``: count of the others
``id_channels``         channels whose bits are ids; ``manifest``: name of an object → its id. Both only
                        where there are ids
``seconds``             time spent on computing it; where ``compiled`` is true, on compiling a loop too.
                        The first node of a kind in a process also pays for loading what it needs
``warnings``            of the node, and of the check about it
======================  ================================================================================

From ``files`` on only where the state is ``done``.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.check.checked import CheckedGraph, CheckedNode
from stackcomp.check.originals import Writing
from stackcomp.composition import Composition, Prepared
from stackcomp.data import arguments
from stackcomp.data.image import Image
from stackcomp.deliver.provenance import graph_hash
from stackcomp.errors import BugError, FileError, RenderError, WorkError
from stackcomp.execute import fuse
from stackcomp.execute.executor import Result
from stackcomp.files import mark as marks
from stackcomp.files import stills
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import Mark
from stackcomp.files.viewable import viewable
from stackcomp.review.measures import channel_figures, ids_as_json, type_as_json, window_as_json
from stackcomp.review.names import file_names
from stackcomp.review.pictures import PictureWriter, keep_originals

__all__ = ["DumpReport", "dump", "writings"]

_FORM = 1
_REPORT, _UNFINISHED = "nodes.json", "nodes.unfinished.json"


@dataclass(frozen=True)
class DumpReport:
    """The result of a dump.

    Attributes:
        folder: where it is.
        data: the contents of its ``nodes.json``.
        error: what ended it early, if anything did; a `BugError` has the traceback as its cause.
    """

    folder: Path
    data: dict[str, Any]
    error: WorkError | BugError | None = None

    @property
    def complete(self) -> bool:
        """Whether every node is in it."""
        return bool(self.data["complete"])

    @property
    def failed(self) -> dict[str, str] | None:
        """Node and reason of the failure that ended it, if one did."""
        failed: dict[str, str] | None = self.data["failed"]
        return failed

    @property
    def nodes(self) -> dict[str, dict[str, Any]]:
        """The entries by name of their node."""
        return {entry["name"]: entry for entry in self.data["nodes"]}


def dump(
    composition: Composition,
    frame: int,
    to: str | Path,
    *,
    nodes: Collection[str] | None = None,
    scale: float = 1.0,
    viewing_stops: float = 0.0,
    replace_foreign: bool = False,
    warn: Callable[[str, str], None] | None = None,
    finished: Callable[[str], None] | None = None,
    prepared: Prepared | None = None,
) -> DumpReport:
    """Write a dump.

    Args:
        composition: the graph.
        frame: frame number.
        to: folder; made where missing. An older dump in it is replaced; everything else stays.
        nodes: names of nodes; all when None.
        scale: size of the pictures; 0.5 is half.
        viewing_stops: exposure of the PNGs of scene-linear and log colour, for looking; the OpenEXR files stay
            as they are.
        replace_foreign: whether files of the same names that no dump wrote may be replaced; the graph's inputs
            never are.
        warn: called with node and message of each warning; they are in the report as well.
        finished: called with each node's name once its files are whole.
        prepared: these nodes and this frame from `Composition.prepare`, so that nothing is checked again.

    Returns:
        The report. A node that failed is in it, and what came before it is whole.

    Raises:
        CheckError: the graph has problems; all are named. Nothing was written.
        RequestError: a file of the dump would replace one that must stay (`stackcomp.check.originals`).
        FileError: ``nodes.json`` cannot be written.
    """
    stops = arguments.stops("viewing_stops", viewing_stops)
    asked = composition.nodes if nodes is None else nodes
    if prepared is None:
        prepared = composition.prepare(tuple(asked), (frame,))
    work = _Dump(composition, prepared, frame, Path(to), asked, scale, stops, replace_foreign, warn, finished)
    return work.run()


def writings(composition: Composition, to: str | Path, nodes: Collection[str]) -> list[Writing]:
    """The files that a dump of these nodes writes, for the check before they are written."""
    names = file_names(composition.nodes)
    pictures = [f"{names[node]}{ending}" for node in nodes for ending in (".exr", ".png")]
    return [
        *(Writing(Path(to) / name, Mark("report")) for name in (_REPORT, _UNFINISHED)),
        *(Writing(Path(to) / name, Mark("dump")) for name in pictures),
    ]


class _Dump:
    def __init__(
        self,
        composition: Composition,
        prepared: Prepared,
        frame: int,
        folder: Path,
        asked: Collection[str],
        scale: float,
        stops: float,
        replace_foreign: bool,
        warn: Callable[[str, str], None] | None,
        finished: Callable[[str], None] | None,
    ) -> None:
        self.composition, self.frame, self.folder, self.scale = composition, frame, folder, scale
        self.stops, self.replace_foreign = stops, replace_foreign
        self.also_warn = warn or (lambda node, message: None)
        self.finished = finished or (lambda node: None)
        self.prepared = prepared
        self.checked: CheckedGraph = self.prepared.checked
        # In the order of the graph, whatever order they are named in.
        self.names = [name for name in composition.nodes if name in set(asked)]
        self.files = file_names(composition.nodes)
        self.entries = {name: self._entry(self.checked.nodes[name]) for name in self.names}
        self.failed: dict[str, str] | None = None
        self.error: WorkError | BugError | None = None
        # Files that older dumps left, and that this one has written so far.
        self.older: set[str] = set()
        self.made: set[str] = set()

    # -- before ---------------------------------------------------------------------------------------------

    def _entry(self, checked: CheckedNode) -> dict[str, Any]:
        ports = checked.node.ports()
        kept_out = {"kind", "about", *ports}
        still = checked.node.at(self.frame)
        parameters = still.model_dump(mode="json", by_alias=True, exclude=kept_out)
        warnings = [
            f"{p.message} — {p.way_out}" if p.way_out else p.message
            for p in self.checked.warnings
            if p.node == checked.name
        ]
        return {
            "name": checked.name,
            "kind": checked.node.kind,
            "about": checked.node.about,
            "state": "missing",
            "inputs": checked.node.inputs(),
            "input_types": {port: str(wire.type) for port, wire in checked.wires.items()},
            "parameters": parameters,
            "type": type_as_json(checked.type),
            "warnings": warnings,
        }

    def _prepare(self) -> None:
        """Check that no file must stay; only then remove the older dump's report."""
        asked = writings(self.composition, self.folder, self.names)
        pictures = [writing.path.name for writing in asked if writing.mark == Mark("dump")]
        keep_originals(self.composition, (self.frame,), asked, replace_foreign=self.replace_foreign)
        self.older = {*_listed(self.folder / _REPORT), *_listed(self.folder / _UNFINISHED)}
        head = {"dump": _FORM, "program": marks.program(), "complete": False}
        self._write(_UNFINISHED, {**head, "files": sorted({*self.older, *pictures})})
        with contextlib.suppress(FileNotFoundError):
            (self.folder / _REPORT).unlink()

    def _clear_up(self) -> None:
        """Remove files of an older dump that this one did not write, and files of a node that failed."""
        listed = {name for entry in self.entries.values() for name in entry.get("files", {}).values()}
        # On a case-insensitive file system, an older name may be a newer file.
        kept = {_identity(self.folder / name) for name in listed}
        for name in sorted((self.older | self.made) - listed):
            path = self.folder / name
            # A dump writes no links: this one is not ours.
            if path.is_symlink() or marks.read(path) != Mark("dump") or _identity(path) in kept:
                continue
            with contextlib.suppress(OSError):
                path.unlink()

    # -- the work -------------------------------------------------------------------------------------------

    def run(self) -> DumpReport:
        results = self.composition.results(
            self.names, self.frame, scale=self.scale, fused=False, warn=self._warn, prepared=self.prepared
        )
        self._prepare()
        compiling: list[str] = []
        fuse.on_compile.append(compiling.append)
        name = ""
        try:
            for result in results:
                name = result.node
                self._keep(result, bool(compiling))
                compiling.clear()
                # Otherwise this picture would live until the next one is finished.
                del result
                self.finished(name)
        except (WorkError, BugError) as error:
            node, reason = name, str(error)
            if isinstance(error, RenderError | BugError):
                node, reason = error.node, error.reason
            self._note_failure(node, reason)
            self.error = error
        finally:
            fuse.on_compile.remove(compiling.append)
        return self._report()

    def _warn(self, node: str, message: str) -> None:
        if node in self.entries:
            self.entries[node]["warnings"].append(message)
        self.also_warn(node, message)

    def _keep(self, result: Result, compiled: bool) -> None:
        name, image = result.node, result.image
        writer = PictureWriter(self.checked, name, f"{self.files[name]}.exr", self.folder, "dump")
        exr = writer.write(image, self.frame, scale=self.scale, warn=lambda message: self._warn(name, message))
        png = exr.with_suffix(".png")
        self.made.add(exr.name)
        self._look(image, png)
        self.entries[name] |= {
            "state": "done",
            "files": {"exr": exr.name, "png": png.name},
            "type": type_as_json(image.type),
            "size": [image.display.width, image.display.height],
            "data_window": window_as_json(image.window),
            "display_window": window_as_json(image.display),
            "channels": channel_figures(image),
            **ids_as_json(image, self.frame),
            "seconds": result.seconds,
            "compiled": compiled,
        }

    def _look(self, image: Image, png: Path) -> None:
        shown = viewable(image, stops=self.stops, config=self.checked.context.colour_config)
        stills.write(png, shown / np.float32(255), mark=Mark("dump"))

    def _note_failure(self, node: str, reason: str) -> None:
        self.failed = {"node": node, "reason": reason}
        if node in self.entries:
            self.entries[node]["state"] = "failed"

    # -- after ----------------------------------------------------------------------------------------------

    def _report(self) -> DumpReport:
        document = self.checked.document
        data = {
            "dump": _FORM,
            "program": marks.program(),
            "graph": document.place,
            "about": document.head.about,
            "graph_hash": graph_hash(document),
            "frame": self.frame,
            "scale": self.scale,
            "viewing_stops": self.stops,
            "working_space": document.head.working_space,
            "colour_config": document.head.colour_config,
            "complete": self.failed is None,
            "failed": self.failed,
            "warnings": [problem.as_dict() for problem in self.checked.warnings],
            "nodes": list(self.entries.values()),
        }
        self._clear_up()
        try:
            self._write(_REPORT, data)
        except FileError as error:
            if self.failed is None:
                raise
            raise FileError(error.path, f"{error.reason}; before that, {self.failed['reason']}") from error
        with contextlib.suppress(OSError):
            (self.folder / _UNFINISHED).unlink()
        return DumpReport(self.folder, data, self.error)

    def _write(self, name: str, data: dict[str, Any]) -> None:
        with whole_file(self.folder / name) as unfinished:
            text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
            # Bytes of a path that are not text become the escapes that JSON has for them.
            unfinished.write_text(text + "\n", encoding="utf-8", errors="backslashreplace")


def _identity(path: Path) -> tuple[int, int] | None:
    """Return device and inode of a file; None if it does not exist."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_dev, state.st_ino


def _members(document: Any, field: str) -> list[Any]:
    """The members of a list in a JSON object; none where there is no such list."""
    members = document.get(field) if isinstance(document, dict) else None
    return list(members) if isinstance(members, list) else []


def _listed(report: Path) -> set[str]:
    """Files that the report of an older dump lists, as far as they can be files of its folder."""
    if marks.read(report) != Mark("report"):
        return set()
    try:
        document = json.loads(report.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return set()
    names = _members(document, "files")
    for node in _members(document, "nodes"):
        files = node.get("files") if isinstance(node, dict) else None
        names += files.values() if isinstance(files, dict) else ()
    plain = (
        name for name in names if isinstance(name, str) and name == os.path.basename(name) and "\0" not in name
    )
    return {name for name in plain if name.endswith((".exr", ".png"))}
