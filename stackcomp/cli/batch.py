"""``stackcomp batch``: all frames of all shots."""

from __future__ import annotations

from typing import Annotated

import typer

from stackcomp.cli.endings import DONE, FAILED, STOPPED, guarded
from stackcomp.cli.options import AsJson, Debug, Frames, ReplaceForeign, Sets, VariableFiles
from stackcomp.cli.page_size import PageSize, bytes_of_page

__all__ = ["batch"]


@guarded
def batch(
    sequence: Annotated[
        str, typer.Argument(metavar="SEQUENCE|GRAPH", help="A sequence file or a graph.", show_default=False)
    ],
    shots: Annotated[
        list[str] | None, typer.Option("--shot", metavar="NAME", help="Only this shot. Repeatable.")
    ] = None,
    frames: Frames = None,
    workers: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=1, max=1024, help="Processes; as many as cores, and as memory allows, if left out."
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="Scheduler of dask.distributed, as tcp://10.0.0.5:8786."),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Render all frames, whatever the ledger says.")] = False,
    keep_going: Annotated[
        bool,
        typer.Option(
            "--keep-going/--stop-at-first", help="Go on after a frame has failed, or begin no further one."
        ),
    ] = True,
    list_states: Annotated[
        bool, typer.Option("--list", help="Show the state of every frame, and render nothing.")
    ] = False,
    checksums: Annotated[
        bool,
        typer.Option("--checksums", help="Compare the contents of all files, not only their size and time."),
    ] = False,
    worker_memory: Annotated[
        float | None,
        typer.Option(
            metavar="GB", min=0.1, help="Memory that a worker may hold; its share of what is free if left out."
        ),
    ] = None,
    page: Annotated[
        str | None,
        typer.Option(
            metavar="FRAMES",
            help="Then dump these frames of each shot, with a page: as 1001,1010, or first, middle, last.",
        ),
    ] = None,
    page_size: PageSize = None,
    sets: Sets = None,
    variables: VariableFiles = None,
    root: Annotated[
        str | None,
        typer.Option(metavar="DIR", help="For a graph: folder at which its relative paths start."),
    ] = None,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Render all frames of all shots, and make their movies and contact sheets.

    Only what is missing, damaged or out of date is rendered. A ledger beside the output (NAME.ledger.sqlite) knows
    what each frame was made from. Ctrl-C finishes the frames in flight; a second Ctrl-C stops at once. Either way
    all files are whole, and the next run goes on. --page adds NAME.pages beside the ledger.
    """
    from stackcomp.batch.run import Options
    from stackcomp.cli.batch_pages import make_pages, page_request
    from stackcomp.cli.batch_report import print_states, print_summary, watching
    from stackcomp.cli.request import frames_of
    from stackcomp.cli.shots import open_batch

    chosen = frames_of(frames)
    most_bytes = bytes_of_page(page_size, page_asked=page is not None)
    opened = open_batch(sequence, root, variables, sets)
    options = Options(
        shots=tuple(shots or ()),
        frames=None if chosen is None else tuple(chosen),
        workers=workers,
        worker_memory=None if worker_memory is None else round(worker_memory * 1e9),
        again=again,
        checksums=checksums,
        keep_going=keep_going,
        replace_foreign=replace_foreign,
        cluster=cluster,
    )
    if list_states:
        print_states(opened.states(options), as_json=as_json)
        return DONE
    pages = None if page is None else page_request(page, opened, options)
    with watching(as_json=as_json) as watch:
        summary = opened.run(options, watch)
        code = DONE if summary.ok else STOPPED if summary.interrupted else FAILED
        if pages is not None and code != STOPPED:
            for made in make_pages(pages, most_bytes=most_bytes, replace_foreign=replace_foreign):
                watch.page(made)
                code = FAILED if made.failures else code
    print_summary(summary, code, opened.ledger_path, as_json=as_json)
    return code
