"""``stackcomp dump``: every node at one frame, to look into."""

from __future__ import annotations

from typing import Annotated

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

__all__ = ["dump"]


@guarded
def dump(
    graph: GraphFile,
    frame: Annotated[int, typer.Option(metavar="N", help="The frame.", show_default=False)],
    to: Annotated[str, typer.Option(metavar="DIR", help="Folder for the files.", show_default=False)],
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
    """Write every node at one frame, to look into.

    Each as OpenEXR and as a PNG to look at; nodes.json holds the figures. Each is computed separately, so that
    its time can be measured. If a node fails, the dump holds the nodes before it, and nodes.json says why. An
    older dump in the folder is replaced; nothing else in it is touched. With --json the contents of nodes.json
    are printed, and the folder.
    """
    from stackcomp.cli.progress import reporter
    from stackcomp.cli.rendering import announced_compiling
    from stackcomp.cli.request import count, folder_of, open_graph, scale_of
    from stackcomp.errors import BugError
    from stackcomp.review.dump import dump as write_dump

    factor = scale_of(scale)
    folder_of("--to", to)
    request = open_graph(graph, root, variables, sets)
    composition = request.composition
    request.require_nodes(nodes)
    with reporter(as_json=as_json, lines=False) as report, announced_compiling(report):
        if not as_json:
            for problem in request.warnings:
                report.warn(str(problem))

        def warn(node: str, message: str) -> None:
            if not as_json:
                report.warn(f'node "{node}": {message}')

        report.begin(f"dump of frame {frame}", len(nodes or composition.nodes))
        dumped = write_dump(
            composition,
            frame,
            to,
            nodes=nodes,
            scale=factor,
            viewing_stops=viewing_stops,
            replace_foreign=replace_foreign,
            warn=warn,
            finished=lambda node: report.step(),
        )
    if dumped.error is not None:
        show_traceback(dumped.error)
    code = DONE if dumped.complete else FAILED
    if as_json:
        print_json(
            {
                "folder": str(dumped.folder),
                "ok": dumped.complete,
                "exit_code": code,
                **dumped.data,
            }
        )
        return code
    whole = [entry for entry in dumped.data["nodes"] if entry["state"] == "done"]
    if dumped.failed is not None:
        failed = dumped.failed["node"]
        subject = f'node "{failed}"' if failed else f"frame {frame}"
        announce(f"{subject} failed: {dumped.failed['reason']}", style="red")
        say(f"{to} holds the {count(len(whole), 'node')} before it; nodes.json says what is missing")
        if isinstance(dumped.error, BugError):
            announce(HOW_TO_REPORT)
    else:
        say(f"{count(len(whole), 'node')} in {to}, {report.seconds:.1f} s")
    return code
