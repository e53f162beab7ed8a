"""``stackcomp dump``: every node at one frame or several, to look into, and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.endings import (
    DONE,
    FAILED,
    HOW_TO_REPORT,
    announce,
    guarded,
    print_json,
    say,
    show_traceback,
)
from stackcomp.cli.options import (
    AsJson,
    Debug,
    GraphFile,
    NodeNames,
    ReplaceForeign,
    Root,
    Scale,
    Sets,
    VariableFiles,
    ViewingStops,
)
from stackcomp.cli.page_size import PageSize, bytes_of_page
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.review.dump import DumpReport

__all__ = ["dump"]


@guarded
def dump(
    graph: GraphFile,
    to: Annotated[str, typer.Option(metavar="DIR", help="Folder for the files.", show_default=False)],
    frame: Annotated[int | None, typer.Option(metavar="N", help="The frame.", show_default=False)] = None,
    frames: Annotated[
        str | None,
        typer.Option(
            metavar="RANGE", help="Several frames, as 1001-1008 or 1001,1005: each gets a folder in --to."
        ),
    ] = None,
    page: Annotated[
        bool, typer.Option("--page", help="Also write page.html: every node to look at and to probe.")
    ] = False,
    page_size: PageSize = None,
    nodes: NodeNames = None,
    scale: Scale = "1",
    viewing_stops: ViewingStops = 0.0,
    sets: Sets = None,
    variables: VariableFiles = None,
    root: Root = ".",
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Write every node at one frame or several, to look into.

    Each as OpenEXR and as a PNG to look at; nodes.json holds the figures. Each is computed separately, so that
    its time can be measured. If a node fails, the dump holds the nodes before it, and nodes.json says why. An
    older dump in the folder is replaced; nothing else in it is touched. --page writes one HTML file that shows the
    graph with all its pictures, and needs nothing else. With --json the contents of nodes.json are printed, and
    the folder; with --frames, those of all frames.
    """
    from stackcomp.check.originals import Writing
    from stackcomp.cli.progress import reporter
    from stackcomp.cli.rendering import announced_compiling
    from stackcomp.cli.request import folder_of, open_graph, scale_of
    from stackcomp.files.mark import Mark
    from stackcomp.review.dump_frames import dump_frames, folder_of_frame
    from stackcomp.review.pictures import keep_originals

    numbers = _numbers(frame, frames)
    factor, most_bytes = scale_of(scale), bytes_of_page(page_size, page_asked=page)
    folder, path = folder_of("--to", to), Path(to) / "page.html"
    request = open_graph(graph, root, variables, sets)
    composition = request.composition
    request.require_nodes(nodes)
    if page:
        keep_originals(composition, numbers, [Writing(path, Mark("page"))], replace_foreign=replace_foreign)
    with reporter(as_json=as_json, lines=False) as report, announced_compiling(report):
        if not as_json:
            for problem in request.warnings:
                report.warn(str(problem))

        def warn(number: int, node: str, message: str) -> None:
            if not as_json:
                at = f" at frame {number}" if len(numbers) > 1 else ""
                report.warn(f'node "{node}"{at}: {message}')

        steps = len(nodes or composition.nodes) * len(numbers)
        report.begin(f"dump of frame{'s' if len(numbers) > 1 else ''} {_range(numbers)}", steps)
        dumped = dump_frames(
            composition,
            numbers,
            to,
            nodes=nodes,
            scale=factor,
            viewing_stops=viewing_stops,
            replace_foreign=replace_foreign,
            folder_of=(lambda number: folder) if frames is None else (lambda number: folder_of_frame(to, number)),
            warn=warn,
            finished=lambda number, node: report.step(),
        )
        written = None
        if page:
            from stackcomp.review.proof_page import write_page

            report.begin("page", 1)
            written = write_page(
                path,
                dumped.folders,
                most_bytes=most_bytes,
                replace_foreign=replace_foreign,
                warn=None if as_json else report.warn,
            )
    for single in dumped.frames:
        if single.error is not None:
            show_traceback(single.error)
    code = DONE if dumped.complete else FAILED
    if as_json:
        content = dumped.frames[0].data if frames is None else {"frames": [one.data for one in dumped.frames]}
        head = {"folder": str(folder), "ok": dumped.complete, "exit_code": code}
        print_json({**head, **({} if written is None else {"page": str(written)}), **content})
        return code
    _tell(dumped.frames, to, report.seconds)
    if written is not None:
        say(str(written))
    return code


def _numbers(frame: int | None, frames: str | None) -> list[int]:
    """The frames that are asked for."""
    from stackcomp.cli.request import frames_of

    if frame is None and frames is None:
        raise RequestError(
            Problem("frame", "no frame is named", "give --frame N, or --frames RANGE for several frames")
        )
    if frame is not None and frames is not None:
        raise RequestError(Problem("frame", "--frame and --frames cannot both be given", "give one of them"))
    return [frame] if frame is not None else frames_of(frames) or []


def _range(numbers: Sequence[int]) -> str:
    from stackcomp.data.frames import format_frames

    return format_frames(numbers)


def _tell(dumps: Sequence[DumpReport], to: str, seconds: float) -> None:
    """Say what is there, and what failed."""
    from stackcomp.cli.request import count
    from stackcomp.errors import BugError

    for single in dumps:
        if single.failed is None:
            continue
        node, whole = single.failed["node"], _whole(single)
        at = f" at frame {single.data['frame']}" if len(dumps) > 1 else ""
        subject = f'node "{node}"{at}' if node else f"frame {single.data['frame']}"
        announce(f"{subject} failed: {single.failed['reason']}", style="red")
        say(f"{single.folder} holds the {count(whole, 'node')} before it; nodes.json says what is missing")
        if isinstance(single.error, BugError):
            announce(HOW_TO_REPORT)
    if all(single.failed is None for single in dumps):
        frames = f" at {count(len(dumps), 'frame')}" if len(dumps) > 1 else ""
        say(f"{count(_whole(dumps[0]), 'node')}{frames} in {to}, {seconds:.1f} s")


def _whole(single: DumpReport) -> int:
    return sum(entry["state"] == "done" for entry in single.data["nodes"])
