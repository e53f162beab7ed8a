"""``stackcomp schema``: what a graph or a sequence file may hold, for editors."""

from __future__ import annotations

from typing import Annotated

import typer

from stackcomp.cli.endings import DONE, guarded, print_json, say
from stackcomp.cli.options import Debug, ReplaceForeign

__all__ = ["schema"]


@guarded
def schema(
    to: Annotated[str | None, typer.Option(metavar="FILE", help="Write it to this file instead.")] = None,
    sequence: Annotated[bool, typer.Option("--sequence", help="Of sequence files, not of graphs.")] = False,
    replace_foreign: ReplaceForeign = False,
    debug: Debug = False,
) -> int:
    """Print the JSON Schema of graph files, or of sequence files.

    Write it to a file, and name that file under "$schema" at the top of a graph or sequence: an editor that knows
    JSON Schema then completes kinds and parameters and shows their descriptions.
    """
    from stackcomp.document.schema import graph_schema
    from stackcomp.document.sequence_schema import sequence_schema

    made = sequence_schema() if sequence else graph_schema()
    if to is None:
        print_json(made, indent=2)
        return DONE
    import json
    from pathlib import Path

    from stackcomp.check.originals import Writing, refusals
    from stackcomp.errors import Problem, RequestError
    from stackcomp.files.atomic import whole_file
    from stackcomp.files.mark import Mark

    if Path(to).is_dir():
        raise RequestError(Problem("to", f'--to: "{to}" is a folder', "give the name of a file"))
    problems = refusals(
        [Writing(Path(to), Mark("schema"))],
        [],
        replace_foreign=replace_foreign,
        allow="--replace-foreign lets it be replaced",
    )
    if problems:
        raise RequestError(problems)
    with whole_file(to) as unfinished:
        unfinished.write_text(json.dumps(made, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    say(to)
    return DONE
