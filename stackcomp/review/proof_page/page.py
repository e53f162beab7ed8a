"""Writing the page: dumps in, one file out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.check.originals import Writing, refusals
from stackcomp.compare import DumpComparison, compare_dumps
from stackcomp.compare.dumps import data_order
from stackcomp.data.arguments import PathLike, file_path
from stackcomp.data.port_types import Encoding
from stackcomp.errors import Problem, RequestError, StackcompError
from stackcomp.files import mark as marks
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import Mark, in_page
from stackcomp.nodes.description import describe
from stackcomp.nodes.kinds import KINDS
from stackcomp.review.proof_page.html import as_html
from stackcomp.review.proof_page.pack import deflated
from stackcomp.review.proof_page.pictures import Measured, PictureFile, measured, pack_all
from stackcomp.review.proof_page.read import Dump, read_dumps
from stackcomp.review.proof_page.store import Store
from stackcomp.review.proof_page.thumbnails import thumbnail
from stackcomp.review.proof_page.view_tables import SIZE, view_table

__all__ = ["MOST_BYTES", "write_page"]

#: Below 40 MB, with room for what is not known before the page is written.
MOST_BYTES = 38_000_000
_PAGE = Mark("page")
_THUMB = (400, 300)
#: Share of the page that thumbnails may take, and the most that one of them may.
_THUMBS, _ONE_THUMB = 0.12, 30_000
#: Of the values of a type; what a file's layers are in is not known.
_UNITS = {"depth": "m", "motion": "px"}
_LINEAR = {"name": "ACEScg", "family": "scene-linear"}

Warn = Callable[[str], None]


def write_page(
    path: PathLike,
    dumps: Sequence[Path],
    *,
    before: Sequence[Path] = (),
    compared: DumpComparison | None = None,
    title: str = "",
    most_bytes: int = MOST_BYTES,
    replace_foreign: bool = False,
    warn: Warn | None = None,
) -> Path:
    """Write the proof page of a graph: one HTML file with every node's picture and numbers in it.

    Args:
        path: the file, ``.html``.
        dumps: folders that dumps were written to, one a frame; or folders of such folders.
        before: dumps of an earlier state of the graph, to be shown beside the others; paired by frame. Where both
            are of a single frame, these two are a pair.
        compared: how the two states differ, where that is known already; else they are compared with the usual
            tolerance.
        title: of the page; what the graph says about itself when empty.
        most_bytes: size that the file should not exceed. What does not fit as it is becomes coarser
            (`stackcomp.review.proof_page.ladder`), and the page says so.
        replace_foreign: whether a file that this program did not write may be replaced.
        warn: called with what could not be shown as it should.

    Returns:
        The path.

    Raises:
        RequestError: no dump, no page, or a file that must stay; nothing was written.
        FileError: the file cannot be written.
    """
    page = file_path(path)
    _check(page, most_bytes, replace_foreign)
    told = warn or (lambda message: None)
    now, then = read_dumps(dumps), read_dumps(before, "before")
    if not now:
        raise RequestError(Problem("dump", "no dump is given", "name the folder of a dump"))
    text = _Page(now, then, compared, title, most_bytes, told).text()
    data = in_page(text.encode("utf-8", errors="replace"), _PAGE)
    if len(data) > most_bytes:
        told(f"the page has {len(data) / 1e6:.3g} MB; {most_bytes / 1e6:.3g} MB were asked for")
    with whole_file(page) as unfinished:
        unfinished.write_bytes(data)
    return page


def _check(page: Path, most_bytes: int, replace_foreign: bool) -> None:
    if page.suffix.lower() not in (".html", ".htm"):
        raise RequestError(Problem("page", f'"{page}" does not end in .html', "give it that ending"))
    if most_bytes <= 0:
        raise RequestError(Problem("page", f"most_bytes is {most_bytes}, which is not above 0", "leave it out"))
    problems = refusals(
        [Writing(page, _PAGE)], [], replace_foreign=replace_foreign, allow="--replace-foreign lets it be replaced"
    )
    if problems:
        raise RequestError(problems)


@dataclass(frozen=True)
class _Entry:
    """A node in one dump."""

    step: int
    side: int
    number: int
    dump: Dump
    data: Mapping[str, Any]

    @property
    def exr(self) -> Path | None:
        """Its picture, if the dump has one."""
        name = self._file("exr")
        return None if name is None else self.dump.folder / name

    @property
    def png(self) -> Path | None:
        """Its picture to look at, if the dump has one."""
        name = self._file("png")
        return None if name is None else self.dump.folder / name

    def _file(self, which: str) -> str | None:
        files = self.data.get("files")
        name = files.get(which) if isinstance(files, dict) else None
        # A report may be edited by hand; what lies elsewhere is not part of the dump.
        return name if isinstance(name, str) and Path(name).name == name else None


class _Page:
    def __init__(
        self,
        now: list[Dump],
        then: list[Dump],
        compared: DumpComparison | None,
        title: str,
        most: int,
        warn: Warn,
    ) -> None:
        self.compared, self.title, self.most, self.warn = compared, title, most, warn
        self.steps = _paired(now, then)
        self.sides = ("before", "after") if then else ("now",)
        reports = [dump.report for step in self.steps for dump in reversed(step) if dump is not None]
        self.names = data_order(*reports)
        self.number = {name: number for number, name in enumerate(self.names)}
        self.store = Store()
        self.entries = [
            _Entry(step, side, self.number[name], dump, data)
            for step, pair in enumerate(self.steps)
            for side, dump in enumerate(pair)
            if dump is not None
            for name, data in dump.entries.items()
        ]

    def text(self) -> str:
        """The page."""
        thumbs = self._thumbs()
        final = self._final()
        pictured = [entry for entry in self.entries if entry.exr is not None]
        files = [
            PictureFile(
                entry.exr or Path(),
                entry.data.get("type") or {},
                tuple(entry.data.get("id_channels") or ()),
                (entry.step, entry.side, entry.number) in final,
                entry.number,
            )
            for entry in pictured
        ]
        found = measured(files)
        tables = self._tables(found)
        kinds = self.store.add_json(self._kinds())
        compared = self._compared()
        # What is still to come: readings of every node, the drawing, and the page itself.
        rest = 420_000 + 1600 * len(self.names) + sum(2500 + 1500 * len(one.channels) for one in found)
        units = pack_all(files, found, self.store, self.most - self.store.size - rest)
        by_place = {(e.step, e.side, e.number): one for e, one in zip(pictured, found, strict=True)}
        cells: list[list[list[Any]]] = [[[None] * len(self.names) for _ in self.sides] for _ in self.steps]
        for entry in self.entries:
            key = (entry.step, entry.side, entry.number)
            one = by_place.get(key)
            if one is not None and one.failure:
                self.warn(f'node "{self.names[entry.number]}": {one.failure}')
            cells[entry.step][entry.side][entry.number] = {
                **self._brief(entry, one, units),
                "thumb": thumbs.get(key),
                "detail": self.store.add_json(self._detail(entry, one, units)),
            }
        head = {
            "title": self._title(),
            "program": marks.program(),
            "sides": self.sides,
            "steps": [self._step(pair) for pair in self.steps],
            "nodes": self.names,
            "cells": cells,
            "tables": tables,
            "kinds": kinds,
            "objects": self._objects(),
            "compared": compared,
        }
        return as_html(head, self._inputs(), self._input_types(), self.store)

    # -- what the page says -------------------------------------------------------------------------------------

    def _title(self) -> str:
        if self.title:
            return self.title
        reports = [dump.report for step in self.steps for dump in reversed(step) if dump is not None]
        graph = str(reports[0].get("graph") or "")
        return str(reports[0].get("about") or "") or Path(graph).stem or "Graph"

    def _step(self, pair: Sequence[Dump | None]) -> dict[str, Any]:
        numbers = list(dict.fromkeys(str(dump.frame) for dump in pair if dump is not None))
        kept = ("graph", "about", "graph_hash", "frame", "scale", "viewing_stops", "working_space", "complete")
        return {
            "label": " / ".join(numbers),
            "dumps": [
                None
                if dump is None
                else {
                    **{name: dump.report.get(name) for name in kept},
                    "program": dump.report.get("program", ""),
                    "failed": dump.report.get("failed"),
                    "warnings": _warnings_of(dump.report),
                }
                for dump in pair
            ],
        }

    def _brief(
        self, entry: _Entry, one: Measured | None, units: Mapping[str, Mapping[str, Any]]
    ) -> dict[str, Any]:
        """What stands in the box."""
        data = entry.data
        state, reason = str(data.get("state", "missing")), ""
        failed = entry.dump.report.get("failed")
        if state == "failed" and isinstance(failed, dict):
            reason = str(failed.get("reason", ""))
        elif state != "done":
            reason = _why_missing(failed)
        elif one is None:
            state, reason = "missing", "its picture is not in the dump"
        elif one.failure:
            state, reason = "missing", one.failure
        rungs = [units[key] for key in (one.keys.values() if one else ()) if key in units]
        coarsest = max(
            rungs, key=lambda unit: (("exact", "half", "grid").index(unit["rung"]), unit["step"]), default=None
        )
        return {
            "state": state,
            "reason": reason,
            "kind": str(data.get("kind", "")),
            "about": str(data.get("about") or ""),
            "type": _words(data),
            "seconds": data.get("seconds"),
            "compiled": bool(data.get("compiled")),
            "warnings": [str(warning) for warning in data.get("warnings") or ()],
            "rung": None if coarsest is None else coarsest["rung"],
            "step": 1 if coarsest is None else coarsest["step"],
        }

    def _detail(
        self, entry: _Entry, one: Measured | None, units: Mapping[str, Mapping[str, Any]]
    ) -> dict[str, Any]:
        data = entry.data
        detail = {
            "inputs": data.get("inputs") or {},
            "input_types": data.get("input_types") or {},
            "parameters": data.get("parameters") or {},
            "type": (data.get("type") or {}).get("text", ""),
            "scale": entry.dump.report.get("scale", 1.0),
        }
        if one is None or one.failure:
            return detail
        empty = _is_empty(data)
        layers = []
        for layer in one.layers:
            layers.append(
                {
                    "name": layer.name,
                    "view": layer.view,
                    "channels": layer.channels,
                    "alpha": layer.alpha,
                    "table": self._table_of(entry, layer.view, layer.encoding),
                    "encoding": (layer.encoding or {}).get("name", ""),
                    "family": (layer.encoding or {}).get("family", ""),
                    "units": [
                        dict(units[one.keys[names]], channels=names)
                        for names in layer.units
                        if one.keys[names] in units
                    ],
                    "scales": one.scales.get(layer.name, {}),
                    "unit": _UNITS.get(str((data.get("type") or {}).get("name")), ""),
                    "objects": [] if empty else one.objects.get(layer.name, []),
                }
            )
        outside = 1.0 if (data.get("type") or {}).get("name") == "ratio" else 0.0
        return {
            **detail,
            "window": (*one.window[:2], 0, 0) if empty else one.window,
            "frame": one.frame,
            "outside": outside,
            "layers": layers,
            "channels": {} if empty else one.channels,
        }

    def _kinds(self) -> dict[str, Any]:
        """What there is to say about the kinds of this graph that this version has."""
        used = {str(entry.data.get("kind", "")) for entry in self.entries}
        found = {}
        for name in sorted(used):
            if name in KINDS:
                text = describe(KINDS[name]).as_dict()
                found[name] = {
                    k: text[k] for k in ("summary", "text", "works_on", "ports", "parameters", "source")
                }
        return found

    def _objects(self) -> dict[str, str]:
        """Names of objects by id, as eight hexadecimal digits."""
        names: dict[str, str] = {}
        for entry in self.entries:
            manifest = entry.data.get("manifest") or {}
            if not isinstance(manifest, dict):
                continue
            for name, bits in manifest.items():
                if isinstance(bits, int):
                    names.setdefault(f"{bits & 0xFFFFFFFF:08x}", str(name))
        return names

    # -- the drawing --------------------------------------------------------------------------------------------

    def _latest(self) -> dict[str, list[Mapping[str, Any]]]:
        """A node's entries of the first step, the newer state first."""
        found: dict[str, list[Mapping[str, Any]]] = {name: [] for name in self.names}
        for entry in sorted(self.entries, key=lambda e: (e.step, -e.side)):
            found[self.names[entry.number]].append(entry.data)
        return found

    def _inputs(self) -> dict[str, dict[str, str]]:
        """Node → port → source. The newer state counts."""
        latest = self._latest()
        return {
            name: {str(p): str(s) for p, s in (entries[0].get("inputs") or {}).items()} if entries else {}
            for name, entries in latest.items()
        }

    def _input_types(self) -> dict[str, dict[str, str]]:
        latest = self._latest()
        return {
            name: {str(p): str(t) for p, t in (entries[0].get("input_types") or {}).items()} if entries else {}
            for name, entries in latest.items()
        }

    def _final(self) -> set[tuple[int, int, int]]:
        """Pictures that nobody takes, and those that deliver nodes take."""
        final = set()
        for step, pair in enumerate(self.steps):
            for side, dump in enumerate(pair):
                if dump is None:
                    continue
                taken = {s for data in dump.entries.values() for s in (data.get("inputs") or {}).values()}
                for name, data in dump.entries.items():
                    if name not in taken:
                        final.add((step, side, self.number[name]))
                    if data.get("kind") == "deliver":
                        final |= {
                            (step, side, self.number[s])
                            for s in (data.get("inputs") or {}).values()
                            if s in self.number
                        }
        return final

    # -- pictures -----------------------------------------------------------------------------------------------

    def _thumbs(self) -> dict[tuple[int, int, int], int]:
        pictured = [entry for entry in self.entries if entry.png is not None]
        most = min(_ONE_THUMB, int(self.most * _THUMBS * 0.75 / max(1, len(pictured))))
        made = {}
        for entry in pictured:
            data = thumbnail(entry.png or Path(), *_THUMB, most)
            if data is not None:
                made[(entry.step, entry.side, entry.number)] = self.store.add(data)
        return made

    def _table_of(self, entry: _Entry, view: str, encoding: Mapping[str, str] | None) -> str:
        if view != "colour":
            return ""
        told = encoding or _LINEAR
        return f"{entry.dump.colour_config}\n{told.get('name', '')}\n{told.get('family', '')}"

    def _tables(self, found: Sequence[Measured]) -> dict[str, Any]:
        """Views of all encodings that occur."""
        pictured = [entry for entry in self.entries if entry.exr is not None]
        asked = {
            self._table_of(entry, layer.view, layer.encoding): (
                entry.dump.colour_config,
                layer.encoding or _LINEAR,
            )
            for entry, one in zip(pictured, found, strict=True)
            for layer in one.layers
            if layer.view == "colour"
        }
        return {key: self._table(config, told) for key, (config, told) in asked.items()}

    def _table(self, config: str, told: Mapping[str, str]) -> dict[str, Any] | None:
        try:
            encoding = Encoding(str(told.get("name", "")), told.get("family", "data"))  # type: ignore[arg-type]
            table = view_table(encoding, config)
        except StackcompError as error:
            self.warn(f"colour is shown by its numbers: {error}")
            return None
        if table is None:
            return None
        steps = np.diff(table.cube.astype(np.int32), axis=2, prepend=0).astype("<u2")
        return {
            "cube": self.store.add(deflated(steps.tobytes())),
            "size": SIZE,
            "offset": table.offset,
            "top": table.top,
            "curve": None if table.curve is None else self.store.add(deflated(table.curve.tobytes())),
            "range": table.curve_range,
            "matrix": table.matrix,
        }

    # -- two states ---------------------------------------------------------------------------------------------

    def _compared(self) -> list[dict[str, Any]] | None:
        if len(self.sides) == 1:
            return None
        return [self._compared_step(pair) for pair in self.steps]

    def _compared_step(self, pair: Sequence[Dump | None]) -> dict[str, Any]:
        first, second = pair
        if first is None or second is None:
            return {"first": None, "nodes": {}}
        known = self.compared or compare_dumps(first.folder, second.folder)
        nodes: dict[str, Any] = {}
        differs: list[int] = []
        for node in known.nodes:
            if node.frame != second.frame:
                continue
            number = self.number[node.node]
            if not node.equal:
                differs.append(number)
            nodes[str(number)] = {
                "equal": node.equal,
                "state": node.state,
                "reason": node.reason,
                "changes": [[name, a, b] for name, (a, b) in node.changes.items()],
                "differences": [str(text) for text in (node.picture.differences if node.picture else ())],
            }
        return {"first": differs[0] if differs else None, "nodes": nodes}


