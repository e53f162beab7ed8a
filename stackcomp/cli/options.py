"""Arguments and options that several commands share."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from stackcomp.cli.endings import set_debug

__all__ = [
    "AsJson",
    "Debug",
    "Frames",
    "GraphFile",
    "NodeNames",
    "ReplaceForeign",
    "Root",
    "Scale",
    "Sets",
    "VariableFiles",
    "ViewingStops",
]


def _debug(asked: bool) -> bool:
    # The option may also stand after the command; there, its absence must not undo one before the command.
    if asked:
        set_debug(True)
    return asked


def _stops(value: float) -> float:
    """Check the range here, since limits of an option do not say that NaN is not a number."""
    if math.isnan(value):
        raise typer.BadParameter("not a number")
    if value < -30:
        raise typer.BadParameter("must be greater than or equal to -30")
    if value > 30:
        raise typer.BadParameter("must be less than or equal to 30")
    return value


GraphFile = Annotated[str, typer.Argument(metavar="GRAPH", help="The graph, a JSON file.", show_default=False)]
Frames = Annotated[
    str | None,
    typer.Option(
        metavar="RANGE", help="Frames, as 1001-1008 or 1001,1005 or 1001-1100x2; if left out, the graph's own."
    ),
]
Sets = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="NAME=VALUE",
        help="Give a variable a value. VALUE is JSON (a number, true, a list …), or else text. Repeatable.",
    ),
]
VariableFiles = Annotated[
    list[str] | None,
    typer.Option(
        "--variables",
        metavar="FILE",
        help="JSON file with an object of variables. Repeatable: later ones win, --set wins over all.",
    ),
]
Root = Annotated[str, typer.Option(metavar="DIR", help="Folder at which the graph's relative paths start.")]
NodeNames = Annotated[list[str] | None, typer.Option("--node", metavar="NAME", help="Only this node. Repeatable.")]
Scale = Annotated[
    str, typer.Option(metavar="FACTOR", help="Size of the pictures; 0.5 is half. Above 0, at most 1.")
]
ViewingStops = Annotated[
    float,
    typer.Option(
        metavar="STOPS",
        callback=_stops,
        help="Exposure of stills, for dark shots, -30 to 30; OpenEXR files stay as they are.",
    ),
]
ReplaceForeign = Annotated[
    bool,
    typer.Option(
        "--replace-foreign",
        help="Also replace files that stackcomp did not write, and deliveries of other graphs or shots. What is "
        "read is never replaced.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for a program to read, and nothing else.")]
Debug = Annotated[bool, typer.Option("--debug", callback=_debug, help="Show the traceback of a failure.")]
