"""Sequence files: the shots of a sequence, each with its graph, frames and variables.

    {
      "stackcomp_sequence": 1,
      "graph": "graphs/lantern.json",
      "root": "..",
      "variables": {"out": "out"},
      "shots": {
        "wide": {"frames": "1001-1005", "handles": 8, "variables": ["demo_shot/wide/shot.json"]},
        "close": {"variables": {"shot": "demo_shot/close"}, "set": {"shaded.gamma": 1.5}}
      }
    }

All paths in it, and in its graphs, resolve against ``root``; that against the folder of the sequence file. The
name of a shot is the value of the variable ``shot_name``.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue, field_validator

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike
from stackcomp.data.frames import parse_frames
from stackcomp.document.cut import CutClip, read_cut
from stackcomp.document.deliveries import DELIVERIES, Delivery
from stackcomp.document.plain import plain
from stackcomp.document.shot import Shot
from stackcomp.errors import (
    DocumentError,
    GraphError,
    Problem,
    RequestError,
    did_you_mean,
    kind_of,
    pointer_to,
    shown,
)
from stackcomp.files.atomic import whole_file
from stackcomp.files.paths import nearby
from stackcomp.files.read_json import parse_json, read_json
from stackcomp.files.validate import field_names, validate

__all__ = ["VERSION", "CutFile", "Sequence", "SequenceHead", "ShotFields", "is_sequence"]

VERSION = 1
_LONGEST_NAME = 200
#: Of the name of a folder, on most systems.
_LONGEST_BYTES = 255

Variables = dict[str, JsonValue] | str | list[dict[str, JsonValue] | str]
_VARIABLES = (
    "Values for ${name}: an object, the path of a JSON file that holds one, or a list of these; later ones win."
)
_SET = 'Changed parameters of nodes: "node.parameter": value; null brings back the default.'
_HANDLES = "Frames rendered beyond either end."


def _range(text: str) -> str:
    if text:
        parse_frames(text)
    return text


class ShotFields(BaseModel):
    """A shot as it is written."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    about: Annotated[str, Field(description="What the shot is.")] = ""
    graph: Annotated[str, Field(description="Its graph file; that of the sequence if left out.")] = ""
    frames: Annotated[
        str, Field(description="Its frames, such as 1001-1008; those of the cut or the graph if left out.")
    ] = ""
    handles: Annotated[
        int | None, Field(ge=0, le=10_000, description=f"{_HANDLES} Those of the sequence if left out.")
    ] = None
    variables: Annotated[Variables, Field(description=_VARIABLES)] = Field(default_factory=dict)
    set: Annotated[dict[str, JsonValue], Field(description=_SET)] = Field(default_factory=dict)

    @field_validator("frames")
    @classmethod
    def _frames_parse(cls, text: str) -> str:
        return _range(text)


class CutFile(BaseModel):
    """A cut that shots are read from."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    file: Annotated[str, Field(min_length=1, description="An OpenTimelineIO file.")]
    track: Annotated[str | None, Field(description="Name of a video track; all of them if left out.")] = None


class SequenceHead(BaseModel):
    """Everything in a sequence file beside its shots and deliveries."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)

    stackcomp_sequence: Annotated[Literal[1], Field(description="Format version.")]
    schema_address: Annotated[
        str, Field(alias="$schema", description="Address of the JSON Schema, for editors.")
    ] = ""  # fmt: skip
    about: Annotated[str, Field(description="What the sequence is.")] = ""
    graph: Annotated[str, Field(description="Graph file of shots that name none.")] = ""
    root: Annotated[
        str, Field(description="Folder for all relative paths; it is relative to the folder of this file.")
    ] = "."
    variables: Annotated[Variables, Field(description=f"{_VARIABLES} Those of a shot win over them.")] = Field(
        default_factory=dict
    )
    handles: Annotated[int, Field(ge=0, le=10_000, description=_HANDLES)] = 0
    set: Annotated[dict[str, JsonValue], Field(description=f"{_SET} For all shots.")] = Field(default_factory=dict)
    cut: Annotated[
        str | dict[str, JsonValue] | None,
        Field(description="An OpenTimelineIO file: its clips are shots, with the frames that are cut in."),
    ] = None


