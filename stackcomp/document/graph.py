"""`Graph`: a graph file in memory, to build, change and save.

It holds the JSON as written, variables included, so that saving gives back what a person wrote. Typed nodes
are made from it by `Graph.document`.
"""

from __future__ import annotations

import copy
import json
import os
import stat
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike, VariablesLike
from stackcomp.data.frame_rate import format_frame_rate, parse_frame_rate
from stackcomp.data.frames import parse_frames
from stackcomp.document.given_variables import variables as variables_given
from stackcomp.document.model import Document, build, build_node
from stackcomp.document.plain import plain
from stackcomp.document.upgrade import CURRENT, upgrade
from stackcomp.document.variables import reached
from stackcomp.errors import (
    ArgumentError,
    BadValueError,
    DocumentError,
    GraphError,
    Problem,
    cut,
    did_you_mean,
    kind_of,
    unknown_node,
)
from stackcomp.files.atomic import whole_file
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.read_json import parse_json, read_json
from stackcomp.files.validate import field_names
from stackcomp.nodes.kinds import KINDS

__all__ = ["Graph", "NodeName", "described"]

#: Kinds of node that a representation counts.
_MOST_KINDS = 6


class NodeName(str):
    """A node's name, as `Graph.add` returns it; give it to the ports of other nodes."""

    __slots__ = ()


