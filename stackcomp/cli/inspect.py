"""``stackcomp inspect``: what an experienced eye would look for in pictures, measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.endings import DONE, FAILED, announce, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig
from stackcomp.cli.options import AsJson, Debug, Frames, ReplaceForeign, Root, Sets, VariableFiles
from stackcomp.errors import FileError, Problem, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stackcomp.cli.progress import Reporter
    from stackcomp.composition import Composition
    from stackcomp.inspection.material import Pictures
    from stackcomp.inspection.report import Summary
    from stackcomp.inspection.runner import Inspection
    from stackcomp.inspection.setting import Setting

__all__ = ["inspect"]

_STYLES = {"fault": "red", "doubt": "yellow", "note": "dim"}


@guarded
def inspect(
    files: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="FILES|GRAPH",
            help="Pictures, sequences with {frame:04d}, folders; or one graph, a JSON file.",
            show_default=False,
        ),
    ] = None,
    frames: Frames = None,
    checks: Annotated[
        str | None,
        typer.Option(metavar="NAMES", help="Only these checks, with commas between.", show_default=False),
    ] = None,
    without: Annotated[
        str | None, typer.Option(metavar="NAMES", help="All checks but these.", show_default=False)
    ] = None,
    thresholds: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="JSON file with limits; what it leaves out stays as it is.", show_default=False
        ),
    ] = None,
    show_thresholds: Annotated[
        bool,
        typer.Option("--show-thresholds", help="Print all limits with their reasons, in the form of that file."),
    ] = False,
    list_checks: Annotated[
        bool, typer.Option("--list", help="List the checks: what each looks for, and the usual cure.")
    ] = False,
    notes: Annotated[bool, typer.Option("--notes/--no-notes", help="Also print what is only counted.")] = True,
    encoding: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Colour space of the files, if the header does not name it.", show_default=False
        ),
    ] = None,
    frame_rate: Annotated[
        str | None,
        typer.Option(
            metavar="RATE",
            help="Frames a second, as 24 or 24000/1001; if left out, that of the graph or of the files.",
            show_default=False,
        ),
    ] = None,
    picture: Annotated[
        str | None,
        typer.Option(metavar="DIR", help="Folder for pictures (PNG) with the places marked.", show_default=False),
    ] = None,
    replace_foreign: ReplaceForeign = False,
    sets: Sets = None,
    variables: VariableFiles = None,
    root: Root = ".",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Look for what is wrong with pictures and sequences, by measuring.

    Of a graph it looks at the files that are read, CG against plate at each over node, and the pictures that are
    delivered; each frame is rendered once, and nothing is delivered. Without --frames it looks at all frames of
    the graph, or all that are there. Findings of one sort over many frames are one line.

    Exit codes: 0 nothing above a note; 1 faults or doubts; 2 the request or the graph is wrong.
    """  # fmt: skip
    from stackcomp.inspection.setting import Setting, chosen_checks
    from stackcomp.inspection.thresholds import Thresholds, described, read_thresholds

    named = _names("--checks", checks)
    limits = Thresholds() if thresholds is None else read_thresholds(thresholds)
    chosen = chosen_checks(named, _names("--without", without) or ())
    if show_thresholds:
        print_json(described(limits), indent=2)
        return DONE
    setting = Setting(chosen, limits, _rate(frame_rate), colour_config)
    if list_checks:
        _list(setting, as_json=as_json)
        return DONE
    if not files:
        message = "no file and no graph is named"
        raise RequestError(Problem("request", message, "name pictures, a sequence, a folder or a graph"))
    if encoding is not None:
        from stackcomp.files import colour

        colour.encoding(encoding, colour_config)
    asked = _Asked(setting, named is not None, picture, replace_foreign, root, notes, as_json)
    if any(name.lower().endswith(".json") for name in files):
        if len(files) > 1:
            raise RequestError(
                Problem("request", "a graph is inspected alone", "name one graph, or pictures, not both")
            )
        if encoding is not None:
            raise RequestError(
                Problem("request", "--encoding belongs to files", 'in a graph, say "encoding" at its read nodes')
            )
        return _graph(files[0], frames, sets, variables, asked)
    if sets or variables:
        raise RequestError(
            Problem("request", "--set and --variables belong to a graph", "leave them out, or name a graph")
        )
    return _files(files, frames, encoding, asked)


@dataclass(frozen=True)
class _Asked:
    """What is asked of files and of graphs alike."""

    setting: Setting
    by_name: bool
    picture: str | None
    replace_foreign: bool
    root: str
    notes: bool
    as_json: bool

    def check_kinds(self, sequences: bool, pairs: bool) -> None:
        """Refuse checks that were named and have nothing to look at; so no one takes silence for a pass.

        Args:
            sequences: whether there is a sequence.
            pairs: whether there is an over node.
        """
        lacking = {} if sequences else {"sequence": "a sequence, and there are stills only"}
        if not pairs:
            lacking["pair"] = "CG against plate, and no over node is there"
        problems = [
            Problem(
                "check-useless",
                f"--checks: {check.name} looks at {lacking[check.looks_at]}",
                "name a graph with an over node, or leave it out"
                if check.looks_at == "pair"
                else "name a path with {frame:04d}, a folder or several frames, or leave it out",
            )
            for check in self.setting.checks
            if self.by_name and check.looks_at in lacking
        ]
        if problems:
            raise RequestError(problems)

    def reporter(self) -> Reporter:
        """Progress on a terminal; nothing beside the one JSON value for a program."""
        from stackcomp.cli.progress import Reporter, reporter

        return Reporter() if self.as_json else reporter(as_json=False, lines=False)