def is_sequence(raw: Mapping[str, Any]) -> bool:
    """Whether a JSON object is a sequence, and no graph."""
    return "stackcomp_sequence" in raw


class Sequence:
    """A sequence file in memory.

    Attributes:
        place: the file, or empty.
        head: everything beside shots and deliveries.
        root: folder for relative paths.
        shots: by name, in the order written; those that only the cut has come after them.
        variables: those for all shots.
        deliveries: movies and contact sheets by name.
        warnings: what is doubtful about the cut.
    """

    def __init__(self, raw: Mapping[str, Any], place: str = "") -> None:
        """From a JSON object.

        Raises:
            DocumentError: with every problem found.
        """
        self.place = place
        self._raw = dict(raw)
        problems: list[Problem] = []
        inner = ("shots", "deliveries")
        known = {key: value for key, value in raw.items() if key not in inner}
        head, found = validate(SequenceHead, known, "", "a sequence", [*field_names(SequenceHead), *inner])
        problems += [_of_version(problem, raw) for problem in found]
        if raw.get("stackcomp_sequence") is True:
            problems.append(Problem("version", "the format version is true", 'write "stackcomp_sequence": 1',
                                    field="stackcomp_sequence"))  # fmt: skip
        asked = raw.get("cut")
        if isinstance(asked, Mapping):
            problems += _inner(CutFile, asked, ("cut",), "the cut")[1]
        shots = self._shots(problems)
        self.deliveries = self._deliveries(problems)
        self.warnings: tuple[Problem, ...] = ()
        self.variables: dict[str, Any] = {}
        if head is None or problems:
            raise DocumentError(replace(problem, place=problem.place or place) for problem in problems)
        self.head = head
        self.root = _tidy(Path(place).parent / head.root if place else Path(head.root))
        if not _is(self.root, os.path.isdir):
            message, way_out = f'there is no folder "{self.root}"', "name the folder at which relative paths start"
            raise DocumentError(Problem("root", message, way_out, field="root", place=place))
        self._fields = shots
        self.shots = self._resolved()

    @classmethod
    def open(cls, path: PathLike) -> Sequence:
        """From a file. Raises DocumentError where it cannot be understood."""
        file = arguments.file_path(path)
        return cls(read_json(file, "sequence"), str(file))

    @classmethod
    def from_json(cls, text: str, place: str = "") -> Sequence:
        """From JSON text. Raises DocumentError where it is no sequence."""
        return cls(parse_json(arguments.text(text, "text"), place, "sequence"), place)

    @classmethod
    def new(cls, *, graph: str = "", root: str = ".", about: str = "", place: str = "") -> Sequence:
        """An empty sequence, to add shots to; ``place`` is the file that it will be saved as."""
        fields = {"about": about, "graph": graph, "root": root}
        given = {key: value for key, value in fields.items() if value and (key, value) != ("root", ".")}
        return cls({"stackcomp_sequence": VERSION, **given, "shots": {}}, place)

    def __repr__(self) -> str:
        names = ", ".join(list(self.shots)[:6]) + (" …" if len(self.shots) > 6 else "")
        return f"<Sequence {self.place or 'not saved'}: {len(self.shots)} shots ({names})>"

    def shot(self, name: str) -> Shot:
        """A shot by its name.

        Raises:
            RequestError: there is none of that name.
        """
        if name not in self.shots:
            listed = ", ".join(list(self.shots)[:12]) + (" …" if len(self.shots) > 12 else "")
            raise RequestError(
                Problem("shot-unknown", f'there is no shot "{name}" in {self.place or "the sequence"}',
                        did_you_mean(name, list(self.shots)) or f"its shots are {listed}")
            )  # fmt: skip
        return self.shots[name]

    @property
    def own_variables(self) -> dict[str, Any]:
        """Variables for all shots that stand in the file itself."""
        return {name: self.variables[name] for name in _written(self.head.variables)}

    def add_shot(self, name: str, **fields: Any) -> None:
        """Add a shot; fields as in the file, such as ``frames="1001-1008"``.

        Raises:
            DocumentError: a shot of that name is there, or a field does not fit; nothing is added then.
        """
        shots = self._raw.get("shots", {})
        if name in shots:
            raise DocumentError(
                Problem("shot-name", f'there is a shot "{name}" already', "choose another name",
                        place=self.place, pointer_override=pointer_to(("shots", name)))
            )  # fmt: skip
        kept = {key: plain(value) for key, value in fields.items() if value is not None}
        other = Sequence({**self._raw, "shots": {**shots, name: kept}}, self.place)
        self.__dict__.update(other.__dict__)

    def to_json(self) -> str:
        """As JSON text that people can read and diff: a line for each field, shot and delivery."""
        parts = []
        for key, value in self._raw.items():
            if key in ("shots", "deliveries") and isinstance(value, dict) and value:
                body = ",\n    ".join(f"{_json(name)}: {_json(fields)}" for name, fields in value.items())
                parts.append(f"  {_json(key)}: {{\n    {body}\n  }}")
            else:
                parts.append(f"  {_json(key)}: {_json(value)}")
        return "{\n" + ",\n".join(parts) + "\n}\n"

    def save(self, path: PathLike | None = None, *, replace: bool = False) -> None:
        """Write it to a file: the one that it came from if none is given.

        Raises:
            GraphError: another file is there, and ``replace`` is not given.
            FileError: the file cannot be written.
        """
        target = arguments.file_path(self.place if path is None else path)
        if not replace and not self._may_replace(target):
            message = f"would replace {target}, which this sequence was not opened from"
            way_out = "save it under another name; replace=True lets it be replaced"
            raise GraphError(Problem("replaces-foreign", message, way_out))
        with whole_file(target) as unfinished:
            unfinished.write_text(self.to_json(), encoding="utf-8", newline="\n")
        self.place = str(target)

    def _may_replace(self, target: Path) -> bool:
        try:
            if target.is_dir():
                return True  # A folder is never replaced: writing the file reports that.
            if self.place and Path(self.place).exists() and target.samefile(self.place):
                return True
            return target.read_bytes() == self.to_json().encode()
        except (OSError, ValueError):
            # Nothing is there, unless it is a link that leads nowhere, or cannot be looked at.
            return not os.path.lexists(target)

    # -- what is written ---------------------------------------------------------------------------------------

    def _object(self, key: str, example: str, problems: list[Problem]) -> Mapping[str, Any]:
        listed = self._raw.get(key, {})
        if isinstance(listed, Mapping):
            return listed
        problems.append(Problem("type", f'"{key}" is {kind_of(listed)}', f"write {example}", field=key))
        return {}

    def _shots(self, problems: list[Problem]) -> dict[str, ShotFields]:
        shots: dict[str, ShotFields] = {}
        for name, fields in self._object("shots", '"shots": {"a name": {"frames": …}, …}', problems).items():
            if not _is_name(name):
                message, way_out = f"{shown(name)} is not a name for a shot", _NAMES
                problems.append(Problem("shot-name", message, way_out,
                                        pointer_override=pointer_to(("shots", name))))  # fmt: skip
                continue
            made, found = _inner(ShotFields, fields, ("shots", name), f'shot "{name}"')
            problems += found
            if made is not None:
                shots[name] = made
        return shots

    def _deliveries(self, problems: list[Problem]) -> dict[str, Delivery]:
        deliveries: dict[str, Delivery] = {}
        written = self._object("deliveries", '"deliveries": {"a name": {"kind": …}, …}', problems)
        for name, fields in written.items():
            word = fields.get("kind") if isinstance(fields, Mapping) else None
            model = DELIVERIES.get(word) if isinstance(word, str) else None
            if isinstance(fields, Mapping) and model is None:
                message = f'delivery "{name}": ' + (
                    f"there is no kind {shown(word)}" if "kind" in fields else 'the field "kind" is missing'
                )
                problems.append(
                    Problem("kind-unknown", message, f"choose from {', '.join(map(shown, DELIVERIES))}",
                            pointer_override=pointer_to(("deliveries", name, "kind")))
                )  # fmt: skip
                continue
            made, found = _inner(model or Delivery, fields, ("deliveries", name), f'delivery "{name}"')
            problems += found
            if made is not None:
                deliveries[name] = made
        return deliveries

    # -- what it means -----------------------------------------------------------------------------------------

    def _resolved(self) -> dict[str, Shot]:
        problems: list[Problem] = []
        fields = dict(self._fields)
        clips = self._cut(fields, problems)
        common, common_files = self._variables(self.head.variables, ("variables",), problems)
        if "shot_name" in _written(self.head.variables):
            problems.append(Problem("variable-name", "the variable shot_name is the name of each shot",
                                    "use a variable of another name", field="variables"))  # fmt: skip
        self.variables = common
        shots = {}
        for name, shot in fields.items():
            own, files = self._variables(shot.variables, ("shots", name, "variables"), problems)
            if "shot_name" in _written(shot.variables):
                message = f'shot "{name}": the variable shot_name is the name of the shot, and cannot be given'
                problems.append(Problem("variable-name", message, "use a variable of another name",
                                        pointer_override=pointer_to(("shots", name, "variables"))))  # fmt: skip
            shots[name] = Shot(
                name=name,
                graph=self._graph(name, shot, problems),
                root=self.root,
                frames=_frames(shot, clips.get(name)),
                handles=self.head.handles if shot.handles is None else shot.handles,
                variables={**common, **own, "shot_name": name},
                own=frozenset(_written(shot.variables)),
                variable_files=(*common_files, *files),
                available=None if name not in clips else clips[name].available,
                set={**self.head.set, **shot.set},
                common=frozenset(self.head.set) - frozenset(shot.set),
                place=self.place,
            )
        if problems:
            raise DocumentError(replace(problem, place=problem.place or self.place) for problem in problems)
        return shots

    def _graph(self, name: str, shot: ShotFields, problems: list[Problem]) -> Path:
        written = shot.graph or self.head.graph
        pointer = ("shots", name, "graph") if shot.graph or not self.head.graph else ("graph",)
        path = self.root / written
        if not written:
            message, way_out = (
                f'shot "{name}" has no graph',
                'name one at the shot, or for all shots under "graph"',
            )
        elif not _is(path, os.path.isfile):
            message, way_out = f'shot "{name}": there is no graph {path}', nearby(path)
        else:
            return path
        problem = Problem("graph-missing", message, way_out, pointer_override=pointer_to(pointer))
        if pointer != ("graph",) or not any(other.pointer == problem.pointer for other in problems):
            problems.append(problem)
        return path

    def _variables(
        self, written: Variables, place: tuple[str, ...], problems: list[Problem]
    ) -> tuple[dict[str, Any], tuple[Path, ...]]:
        """Values by name, and the files that they were read from."""
        merged: dict[str, Any] = {}
        files: list[Path] = []
        for part in written if isinstance(written, list) else [written]:
            if isinstance(part, Mapping):
                merged.update(part)
                continue
            path = self.root / part
            if not _is(path, os.path.lexists):
                message = f"there is no file {path}"
                problems.append(Problem("file", message, nearby(path) if _is(path.parent, os.path.isdir) else
                                        "name a JSON file", pointer_override=pointer_to(place)))  # fmt: skip
                continue
            try:
                merged.update(read_json(path, "variables"))
                files.append(path)
            except DocumentError as error:
                problems += [
                    replace(problem, pointer_override=pointer_to(place), place="")
                    if problem.rule == "file"
                    else problem
                    for problem in error.problems
                ]
        return merged, tuple(files)

    def _cut(self, fields: dict[str, ShotFields], problems: list[Problem]) -> dict[str, CutClip]:
        """Clips of the cut by name; those that are no shots yet are added to these."""
        if self.head.cut is None:
            return {}
        cut_file = {"file": self.head.cut} if isinstance(self.head.cut, str) else self.head.cut
        asked = CutFile.model_validate(cut_file)
        try:
            cut = read_cut(self.root / asked.file, track=asked.track)
        except DocumentError as error:
            problems += error.problems
            return {}
        clips = {}
        for clip in cut.clips:
            if not _is_name(clip.name):
                message = f"{shown(clip.name)} is not a name for a shot"
                problems.append(Problem("shot-name", message, _NAMES, place=str(self.root / asked.file)))
                continue
            fields.setdefault(clip.name, ShotFields())
            clips[clip.name] = clip
        self.warnings = tuple(cut.warnings)
        return clips


