"""The program `stackcomp` with all its commands."""

from __future__ import annotations

from typing import Annotated

import typer

from stackcomp.cli.batch import batch
from stackcomp.cli.begin import begin
from stackcomp.cli.camera import camera
from stackcomp.cli.check import check
from stackcomp.cli.compare import compare
from stackcomp.cli.dump import dump
from stackcomp.cli.encodings import encodings
from stackcomp.cli.endings import set_debug
from stackcomp.cli.inspect import inspect
from stackcomp.cli.kinds import kinds
from stackcomp.cli.match import match
from stackcomp.cli.measure import measure
from stackcomp.cli.options import Debug
from stackcomp.cli.render import render
from stackcomp.cli.rules import rules
from stackcomp.cli.schema import schema
from stackcomp.cli.track import track
from stackcomp.cli.usage import Program
from stackcomp.version import __version__

__all__ = ["app"]

_EXIT_CODES = (
    "Exit codes: 0 done; 1 some of the work failed (the message says what, the rest is whole); "
    "2 the request or the graph is wrong (nothing was written); 130 stopped from the keyboard."
)
_COMMANDS = (
    begin,
    check,
    render,
    batch,
    dump,
    inspect,
    compare,
    measure,
    track,
    camera,
    kinds,
    rules,
    encodings,
    schema,
)

app = typer.Typer(
    cls=Program,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    epilog=_EXIT_CODES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
for _command in _COMMANDS:
    app.command(epilog=_EXIT_CODES, no_args_is_help=_command not in (kinds, rules, encodings, schema))(_command)
app.add_typer(match, name="match", epilog=_EXIT_CODES)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"stackcomp {__version__}")
        raise typer.Exit


@app.callback()
def stackcomp(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
    debug: Debug = False,
) -> None:
    """Put CG onto live action: check, render and look into graphs of typed nodes.

    A graph is a JSON file; `stackcomp kinds` lists what its nodes can be.
    """
    set_debug(debug)
