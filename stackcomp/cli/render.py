"""``stackcomp render``: frames of a graph, into files."""

from __future__ import annotations

from typing import Annotated

import typer

from stackcomp.cli.endings import DONE, FAILED, announce, guarded, print_json, say
from stackcomp.cli.options import (
    AsJson,
    Debug,
    Frames,
    GraphFile,
    NodeNames,
    ReplaceForeign,
    Root,
    Scale,
    Sets,
    VariableFiles,
    ViewingStops,
)

__all__ = ["render"]


@guarded
def render(
    graph: GraphFile,
    frames: Frames = None,
    nodes: NodeNames = None,
    to: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Where pictures of nodes and previews go, as out/x.{frame:04d}.exr, or a folder (ends in /). "
            "The ending says the format: .exr, .png, .jpg or .tif.  [default: out/NAME.{frame:04d}.exr, and "
            "out/preview/NAME.{frame:04d}.exr for previews]",
        ),
    ] = None,
    scale: Scale = "1",
    window: Annotated[
        str | None,
        typer.Option(metavar="X,Y,W,H", help="Only these pixels, as corner and size at full size."),
    ] = None,
    viewing_stops: ViewingStops = 0.0,
    sets: Sets = None,
    variables: VariableFiles = None,
    root: Root = ".",
    replace_foreign: ReplaceForeign = False,
    threads: Annotated[
        int | None, typer.Option(metavar="COUNT", min=1, help="Threads to use; all cores if left out.")
    ] = None,
    overlap: Annotated[
        bool,
        typer.Option(
            "--overlap/--no-overlap",
            help="Read the next frame's files and write the last one's while a frame is computed; it takes more "
            "memory.",
        ),
    ] = True,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Render frames of a graph into files.

    Without --node the deliver nodes write their files, always whole and at full size. With --node NAME only that
    deliver node does; any other node's picture is written to --to, as floating point where it is OpenEXR. With
    --scale or --window the pictures of deliver nodes go to --to too, as previews, and no delivery is written.
    --viewing-stops is the exposure of stills at --to; deliver nodes have viewing_stops of their own.
    Everything is checked before the first frame. A frame that fails does not stop the others. With --json each
    event is one JSON object a line; the last is the summary.
    """
    from stackcomp.cli.progress import reporter
    from stackcomp.cli.rendering import Job, run
    from stackcomp.cli.request import count, frames_of, open_graph, scale_of, window_of
    from stackcomp.data.frames import format_frames

    chosen, region, factor = frames_of(frames), window_of(window), scale_of(scale)
    request = open_graph(graph, root, variables, sets)
    if threads is not None:
        from stackcomp.kernels.strips import set_threads

        set_threads(threads)
    with reporter(as_json=as_json) as report:
        for problem in request.warnings:
            report.warn(str(problem))
        job = Job(chosen, tuple(nodes or ()), to, factor, region, replace_foreign, viewing_stops, overlap)
        outcome = run(request.composition, job, report)
    code = FAILED if outcome.failures else DONE
    if as_json:
        print_json(
            {
                "event": "summary",
                "ok": not outcome.failures,
                "exit_code": code,
                **outcome.as_dict(),
                "seconds": report.seconds,
            }
        )
        return code
    whole = (
        f"{count(len(outcome.done), 'frame')} done, {count(len(outcome.files), 'file')}, {report.seconds:.1f} s"
    )
    if not outcome.failures:
        say(whole)
        return code
    # The reasons were printed when the frames failed.
    failed = format_frames(outcome.failures)
    announce(f"{len(outcome.failures)} of {count(len(outcome.frames), 'frame')} failed: {failed}", style="red")
    say(f"the rest is whole: {whole}" if outcome.files else "nothing else was written")
    return code
