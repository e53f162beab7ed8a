"""``stackcomp encodings``: the colour spaces of a colour config."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.endings import DONE, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig
from stackcomp.cli.options import AsJson, Debug
from stackcomp.cli.tables import table

if TYPE_CHECKING:
    from stackcomp.files.colour_names import Space

__all__ = ["encodings"]


@guarded
def encodings(
    word: Annotated[
        str | None,
        typer.Argument(metavar="WORD", help="Only those whose name, alias or maker contains this."),
    ] = None,
    displays: Annotated[bool, typer.Option("--displays", help="List displays and their views instead.")] = False,
    colour_config: ColourConfig = DEFAULT_CONFIG,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """List the colour spaces of a colour config, grouped by family.

    Case, spaces, dashes and dots in WORD do not matter: slog3 finds S-Log3. Each name and each alias can be used
    wherever a graph or an option names an encoding. With --displays the displays are listed, and the views of
    each, the default ones first.
    """
    from stackcomp.errors import Problem, RequestError
    from stackcomp.files import colour

    try:
        if displays:
            return _displays(word, colour_config, as_json)
        spaces = colour.spaces(colour_config) if word is None else colour.find_spaces(word, colour_config)
        if not spaces:
            colour.encoding(word or "", colour_config)
    except colour.UnknownEncoding as error:
        message, _, way_out = str(error).partition(" — ")
        raise RequestError(Problem("encoding-unknown", message, way_out)) from None
    if as_json:
        print_json({"colour_config": colour_config, "encodings": [space.as_dict() for space in spaces]})
        return DONE
    for family in dict.fromkeys(space.family for space in spaces):
        say(family, style="bold")
        table([_row(space, word is not None) for space in spaces if space.family == family], 2)
        say("")
    say(f"{len(spaces)} of {len(colour.spaces(colour_config))} colour spaces in {colour_config}")
    return DONE


def _row(space: Space, aliases: bool) -> tuple[str, ...]:
    return (space.name, space.group, ", ".join(space.aliases)) if aliases else (space.name, space.group)


def _displays(word: str | None, colour_config: str, as_json: bool) -> int:
    from stackcomp.files import colour
    from stackcomp.files.colour_names import hint, matching

    known = colour.displays(colour_config)
    names = known if word is None else {name: known[name] for name in matching(word, known)}
    if not names:
        advice = hint(word or "", dict.fromkeys(known, ()), "stackcomp encodings --displays")
        raise colour.UnknownEncoding(f'there is no display or view "{word}" in {colour_config} — {advice}')
    if as_json:
        print_json({"colour_config": colour_config, "displays": names})
        return DONE
    table([(name, ", ".join(views)) for name, views in names.items()])
    return DONE