class Graph:
    """A graph that can be built in Python and saved as JSON.

    Args:
        working_space: scene-linear colour space of the comp.
        about: what the graph is for.
        frames: frames it is about, such as ``"1001-1008"``.
        variables: values for ``${name}``: a mapping, the path of a JSON file that holds one, or a list of these.
        colour_config: full name of a built-in OCIO config, or the path of one.
        frame_rate: frames a second of movies and delivered files, such as 24 or ``"24000/1001"``.

    Raises:
        ArgumentError: an argument that is not a text, or no variables.
        DocumentError: a variable that no graph file can hold.
    """

    def __init__(
        self,
        *,
        working_space: str = "ACEScg",
        about: str = "",
        frames: str = "",
        variables: VariablesLike | None = None,
        colour_config: str = DEFAULT_CONFIG,
        frame_rate: str | float | None = None,
    ) -> None:
        fields = {"working_space": working_space, "about": about, "frames": frames, "colour_config": colour_config}
        for name, value in fields.items():
            arguments.text(value, name)
        self.place = ""
        # Where it came from, whatever the working folder is by now.
        self._file: Path | None = None
        self._raw: dict[str, Any] = {"stackcomp": CURRENT}
        if about:
            self._raw["about"] = about
        self._raw["working_space"] = working_space
        if colour_config != DEFAULT_CONFIG:
            self._raw["colour_config"] = colour_config
        if given := variables_given(variables):
            try:
                self._raw["variables"] = plain(given)
            except BadValueError as error:
                raise DocumentError(Problem("value", f'"variables" {error.message}', error.way_out,
                                            field="variables")) from None  # fmt: skip
        if frames:
            self._raw["frames"] = frames
        if frame_rate is not None:
            try:
                self._raw["frame_rate"] = format_frame_rate(parse_frame_rate(frame_rate))
            except BadValueError as error:
                raise ArgumentError("frame_rate", error.message, error.way_out) from None
        self._raw["nodes"] = {}

    @classmethod
    def from_json(cls, text: str, place: str = "") -> Graph:
        """From JSON text of any known version. Raises DocumentError when it is not such a text."""
        place = arguments.text(place, "place")
        return cls._from_raw(parse_json(arguments.text(text, "text"), place), place)

    @classmethod
    def open(cls, path: PathLike) -> Graph:
        """From a file of any known version. Raises DocumentError when it cannot be understood."""
        path = arguments.file_path(path)
        graph = cls._from_raw(read_json(path), str(path))
        graph._file = path.absolute()
        return graph

    @classmethod
    def _from_raw(cls, raw: dict[str, Any], place: str) -> Graph:
        graph = cls()
        graph.place = place
        try:
            graph._raw = upgrade(raw)
        except DocumentError as error:
            raise DocumentError(replace(problem, place=place) for problem in error.problems) from None
        return graph

    def __repr__(self) -> str:
        nodes, frames = self._raw.get("nodes", {}), self._raw.get("frames", "")
        kinds = (
            [fields.get("kind") if isinstance(fields, dict) else None for fields in nodes.values()]
            if isinstance(nodes, dict)
            else []
        )
        return f"<Graph{described(self.place, kinds, frames)}>"

    def _written(self) -> dict[str, Any]:
        """The nodes as written, themselves."""
        nodes = self._raw.setdefault("nodes", {})
        if not isinstance(nodes, dict):
            raise DocumentError(Problem("nodes", f'"nodes" is {kind_of(nodes)}',
                                        'write "nodes": {"a name": {"kind": …}, …}', field="nodes",
                                        place=self.place))  # fmt: skip
        return nodes

    @property
    def nodes(self) -> dict[str, Any]:
        """The nodes as written: name → fields. A copy. Raises DocumentError when they are no JSON object."""
        return copy.deepcopy(self._written())

    @property
    def variables(self) -> dict[str, Any]:
        """The graph's own variables as written. A copy."""
        variables = self._raw.get("variables", {})
        return copy.deepcopy(variables) if isinstance(variables, dict) else {}

    def known_variables(self, given: Mapping[str, Any] | None = None) -> set[str]:
        """Names of the variables that the graph has or uses, those that ``given`` values use among them."""
        if given is not None and not isinstance(given, Mapping):
            raise ArgumentError("given", f"{cut(repr(given), 60)} is not a mapping", 'give {"name": value}')
        return reached(self._raw, given or {})

    def add(self, kind: str, name: str | None = None, **fields: Any) -> NodeName:
        """Add a node.

        Args:
            kind: word of the kind; `stackcomp.kinds` lists them.
            name: the node's name; the kind with a number when not given.
            fields: its ports (names of nodes) and parameters. For a field that is a Python keyword put an
                underscore behind it: ``as_="colour"``.

        Raises:
            DocumentError: no such kind or field, a name that is taken, a value that does not fit; nothing
                is added then.
        """
        nodes, kind = self._written(), arguments.text(kind, "kind")
        if name is not None:
            name = arguments.node_name(name)
        else:
            name = next(f"{kind}_{k}" for k in range(1, len(nodes) + 2) if f"{kind}_{k}" not in nodes)
        if name in nodes:
            raise DocumentError(Problem("node-name", f'there is a node "{name}" already', "choose another name",
                                        node=name, place=self.place))  # fmt: skip
        changes = {key.removesuffix("_"): value for key, value in fields.items()}
        nodes[str(name)] = self._judged(str(name), {"kind": kind}, changes)
        return NodeName(name)

    def set(self, node: str, **fields: Any) -> None:
        """Change fields of a node; None removes one, so that its default holds again.

        Raises:
            DocumentError: no such node or field, a value that does not fit; the node is then unchanged.
        """
        self.change(node, {key.removesuffix("_"): value for key, value in fields.items()})

    def change(self, node: str, fields: Mapping[str, Any]) -> None:
        """Change fields of a node, by their names as a graph file has them; None removes one.

        Raises:
            DocumentError: as in `set`; also where a field that would be removed does not exist.
        """
        nodes, node = self._written(), arguments.node_name(node)
        if node not in nodes:
            raise DocumentError(unknown_node(node, list(nodes), place=self.place))
        nodes[str(node)] = self._judged(str(node), nodes[node], fields)

    def set_frames(self, frames: str) -> None:
        """Change the frames that the graph is about, such as ``"1001-1008"``; an empty text removes them.

        Raises:
            ArgumentError: not a range of frames; the graph is then unchanged.
        """
        try:
            if arguments.text(frames, "frames"):
                parse_frames(frames)
        except BadValueError as error:
            raise ArgumentError("frames", error.message, error.way_out) from None
        self._raw.pop("frames", None)
        if frames:
            nodes = self._raw.pop("nodes", {})
            self._raw |= {"frames": frames, "nodes": nodes}

    def _judged(self, name: str, old: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
        """A node's fields with changes, once they are known to be right."""
        fields, problems = dict(old), []
        for key, value in changes.items():
            if value is None:
                problems += _no_such_field(name, old, key)
                fields.pop(key, None)
                continue
            try:
                fields[key] = plain(value)
            except BadValueError as error:
                problems.append(Problem("value", f'"{key}" {error.message}', error.way_out, node=name, field=key))
        # What holds variables can only be judged once they have values, when the graph is loaded.
        open_fields = {key for key, value in fields.items() if "${" in json.dumps(value)}
        spoilt = open_fields | {problem.field for problem in problems}
        problems += build_node(name, fields, spoilt)[1]
        if problems:
            raise DocumentError(replace(problem, place=self.place) for problem in problems)
        return fields

    def document(self, variables: VariablesLike | None = None) -> Document:
        """Typed nodes, with variables filled in. Raises DocumentError with every problem found."""
        return build(self._raw, variables_given(variables), self.place)

    def to_json(self) -> str:
        """The graph as JSON text that people can read and diff: a line for each field and each node."""
        head = {key: value for key, value in self._raw.items() if key != "nodes"}
        parts = [f"  {_json(key)}: {_json(value)}" for key, value in head.items()]
        nodes = self._raw.get("nodes", {})
        if isinstance(nodes, dict) and nodes:
            body = ",\n    ".join(f"{_json(name)}: {_json(fields)}" for name, fields in nodes.items())
            parts.append(f'  "nodes": {{\n    {body}\n  }}')
        else:
            parts.append(f'  "nodes": {_json(nodes)}')
        return "{\n" + ",\n".join(parts) + "\n}\n"

    def save(self, path: PathLike, *, replace: bool = False) -> None:
        """Write the graph to a file; the old file stays whole until the new one is.

        Graph files are written by people, so none is replaced but the one that this graph was opened from or
        saved to before, one that holds the same already, and an empty one.

        Args:
            path: the file.
            replace: take the place of any other file too.

        Raises:
            GraphError: another file is there, and ``replace`` is not given.
            FileError: the file cannot be written.
        """
        path, text = arguments.file_path(path), self.to_json()
        if not replace and not self._may_replace(path, text):
            raise GraphError(
                Problem(
                    "replaces-foreign",
                    f"would replace {path}, which this graph was not opened from",
                    "save it under another name; replace=True lets it be replaced",
                )
            )
        with whole_file(path) as unfinished:
            unfinished.write_text(text, encoding="utf-8", newline="\n")
        self.place, self._file = str(path), path.absolute()

    def _may_replace(self, path: Path, text: str) -> bool:
        try:
            state = path.stat()
            if stat.S_ISDIR(state.st_mode) or (stat.S_ISREG(state.st_mode) and state.st_size == 0):
                return True  # A folder is never replaced: writing the file reports that.
            if self._file is not None and self._file.exists() and self._file.samefile(path):
                return True
            return stat.S_ISREG(state.st_mode) and path.read_bytes() == text.encode()
        except OSError:
            # Nothing is there, unless it is a link that leads nowhere, or cannot be looked at.
            return not os.path.lexists(path)


def _no_such_field(node: str, fields: Mapping[str, Any], key: str) -> list[Problem]:
    """The finding that a node's kind has no field of that name; none where it has, or the kind is unknown."""
    kind = KINDS.get(str(fields.get("kind")))
    if kind is None or key in fields or key in (known := field_names(kind)):
        return []
    way_out = did_you_mean(key, known) or f"its fields are {', '.join(known)}"
    message = f'a {kind.kind_name()} node has no field "{key}"'
    return [Problem("field-unknown", message, way_out, node=node, field=key)]


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def described(place: str, kinds: Iterable[Any], frames: Any) -> str:
    """What a graph holds, in a few words: its file, nodes counted by kind, frames."""
    counted = Counter(kind if isinstance(kind, str) else "?" for kind in kinds)
    listed = [f"{count} {cut(kind, 30)}" for kind, count in counted.most_common(_MOST_KINDS)]
    if (more := len(counted) - _MOST_KINDS) > 0:
        listed.append(f"{more} kinds more")
    total = counted.total()
    nodes = f"{total} node{'' if total == 1 else 's'}" + (f" ({', '.join(listed)})" if listed else "")
    frames_text = f", frames {cut(str(frames), 40)}" if frames else ", no frames"
    return f"{' ' + cut(place, 80) if place else ''}: {nodes}{frames_text}"
