"""`stackcomp match`: the numbers that match one picture to another. Each match is a command in a file of its own."""

from __future__ import annotations

import typer

from stackcomp.cli.match_chart import chart

__all__ = ["match"]

match = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Find the numbers that match CG and light to a plate, and keep them as variables for graphs.",
)
match.command(no_args_is_help=True)(chart)