def _names(option: str, text: str | None) -> list[str] | None:
    if text is None:
        return None
    names = [name.strip() for name in text.split(",") if name.strip()]
    if not names:
        raise RequestError(Problem("request", f"{option}: no check is named", "as in nonfinite,negative"))
    return names


def _rate(text: str | None) -> float | None:
    from stackcomp.data.frame_rate import parse_frame_rate
    from stackcomp.errors import BadValueError

    try:
        return None if text is None else float(parse_frame_rate(text))
    except BadValueError as error:
        raise RequestError(Problem("frame-rate", f"--frame-rate: {error.message}", error.way_out)) from None


def _list(setting: Setting, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "checks": [
                    {
                        "name": check.name,
                        "looks_at": check.looks_at,
                        "summary": check.summary,
                        "cure": check.cure,
                        "source": check.source,
                    }
                    for check in setting.checks
                ]
            }
        )
        return
    from stackcomp.cli.tables import table

    titles = {"picture": "One picture", "pair": "CG against plate", "sequence": "A sequence"}
    for kind, title in titles.items():
        rows: list[tuple[str, ...]] = [
            (check.name, check.summary) for check in setting.checks if check.looks_at == kind
        ]
        if rows:
            say(title, style="bold")
            table(rows, 1)
            say("")


def _files(files: list[str], frames: str | None, encoding: str | None, asked: _Asked) -> int:
    from stackcomp.cli.measure_files import ready_to_read
    from stackcomp.cli.request import folder_of, frames_of
    from stackcomp.inspection.marking import keep_originals
    from stackcomp.inspection.material import pictures_of
    from stackcomp.inspection.runner import inspect_files

    ready_to_read(asked.root)
    pictures = pictures_of(files, frames=frames_of(frames), root=asked.root, encoding=encoding)
    sequences = any(each.frames is not None for each in pictures)
    if frames is not None and not sequences:
        message = "--frames belongs to sequences, and there are stills only"
        way_out = "leave it out, or name a path with {frame:04d}, a folder or several frames"
        raise RequestError(Problem("request", message, way_out))
    asked.check_kinds(sequences, pairs=False)
    if asked.picture is not None:
        keep_originals(folder_of("--picture", asked.picture), pictures, replace_foreign=asked.replace_foreign)
    with asked.reporter() as report:
        report.begin("inspect", sum(len(each.numbers) for each in pictures))
        inspection = inspect_files(pictures, asked.setting, step=report.step)
    return _answer(inspection, pictures, None, (), asked, report.seconds)


def _graph(
    graph: str, frames: str | None, sets: list[str] | None, variables: list[str] | None, asked: _Asked
) -> int:
    from stackcomp.cli.rendering import announced_compiling
    from stackcomp.cli.request import folder_of, frames_of, open_graph
    from stackcomp.inspection.graph_pictures import delivered, files_read, pairs
    from stackcomp.inspection.graph_runner import inspect_graph
    from stackcomp.inspection.marking import keep_originals

    request = open_graph(graph, asked.root, variables, sets)
    composition = request.composition
    wanted = frames_of(frames)
    numbers = sorted(composition.frames if wanted is None else wanted)
    if not numbers:
        raise RequestError(Problem("frames", "the graph has no frames", "give --frames, as 1001-1008"))
    pictures = files_read(composition, numbers)
    if not pictures and not delivered(composition):
        message = "the graph has no node that gives a picture"
        raise RequestError(Problem("request", message, "name a graph that reads or delivers something"))
    asked.check_kinds(sequences=True, pairs=bool(pairs(composition)))
    if asked.picture is not None:
        folder = folder_of("--picture", asked.picture)
        keep_originals(folder, pictures, composition, numbers, replace_foreign=asked.replace_foreign)
    with asked.reporter() as report, announced_compiling(report):
        for problem in request.warnings:
            report.warn(str(problem))
        report.begin("inspect", sum(len(each.numbers) for each in pictures) + len(numbers))
        inspection = inspect_graph(composition, numbers, asked.setting, step=report.step)
    return _answer(inspection, pictures, composition, numbers, asked, report.seconds)


def _answer(
    inspection: Inspection,
    pictures: list[Pictures],
    composition: Composition | None,
    frames: Sequence[int],
    asked: _Asked,
    seconds: float,
) -> int:
    from pathlib import Path

    from stackcomp.inspection.marking import mark_pictures
    from stackcomp.inspection.report import as_dict, counted, summaries

    found = summaries(inspection.findings)
    written: list[str] = []
    failure: FileError | None = None
    if asked.picture is not None:
        try:
            for marked in mark_pictures(Path(asked.picture), found, pictures, asked.setting, composition, frames):
                written.append(str(marked))
        except FileError as error:
            # What was found is told all the same.
            failure = error
    code = DONE if inspection.clean and failure is None else FAILED
    if asked.as_json:
        record = as_dict(inspection, [check.name for check in asked.setting.checks])
        print_json(
            {"ok": code == DONE, "exit_code": code, **record, "marked": written, "seconds": round(seconds, 3)}
        )
        if failure is not None:
            announce(str(failure), style="red")
        return code
    _print(found, notes=asked.notes)
    say(f"{counted(inspection, found)}, {seconds:.1f} s", style="bold")
    for path in written:
        say(f"picture: {path}")
    if failure is not None:
        announce(str(failure), style="red")
    elif asked.picture is not None and not written:
        announce("no place to mark was found, so no picture was written")
    return code


def _print(found: list[Summary], *, notes: bool) -> None:
    for summary in found:
        if summary.level == "note" and not notes:
            continue
        say(summary.title, style=_STYLES[summary.level])
        if summary.worst.cure and summary.level != "note":
            say(f"  {summary.worst.cure}")
