"""``stackcomp begin``: from a folder of files to a graph that runs."""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root, Sets, VariableFiles

if TYPE_CHECKING:
    from stackcomp.begin.new_graph import Begun

__all__ = ["begin"]


class _Alpha(StrEnum):
    premultiplied = "premultiplied"
    straight = "straight"


class _Shadow(StrEnum):
    ratio = "ratio"
    coverage = "coverage"
    none = "none"


def _option(metavar: str, help: str, *names: str) -> Any:
    return typer.Option(*names, metavar=metavar, help=help, show_default=False)


@guarded
def begin(
    plate: Annotated[
        str | None,
        _option(
            "PATH", "The plate: a sequence with {frame:04d} or %04d, one of its files, its folder, or a still."
        ),
    ] = None,
    cg: Annotated[str | None, _option("PATH", "The CG with its layers, named in the same ways.")] = None,
    clean: Annotated[str | None, _option("PATH", "Clean plate, a still or a sequence.")] = None,
    mattes: Annotated[
        list[str] | None,
        _option(
            "PATH",
            "Coverage of something in front: the plate is put back there, on top of the CG. PATH:CHANNEL where "
            "the file has several. Repeatable.",
            "--matte",
        ),
    ] = None,
    holdouts: Annotated[
        list[str] | None,
        _option(
            "PATH",
            "Coverage of something in front: the CG is cut out there, and what lies behind shows. Repeatable.",
            "--holdout",
        ),
    ] = None,
    to: Annotated[str | None, _option("GRAPH", "The graph file; printed if left out.")] = None,
    like: Annotated[
        str | None, _option("GRAPH", "Fit this graph to the files, and keep everything else in it.")
    ] = None,
    assign: Annotated[
        list[str] | None, _option("NODE=PATH", "With --like: the file of a read node. Repeatable.")
    ] = None,
    shot: Annotated[str | None, _option("NAME", "Add the graph to --sequence, as a shot of this name.")] = None,
    sequence: Annotated[str | None, _option("FILE", "Sequence file; made where it is missing.")] = None,
    frames: Annotated[
        str | None, _option("RANGE", "Frames, as 1001-1008; those that plate and CG share if left out.")
    ] = None,
    cg_shift: Annotated[
        int | None,
        _option(
            "N",
            "Added to the frame number for the CG's files, as -1000 where they begin at 1 and the plate at 1001.",
        ),
    ] = None,
    plate_encoding: Annotated[
        str | None, _option("NAME", "Encoding of the plate, where its header does not say; as ACEScct.")
    ] = None,
    cg_encoding: Annotated[
        str | None, _option("NAME", "Encoding of the CG, where its header does not say; as ACEScg.")
    ] = None,
    clean_encoding: Annotated[
        str | None, _option("NAME", "Encoding of the clean plate; that of the plate if nothing says another.")
    ] = None,
    cg_alpha: Annotated[
        _Alpha | None,
        typer.Option(
            help="State of the CG's alpha; its format and pixels decide if left out.", show_default=False
        ),
    ] = None,
    shadow: Annotated[
        _Shadow | None,
        typer.Option(
            help="What the shadow pass is: a ratio is 1 without shadow, coverage is 0. Its pixels decide "
            "if left out.",
            show_default=False,
        ),
    ] = None,
    beauty_layer: Annotated[str | None, _option("NAME", "Layer of the CG with the picture.")] = None,
    shadow_layer: Annotated[str | None, _option("NAME", "Layer of the CG with the shadow pass.")] = None,
    emission_layer: Annotated[
        str | None, _option("NAME", "Layer of the CG with emitted light, which glows; none for no glow.")
    ] = None,
    working_space: Annotated[str, typer.Option(metavar="NAME", help="Scene-linear space of the comp.")] = "ACEScg",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    out: Annotated[str, typer.Option(metavar="DIR", help="Folder for deliveries, from --root.")] = "out",
    sets: Sets = None,
    variables: VariableFiles = None,
    root: Root = ".",
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Make the usual comp from a plate and CG, as a graph that runs.

    Headers are read, and pixels of three frames where a header does not tell: what the shadow pass is, whether
    alpha is premultiplied. Each decision is said with its reason. What cannot be known ends with exit code 2,
    a question, and the option that answers it. With --like an existing graph is fitted to the files instead: its
    read nodes get them by their role; --set and --variables give its other variables. No file is replaced except
    with --replace-foreign, and what the graph reads never.
    """
    from stackcomp.begin.saving import save_graph, shot_place
    from stackcomp.cli.request import count
    from stackcomp.errors import Problem, RequestError

    folder = _checked_root(root)
    _require_ending("--to", to)
    _require_ending("--sequence", sequence)
    place = shot_place(shot, sequence, folder)
    if like is None:
        _refuse(
            {"--assign": assign, "--set": sets, "--variables": variables},
            "for a graph that --like names, and there is none",
            "give --like GRAPH, or leave it out",
        )
        begun = _begun(to or "", folder, plate, cg, clean, mattes, holdouts, frames, replace_foreign, out,
                       working_space, colour_config,
                       cg_shift=cg_shift or 0, plate_encoding=plate_encoding, cg_encoding=cg_encoding,
                       clean_encoding=clean_encoding, cg_alpha=cg_alpha.value if cg_alpha else None,
                       shadow=shadow.value if shadow else None, beauty_layer=beauty_layer,
                       shadow_layer=shadow_layer, emission_layer=emission_layer)  # fmt: skip
    else:
        _refuse(
            {"--cg-alpha": cg_alpha, "--shadow": shadow, "--beauty-layer": beauty_layer,
             "--shadow-layer": shadow_layer, "--emission-layer": emission_layer, "--out": out != "out",
             "--working-space": working_space != "ACEScg", "--colour-config": colour_config != DEFAULT_CONFIG},
            "with --like the graph itself says that",
            "leave it out, or change the graph",
        )  # fmt: skip
        files = {"plate": plate, "cg": cg, "clean": clean}
        encodings = {"plate": plate_encoding, "cg": cg_encoding, "clean": clean_encoding}
        listed = {role: [path] for role, path in files.items() if path is not None}
        begun = _fitted(like, to or "", folder, {**listed, "matte": mattes or [], "holdout": holdouts or []},
                        assign, encodings, frames, cg_shift, sets, variables, replace_foreign)  # fmt: skip
    reused = to is None and place is not None and like is not None and begun.same_nodes
    if place is not None and to is None and not reused:
        message = "--shot: the sequence names the graph by its file, and no file is given"
        raise RequestError(Problem("request", message, "give --to GRAPH"))
    if to is not None:
        save_graph(begun, Path(to), folder, replace_foreign=replace_foreign)
    if place is not None:
        place.add(begun, Path(to if to is not None else like or ""))
    report, nodes = begun.report, begun.graph.nodes
    if as_json:
        document = json.loads(begun.graph.to_json())
        print_json({"graph": to, "ok": True, "exit_code": DONE, "sequence": sequence, "shot": shot,
                    "frames": list(begun.frames), "document": document, **report.as_dict()})  # fmt: skip
        return DONE
    prints = to is None and not reused
    tell = announce if prints else say
    for line in report.lines():
        tell(line, style="yellow" if line.startswith("warning: ") else None)
    if prints:
        _print_graph(begun.graph.to_json())
    else:
        wrote = f"wrote {to}: " if to is not None else f"{like} as it is: "
        say(f"{wrote}{count(len(nodes), 'node')}, {count(len(begun.frames), 'frame')}")
        if to is not None:
            start = [] if root == "." else ["--root", root]
            say(f"render it: {shlex.join(['stackcomp', 'render', to, *start])}")
    if place is not None:
        tell(f'{sequence} has the shot "{shot}"')
    return DONE


def _print_graph(text: str) -> None:
    """Print a graph in ASCII, as all JSON is printed, with the lines of a graph file."""
    sys.stdout.write("".join(c if c.isascii() else json.dumps(c)[1:-1] for c in text))
    sys.stdout.flush()


def _begun(
    to: str,
    folder: Path,
    plate: str | None,
    cg: str | None,
    clean: str | None,
    mattes: list[str] | None,
    holdouts: list[str] | None,
    frames: str | None,
    replace_foreign: bool,
    out: str,
    working_space: str,
    colour_config: str,
    **answers: Any,
) -> Begun:
    from stackcomp.begin import Wishes
    from stackcomp.begin import begin as make
    from stackcomp.cli.request import frames_of
    from stackcomp.errors import Problem, RequestError

    missing = [option for option, path in (("--plate", plate), ("--cg", cg)) if path is None]
    if missing:
        message = f"stackcomp begin: {' and '.join(missing)} {'are' if len(missing) > 1 else 'is'} missing"
        raise RequestError(Problem("command-line", message, "give the paths of plate and CG"))
    wishes = Wishes(
        plate or "", cg or "", clean, mattes or (), holdouts or (), folder, out, frames_of(frames),
        working_space=working_space, colour_config=colour_config, **answers,
    )  # fmt: skip
    return make(wishes, to, replace_foreign=replace_foreign)


def _fitted(
    like: str,
    to: str,
    folder: Path,
    files: dict[str, list[str]],
    assign: list[str] | None,
    encodings: dict[str, str | None],
    frames: str | None,
    cg_shift: int | None,
    sets: list[str] | None,
    variables: list[str] | None,
    replace_foreign: bool,
) -> Begun:
    from stackcomp.begin.like import Fitting, fit
    from stackcomp.cli.request import frames_of, variables_of
    from stackcomp.errors import Problem, RequestError

    assigned = dict(_assignment(text) for text in assign or ())
    if not assigned and not any(files.values()):
        message = "stackcomp begin: --like fits a graph to files, and none is given"
        raise RequestError(Problem("command-line", message, "give --plate and --cg, or --assign NODE=PATH"))
    said = {role: name for role, name in encodings.items() if name is not None}
    fitting = Fitting(
        like, files, assigned, folder, frames_of(frames), variables_of(variables, sets), said, cg_shift  # type: ignore[arg-type]
    )  # fmt: skip
    begun = fit(fitting, to, replace_foreign=replace_foreign)
    # A file of variables may serve several graphs; what --set gives is meant for this one.
    known = begun.graph.known_variables(fitting.variables)
    unused = [name for name in variables_of((), sets) if name not in known]
    if unused:
        begun.report.notes.append(f"--set: the graph has no use for {', '.join(unused)}")
    return begun


def _assignment(text: str) -> tuple[str, str]:
    from stackcomp.errors import Problem, RequestError

    name, equals, path = text.partition("=")
    if not equals or not name or not path:
        way_out = 'as in --assign "cord=shots/close/cord.{frame:04d}.exr"'
        raise RequestError(Problem("set-form", f'--assign: "{text}" is not NODE=PATH', way_out))
    return name, path


def _checked_root(root: str) -> Path:
    from stackcomp.cli.request import require_path
    from stackcomp.errors import Problem, RequestError

    require_path("--root", root)
    if not Path(root).is_dir():
        way_out = "name the folder at which the graph's relative paths start"
        raise RequestError(Problem("root", f'--root: there is no folder "{root}"', way_out))
    return Path(root)


def _require_ending(option: str, path: str | None) -> None:
    from stackcomp.cli.request import require_path
    from stackcomp.errors import Problem, RequestError

    if path is None:
        return
    require_path(option, path)
    if Path(path).suffix.lower() != ".json":
        raise RequestError(Problem("ending", f'{option}: "{path}" does not end in .json', f"write {path}.json"))


def _refuse(options: Mapping[str, Any], reason: str, way_out: str) -> None:
    """Raise about those options that are given.

    Raises:
        RequestError: some are.
    """
    from stackcomp.errors import Problem, RequestError

    given = [option for option, value in options.items() if value]
    if given:
        raise RequestError(Problem("request", f"{' and '.join(given)}: {reason}", way_out))