def _paired(now: list[Dump], then: list[Dump]) -> list[tuple[Dump | None, ...]]:
    """Dumps of one frame: before and after; a single one where there is no earlier state."""
    if not then:
        return [(dump,) for dump in now]
    if len(now) == len(then) == 1:
        return [(then[0], now[0])]
    old, new = ({dump.frame: dump for dump in dumps} for dumps in (then, now))
    return [(old.get(frame), new.get(frame)) for frame in sorted({*old, *new})]


def _words(data: Mapping[str, Any]) -> str:
    type_ = data.get("type")
    return str(type_.get("text", "")) if isinstance(type_, dict) else ""


def _is_empty(data: Mapping[str, Any]) -> bool:
    """Whether a picture has no pixels; its file has one all the same, since OpenEXR has no empty windows."""
    window = data.get("data_window") or {}
    return 0 in (window.get("width"), window.get("height"))


def _why_missing(failed: Any) -> str:
    if isinstance(failed, dict) and failed.get("node"):
        return f'not computed, because "{failed["node"]}" failed before'
    return "not computed"


def _warnings_of(report: Mapping[str, Any]) -> list[str]:
    """Warnings of the check that are about no node; those about a node stand at it."""
    found = []
    for warning in report.get("warnings") or ():
        if isinstance(warning, dict) and not warning.get("node"):
            found.append(" — ".join(str(warning[k]) for k in ("message", "way_out") if warning.get(k)))
    return found
