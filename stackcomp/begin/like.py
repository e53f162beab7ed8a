"""An existing graph fitted to new files: everything but the files, the frames and the shot's variables stays."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from stackcomp.begin.encodings import said_by_header
from stackcomp.begin.frames import shared_frames, shifted
from stackcomp.begin.material import Material, locate
from stackcomp.begin.names import stem_of
from stackcomp.begin.new_graph import Begun, checked
from stackcomp.begin.report import Item, Report
from stackcomp.begin.roles_in_graph import FileRole, roles_of_reads
from stackcomp.begin.samples import listed
from stackcomp.begin.shot_folder import written
from stackcomp.begin.variable_paths import filled, solved, the_same, variables_in
from stackcomp.data.frames import format_frames, parse_frames
from stackcomp.document.graph import Graph
from stackcomp.errors import BadValueError, Problem, RequestError, unknown_node
from stackcomp.files import colour
from stackcomp.files.paths import FramePath, resolve

__all__ = ["Fitting", "fit"]

_WORDS: dict[FileRole, str] = {
    "plate": "as the plate",
    "cg": "as the CG",
    "clean": "as the clean plate",
    "matte": "as a matte",
    "holdout": "as a holdout",
    "other": "as it was assigned",
}
_OPTIONS: tuple[FileRole, ...] = ("plate", "cg", "clean", "matte", "holdout")


@dataclass(frozen=True)
class Fitting:
    """The graph and its new files.

    Attributes:
        graph: path of the graph.
        files: role → paths from the current folder.
        assigned: node → path from the current folder, where roles do not tell.
        root: folder at which the paths of the graph start.
        frames: frames of the result; those that plate and CG share when None.
        variables: values for variables of the graph; they stay as they are.
        encodings: role → encoding that is declared at its read nodes.
        cg_shift: added to the frame number for the CG's files; that of the graph when None.
    """

    graph: str
    files: Mapping[FileRole, Sequence[str]]
    assigned: Mapping[str, str] = field(default_factory=dict)
    root: Path = field(default_factory=lambda: Path("."))
    frames: Sequence[int] | None = None
    variables: Mapping[str, Any] = field(default_factory=dict)
    encodings: Mapping[FileRole, str] = field(default_factory=dict)
    cg_shift: int | None = None


def fit(fitting: Fitting, place: str = "", *, replace_foreign: bool = False) -> Begun:
    """Fit the graph.

    Args:
        fitting: the graph and its new files.
        place: the file that the result will be saved as.
        replace_foreign: deliveries may replace other files too, except what is read.

    Raises:
        DocumentError: the graph cannot be understood, or a variable has no value.
        RequestError: it is not clear which node reads which file; all questions are in it.
        CheckError: the graph does not fit the files.
    """
    graph = Graph.open(fitting.graph)
    raw, report = json.loads(graph.to_json()), Report()
    nodes = graph.nodes
    known = graph.known_variables(fitting.variables)
    given = {name: value for name, value in fitting.variables.items() if name in known}
    variables = {**graph.variables, **given}
    roles = roles_of_reads(nodes)
    reads = {name: str(nodes[name].get("path", "")) for name in roles}
    chosen = _assign(fitting, roles, reads, variables)
    chosen = {name: _as_numbered(name, m, nodes, roles, fitting) for name, m in chosen.items()}
    chosen, frames = _frames(fitting, chosen, roles, raw, variables, report)
    found = solved({n: m.path for n, m in chosen.items()}, reads, variables, set(given))
    variables |= found
    changed = False
    for name, material in chosen.items():
        fields = raw["nodes"][name]
        if not the_same(filled(reads[name], variables), material.path, _ends(material, frames)):
            fields["path"] = _with_variable(material.path, variables, reads[name])
            changed = True
        changed |= _set_shift(fields, material) | _set_encoding(fields, fitting.encodings.get(roles[name]))
        report.taken.append(Item(material.path, f'node "{name}" reads it', _WORDS[roles[name]], (name,)))
        _contradiction(report, name, fields, material, raw)
    if fitting.frames is not None or frames:
        _set_frames(raw, variables, frames)
    if variables:
        raw = {**{k: v for k, v in raw.items() if k != "nodes"}, "variables": variables, "nodes": raw["nodes"]}
    _others(report, fitting, reads, chosen, graph.variables, variables, frames)
    fitted = Graph.from_json(json.dumps(raw), place or fitting.graph)
    report.notes.insert(0, f"the graph has {listed(frames)}")
    report.warnings += checked(fitted, fitting.root, replace_foreign=replace_foreign)
    of_shot = {**given, **found}
    if "frames" in variables_in(str(raw.get("frames", ""))):
        of_shot["frames"] = variables["frames"]
    return Begun(fitted, report, tuple(frames), of_shot, same_nodes=not changed)


# -- which node reads which file ----------------------------------------------------------------------------


def _assign(
    fitting: Fitting, roles: Mapping[str, FileRole], reads: Mapping[str, str], variables: Mapping[str, Any]
) -> dict[str, Material]:
    problems: list[Problem] = []
    chosen: dict[str, Material] = {}
    for name, path in fitting.assigned.items():
        if name not in roles:
            problems.append(unknown_node(name, list(roles), option="--assign"))
            continue
        _located(chosen, problems, name, path, "--assign", fitting.root)
    for role in _OPTIONS:
        left: list[Material] = []
        for text in fitting.files.get(role, ()):
            one: dict[str, Material] = {}
            _located(one, problems, "", text, f"--{role}", fitting.root)
            left += one.values()
        free = [name for name, its in roles.items() if its == role and name not in chosen]
        stems = {name: stem_of(filled(reads[name], _stood_in(reads[name], variables)) or "x") for name in free}
        for material in list(left):
            same = [name for name in free if name not in chosen and stems[name] == stem_of(material.path)]
            if len(same) == 1:
                chosen[same[0]] = material
                left.remove(material)
        free = [name for name in free if name not in chosen]
        if len(left) == 1 and len(free) == 1:
            chosen[free[0]] = left[0]
        else:
            problems += [_which_node(material, role, free, fitting) for material in left]
    if problems:
        raise RequestError(problems)
    return chosen


def _located(
    chosen: dict[str, Material], problems: list[Problem], name: str, text: str, option: str, root: Path
) -> None:
    try:
        chosen[name] = locate(text, option, root)
    except RequestError as error:
        problems += error.problems


def _stood_in(path: str, variables: Mapping[str, Any]) -> dict[str, Any]:
    """Values for the variables of a path, a stand-in for those that have none."""
    return {name: variables.get(name, "x") for name in variables_in(path)}


def _which_node(material: Material, role: FileRole, free: Sequence[str], fitting: Fitting) -> Problem:
    what = f"{material.option}: which node of {fitting.graph} reads {material.path}?"
    if free:
        choices = " or ".join(f'--assign "{name}={material.given}"' for name in free[:6])
        return Problem("input-unclear", f"{what} {len(free)} may", f"give {choices} in place of {material.option}")
    word = {"cg": "CG", "clean": "clean plate"}.get(role, role)
    way_out = f"leave {material.option} out, or name a read node with --assign NODE=PATH"
    return Problem("input-unclear", f"{what} No node that is left reads a {word}", way_out)


def _as_numbered(
    name: str,
    material: Material,
    nodes: Mapping[str, Any],
    roles: Mapping[str, FileRole],
    fitting: Fitting,
) -> Material:
    shift = nodes[name].get("shift", 0)
    if roles[name] == "cg" and fitting.cg_shift is not None:
        shift = fitting.cg_shift
    return shifted(material, shift if isinstance(shift, int) else 0)


# -- frames ------------------------------------------------------------------------------------------------------


def _frames(
    fitting: Fitting,
    chosen: dict[str, Material],
    roles: Mapping[str, FileRole],
    raw: Mapping[str, Any],
    variables: Mapping[str, Any],
    report: Report,
) -> tuple[dict[str, Material], list[int]]:
    """The files as they are read, and the frames of the result."""
    first = {role: next((n for n in chosen if roles[n] == role), None) for role in ("plate", "cg")}
    plate, cg = first["plate"], first["cg"]
    chosen = dict(chosen)
    if plate is not None and cg is not None:
        frames, a, b, notes, problems = shared_frames(chosen[plate], chosen[cg], fitting.frames)
        if problems:
            raise RequestError(problems)
        report.notes += notes
        chosen[plate], chosen[cg] = a, b
        return _stills(chosen, frames), frames
    sequences = [m.shot_frames for m in chosen.values() if m.shot_frames]
    if fitting.frames is not None:
        return _stills(chosen, fitting.frames), list(fitting.frames)
    if (plate or cg) and sequences:
        shared = sorted(set.intersection(*map(set, sequences)))
        if shared:
            return chosen, shared
    text = filled(str(raw.get("frames", "")), variables)
    try:
        frames = parse_frames(text) if text else [1]
    except BadValueError:
        frames = [1]
    return _stills(chosen, frames), frames


def _stills(chosen: Mapping[str, Material], frames: Sequence[int]) -> dict[str, Material]:
    """Files that were named alone, and are no frame of the graph, as stills."""
    result = {}
    for name, material in chosen.items():
        own = material.shot_frames
        alone = material.still and own is not None and not set(own) & set(frames)
        result[name] = material.as_still() if alone else material
    return result


def _ends(material: Material, frames: Sequence[int]) -> tuple[int, ...]:
    return tuple(frame + material.shift for frame in (frames[0], frames[-1])) if frames else (1,)


def _set_frames(raw: dict[str, Any], variables: dict[str, Any], frames: Sequence[int]) -> None:
    text = format_frames(frames)
    names = variables_in(str(raw.get("frames", "")))
    if len(names) == 1 and raw["frames"] == f"${{{names[0]}}}":
        variables[names[0]] = text
    else:
        raw["frames"] = text


# -- nodes -------------------------------------------------------------------------------------------------------


def _with_variable(path: str, variables: Mapping[str, Any], old: str) -> str:
    """A path with the variable that the old one began with, where its value begins the new one."""
    for name in variables_in(old):
        value = variables.get(name)
        if isinstance(value, str) and value and old.startswith(f"${{{name}}}/"):
            plain = value.replace("$${", "${")
            if path.startswith(plain + "/"):
                return f"${{{name}}}" + written(path[len(plain) :])
    return written(path)


def _set_shift(fields: dict[str, Any], material: Material) -> bool:
    before = fields.get("shift", 0)
    fields.pop("shift", None)
    if material.shift:
        fields["shift"] = material.shift
    return bool(before != material.shift)


def _set_encoding(fields: dict[str, Any], encoding: str | None) -> bool:
    if encoding is None or fields.get("encoding") == encoding:
        return False
    fields["encoding"] = encoding
    return True


def _contradiction(
    report: Report, name: str, fields: Mapping[str, Any], material: Material, raw: Mapping[str, Any]
) -> None:
    """A note where the node declares another encoding than the header of the new file."""
    declared, config = fields.get("encoding"), str(raw.get("colour_config", colour.DEFAULT_CONFIG))
    if not isinstance(declared, str) or "${" in declared:
        return
    try:
        said, told = said_by_header(material, config), colour.encoding(declared, config)
    except RequestError:
        return
    if said is not None and said.encoding != told:
        report.notes.append(f'node "{name}" declares {told.name}, but of {material.path} {said.reason}')


def _others(
    report: Report,
    fitting: Fitting,
    reads: Mapping[str, str],
    chosen: Mapping[str, Material],
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    frames: Sequence[int],
) -> None:
    """What the other read nodes read now.

    Raises:
        RequestError: some of them read files of the old shot, or files that are not there.
    """
    problems = []
    old_folders = {os.path.dirname(old) for name in chosen if (old := filled(reads[name], before))}
    for name, path in reads.items():
        if name in chosen or (now := filled(path, after)) is None:
            continue
        follows = now != filled(path, before)
        there = frames and _exists(fitting.root, now, frames)
        if there and (follows or os.path.dirname(now) not in old_folders):
            report.taken.append(Item(now, f'node "{name}" reads it', "which is there already", (name,)))
            continue
        reason = "a file of the old shot" if there else f"which has no file for {listed(frames)}"
        problems.append(
            Problem("input-unclear", f'which file does node "{name}" read? It reads {now}, {reason}',
                    f'give --assign "{name}=PATH", or take the node out of the graph')
        )  # fmt: skip
    if problems:
        raise RequestError([replace(problem, place=fitting.graph) for problem in problems])


def _exists(root: Path, path: str, frames: Sequence[int]) -> bool:
    try:
        pattern = FramePath(path)
    except BadValueError:
        return False
    return os.path.lexists(resolve(root, pattern, frames[0]))