_NAMES = f"give 1 to {_LONGEST_NAME} characters that can be the name of a folder, without spaces around them"


def _is_name(name: str) -> bool:
    """Whether it can be the name of a shot, of which folders are named."""
    fits = (
        0 < len(name) <= _LONGEST_NAME
        and len(name.encode()) <= _LONGEST_BYTES
        and name.isprintable()
        and name == name.strip()
    )
    return fits and name not in (".", "..") and not set(name) & set('/\\:*?"<>|{}$%')


def _is(path: Path, test: Callable[[Path], bool]) -> bool:
    """Whether a test holds; not for a path that no file can have."""
    try:
        return test(path)
    except (OSError, ValueError):
        return False


def _tidy(folder: Path) -> Path:
    """The folder without ``..``, where that is the same folder; behind a link it may be another."""
    if "\0" in str(folder):
        return folder
    tidy = Path(os.path.normpath(folder))
    return tidy if os.path.realpath(tidy) == os.path.realpath(folder) else folder


def _frames(shot: ShotFields, clip: CutClip | None) -> tuple[int, ...] | None:
    if shot.frames:
        return tuple(parse_frames(shot.frames))
    return None if clip is None else clip.frames


def _written(variables: Variables) -> set[str]:
    """Names of the variables that stand in the file itself."""
    parts = variables if isinstance(variables, list) else [variables]
    return {name for part in parts if isinstance(part, Mapping) for name in part}


