"""`Graph`: a graph file in memory, to build, change and save.

It holds the JSON as written, variables included, so that saving gives back what a person wrote. Typed nodes
are made from it by `Graph.document`.
"""

from __future__ import annotations

import copy
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stackcomp.document.model import Document, build
from stackcomp.document.read_json import parse_json, read_json
from stackcomp.document.upgrade import CURRENT, upgrade
from stackcomp.document.values import Keyed
from stackcomp.errors import DocumentError, Problem, did_you_mean
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.nodes import KINDS

__all__ = ["Graph", "NodeName"]


class NodeName(str):
    """A node's name, as `Graph.add` returns it; give it to the ports of other nodes."""

    __slots__ = ()


class Graph:
    """A graph that can be built in Python and saved as JSON.

    Args:
        working_space: scene-linear colour space of the comp.
        about: what the graph is for.
        frames: frames it is about, such as ``"1001-1008"``.
        variables: values for ``${name}``.
        colour_config: full name of a built-in OCIO config, or the path of one.
    """

    def __init__(
        self,
        *,
        working_space: str = "ACEScg",
        about: str = "",
        frames: str = "",
        variables: Mapping[str, Any] | None = None,
        colour_config: str = DEFAULT_CONFIG,
    ) -> None:
        self.place = ""
        self._raw: dict[str, Any] = {"stackcomp": CURRENT}
        if about:
            self._raw["about"] = about
        self._raw["working_space"] = working_space
        if colour_config != DEFAULT_CONFIG:
            self._raw["colour_config"] = colour_config
        if variables:
            self._raw["variables"] = copy.deepcopy(dict(variables))
        if frames:
            self._raw["frames"] = frames
        self._raw["nodes"] = {}

    @classmethod
    def from_json(cls, text: str, place: str = "") -> Graph:
        """From JSON text of any known version. Raises DocumentError when it is not such a text."""
        return cls._from_raw(parse_json(text, place), place)

    @classmethod
    def open(cls, path: str | Path) -> Graph:
        """From a file of any known version. Raises DocumentError when it cannot be understood."""
        return cls._from_raw(read_json(path), str(path))

    @classmethod
    def _from_raw(cls, raw: dict[str, Any], place: str) -> Graph:
        graph = cls()
        graph.place = place
        try:
            graph._raw = upgrade(raw)
        except DocumentError as error:
            raise DocumentError(_placed(problem, place) for problem in error.problems) from None
        return graph

    @property
    def nodes(self) -> dict[str, Any]:
        """The nodes as written: name → fields. A copy."""
        return copy.deepcopy(self._raw.get("nodes", {}))

    @property
    def variables(self) -> dict[str, Any]:
        """The graph's own variables as written. A copy."""
        return copy.deepcopy(self._raw.get("variables", {}))

    def add(self, kind: str, name: str | None = None, **fields: Any) -> NodeName:
        """Add a node.

        Args:
            kind: word of the kind; `stackcomp.kinds` lists them.
            name: the node's name; the kind with a number when not given.
            fields: its ports (names of nodes) and parameters. For a field that is a Python keyword put an
                underscore behind it: ``as_="colour"``.

        Raises:
            DocumentError: no such kind or field, a name that is taken, a value that does not fit.
        """
        nodes = self._raw["nodes"]
        if name is None:
            name = next(f"{kind}_{k}" for k in range(1, len(nodes) + 2) if f"{kind}_{k}" not in nodes)
        if name in nodes:
            raise DocumentError(Problem("node-name", f'there is a node "{name}" already', "choose another name",
                                        node=name, place=self.place))  # fmt: skip
        if kind not in KINDS:
            raise DocumentError(Problem("kind-unknown", f"there is no kind {kind!r}",
                                        did_you_mean(kind, list(KINDS)), node=name, place=self.place))  # fmt: skip
        plain = {key.removesuffix("_"): _plain(value) for key, value in fields.items() if value is not None}
        node = {"kind": kind, **plain}
        # What holds variables can only be judged once they have values, when the graph is loaded.
        if "${" not in json.dumps(node):
            build({"stackcomp": CURRENT, "nodes": {name: node}}, {}, self.place)
        nodes[name] = node
        return NodeName(name)

    def set(self, node: str, **fields: Any) -> None:
        """Change fields of a node. Raises DocumentError for an unknown node."""
        if node not in self._raw["nodes"]:
            raise DocumentError(Problem("node-unknown", f'there is no node "{node}"',
                                        did_you_mean(node, list(self._raw["nodes"])), place=self.place))  # fmt: skip
        for key, value in fields.items():
            self._raw["nodes"][node][key.removesuffix("_")] = _plain(value)

    def document(self, variables: Mapping[str, Any] | None = None) -> Document:
        """Typed nodes, with variables filled in. Raises DocumentError with every problem found."""
        return build(self._raw, variables or {}, self.place)

    def to_json(self) -> str:
        """The graph as JSON text that people can read and diff."""
        nodes = self._raw.get("nodes", {})
        lines = [f"{_json(name)}: {_json(fields)}" for name, fields in nodes.items()]
        head = {key: value for key, value in self._raw.items() if key != "nodes"}
        parts = [f"  {_json(key)}: {_json(value)}" for key, value in head.items()]
        body = ",\n    ".join(lines)
        parts.append(f'  "nodes": {{\n    {body}\n  }}' if lines else '  "nodes": {}')
        return "{\n" + ",\n".join(parts) + "\n}\n"

    def save(self, path: str | Path) -> None:
        """Write the graph to a file; the old file stays whole until the new one is."""
        path = Path(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, partial = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".partial")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(self.to_json())
            os.replace(partial, path)
        except BaseException:
            Path(partial).unlink(missing_ok=True)
            raise
        self.place = str(path)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, Keyed):
        return value.as_json()
    if isinstance(value, NodeName):
        return str(value)
    if isinstance(value, os.PathLike):
        return os.fspath(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else copy.deepcopy(value)


def _placed(problem: Problem, place: str) -> Problem:
    from dataclasses import replace

    return replace(problem, place=place)
