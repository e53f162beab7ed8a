"""`stackcomp match`: the commands that match one picture to another. Each is in a file of its own."""

from __future__ import annotations

import typer

from stackcomp.cli.match_black import black
from stackcomp.cli.match_chart import chart
from stackcomp.cli.match_grain import grain
from stackcomp.cli.match_grey import grey
from stackcomp.cli.match_lens import lens
from stackcomp.cli.match_light import light
from stackcomp.cli.match_sharpness import sharpness

__all__ = ["match"]

match = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Find the numbers that match CG, light and lens to a plate, and keep them for graphs.",
)
match.command(no_args_is_help=True)(grey)
match.command(no_args_is_help=True)(light)
match.command(no_args_is_help=True)(chart)
match.command(no_args_is_help=True)(black)
match.command(no_args_is_help=True)(grain)
match.command(no_args_is_help=True)(sharpness)
match.command(no_args_is_help=True)(lens)