def _inner(
    model: type[Any], fields: Any, place: tuple[str, ...], subject: str
) -> tuple[Any | None, list[Problem]]:
    """What is made of an object inside the file; findings name it and have its place."""
    if not isinstance(fields, Mapping):
        message = f"{subject} is {kind_of(fields)}, not an object"
        return None, [Problem("type", message, "write { … }", pointer_override=pointer_to(place))]
    made, problems = validate(model, fields, "", subject, field_names(model))
    problems = [_in_list(problem, fields) for problem in problems]
    return made, [
        replace(
            problem,
            message=problem.message if problem.message.startswith(subject) else f"{subject}: {problem.message}",
            field="",
            pointer_override=pointer_to(place) + problem.pointer,
        )
        for problem in problems
    ]


def _in_list(problem: Problem, fields: Mapping[str, Any]) -> Problem:
    """The finding about variables at the item that is neither a path nor an object."""
    listed = fields.get("variables")
    if problem.field != "variables" or not isinstance(listed, list):
        return problem
    wrong = next((k for k, item in enumerate(listed) if not isinstance(item, str | Mapping)), None)
    if wrong is None:
        return problem
    message = f'item {wrong + 1} of "variables" is {shown(listed[wrong])}'
    return replace(
        problem, message=message, way_out="give a path or an object", pointer_override=f"/variables/{wrong}"
    )


def _of_version(problem: Problem, raw: Mapping[str, Any]) -> Problem:
    if problem.field != "stackcomp_sequence":
        return problem
    version = raw.get("stackcomp_sequence")
    if isinstance(version, int) and not isinstance(version, bool) and version > VERSION:
        message = f"the sequence has format version {version}; this program knows {VERSION}"
        return replace(problem, rule="version", message=message, way_out="update stackcomp")
    way_out = f'write "stackcomp_sequence": {VERSION} at the top of the file'
    return replace(problem, rule="version", way_out=way_out)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
