"""``stackcomp check``: all findings about a graph or a sequence, before a pixel is read."""

from __future__ import annotations

from typing import Annotated

import typer

from stackcomp.cli.endings import DONE, WRONG, guarded, print_json, say
from stackcomp.cli.options import AsJson, Debug, Frames, ReplaceForeign, Sets, VariableFiles

__all__ = ["check"]


_ADD = 'add one, as {"kind": "deliver", "image": "NODE", "path": "out/final.{frame:04d}.exr"}'


@guarded
def check(
    graph: Annotated[
        str,
        typer.Argument(metavar="GRAPH|SEQUENCE", help="The graph or sequence, a JSON file.", show_default=False),
    ],
    frames: Frames = None,
    sets: Sets = None,
    variables: VariableFiles = None,
    root: Annotated[
        str | None,
        typer.Option(
            metavar="DIR", help="Folder at which the graph's relative paths start; the current one if left out."
        ),
    ] = None,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Print everything that is wrong or doubtful about a graph, or about all shots of a sequence.

    Only graphs and the headers of their files are read, no pixels. Warnings alone do not fail it. Each finding
    names a rule; `stackcomp rules` explains them.
    """
    from stackcomp.cli.request import count, frames_of, open_graph
    from stackcomp.cli.shots import holds_sequence
    from stackcomp.errors import DocumentError, Problem

    chosen = frames_of(frames)
    if holds_sequence(graph):
        from stackcomp.cli.check_sequence import check_sequence

        return check_sequence(
            graph, chosen, root, variables, sets, replace_foreign=replace_foreign, as_json=as_json
        )
    nodes, number = None, len(chosen or ())
    try:
        request = open_graph(graph, "." if root is None else root, variables, sets)
    except DocumentError as error:
        problems = error.problems
    else:
        composition = request.composition
        problems = composition.check(chosen, replace_foreign=replace_foreign)
        if not composition.sinks:
            message, way_out = "nothing is delivered: the graph has no deliver node", _ADD
            place = composition.document.place
            problems.append(
                Problem("no-deliver", message, way_out, field="nodes", place=place, severity="warning")
            )
        nodes = len(composition.nodes)
        number = len(composition.frames if chosen is None else chosen)
    errors = sum(problem.severity == "error" for problem in problems)
    code = WRONG if errors else DONE
    if as_json:
        listed = [problem.as_dict() for problem in problems]
        print_json(
            {
                "graph": graph,
                "ok": not errors,
                "exit_code": code,
                "nodes": nodes,
                "frames": number,
                "problems": listed,
            }
        )
        return code
    for problem in problems:
        warns = problem.severity == "warning"
        say(f"warning: {problem}" if warns else str(problem), style="yellow" if warns else "red")
    where = "" if nodes is None else f" in {count(nodes, 'node')}, {count(number, 'frame')}"
    if not problems:
        say(f"no problems{where}")
    else:
        doubts = len(problems) - errors
        found_words = [count(n, word) for n, word in ((errors, "error"), (doubts, "warning")) if n]
        say(" and ".join(found_words) + where)
    return code
