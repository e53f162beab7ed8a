"""Options that the `match` commands and `measure` share.

`Shared` holds those of every `match` command; `stackcomp.cli.match_signature` puts them into each signature. Texts
are read by `area_of` and `three_numbers`, names of variables checked by `name_of_variable`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area

__all__ = [
    "DEFAULT_CONFIG",
    "As",
    "ColourConfig",
    "Frame",
    "OtherArea",
    "OtherFile",
    "PictureFile",
    "PlateArea",
    "PlateBlack",
    "PlateFile",
    "Shared",
    "WorkingSpace",
    "area_of",
    "name_of_variable",
    "three_numbers",
]

#: The default of stackcomp.files.colour, which is not imported only to show a help page.
DEFAULT_CONFIG = "studio-config-v2.2.0_aces-v1.3_ocio-v2.4"

PlateFile = Annotated[
    str, typer.Option("--plate", metavar="FILE", help="The camera's picture.", show_default=False)
]
PlateArea = Annotated[
    str,
    typer.Option(
        metavar="X,Y,W,H",
        help="Area of the plate: left, top, width, height in pixels; or x,y;x,y;x,y … of a polygon.",
        show_default=False,
    ),
]
OtherFile = Annotated[
    str,
    typer.Option("--other", metavar="FILE", help="The picture to be matched to the plate.", show_default=False),
]
OtherArea = Annotated[
    str,
    typer.Option(metavar="X,Y,W,H", help="Area of the other picture.", show_default=False),
]
Frame = Annotated[
    int | None, typer.Option(metavar="N", help="Frame number, for a file sequence.", show_default=False)
]
PlateEncoding = Annotated[
    str | None,
    typer.Option(
        metavar="NAME", help="Colour space of the plate, if its header does not name it.", show_default=False
    ),
]
OtherEncoding = Annotated[
    str | None, typer.Option(metavar="NAME", help="Colour space of the other picture.", show_default=False)
]
BothEncoding = Annotated[
    str | None,
    typer.Option("--encoding", metavar="NAME", help="Colour space of both pictures.", show_default=False),
]
OtherLayer = Annotated[
    str, typer.Option("--layer", metavar="NAME", help="Layer of the other picture.", show_default=False)
]
PlateBlack = Annotated[
    str | None,
    typer.Option(
        metavar="R,G,B",
        help="The camera's black, scene-linear, subtracted from the plate first; one number for all three.",
        show_default=False,
    ),
]
WorkingSpace = Annotated[str, typer.Option(metavar="NAME", help="Scene-linear colour space of all numbers.")]
ColourConfig = Annotated[
    str, typer.Option(metavar="NAME", help="Full name of a built-in OpenColorIO config, or path to one.")
]
WriteFile = Annotated[
    str | None,
    typer.Option(
        "--write",
        metavar="JSON",
        help="Write the result into this file of variables, beside what it holds already.",
        show_default=False,
    ),
]
As = Annotated[str, typer.Option("--as", metavar="NAME", help="Name of the variable.")]
PictureFile = Annotated[
    str | None,
    typer.Option(metavar="PNG", help="Write a picture that shows the measured areas.", show_default=False),
]


@dataclass(frozen=True)
class Shared:
    """The options of every `match` command."""

    frame: Frame = None
    encoding: BothEncoding = None
    plate_encoding: PlateEncoding = None
    other_encoding: OtherEncoding = None
    layer: OtherLayer = ""
    write: WriteFile = None
    picture: PictureFile = None
    replace_foreign: ReplaceForeign = False
    working_space: WorkingSpace = "ACEScg"
    colour_config: ColourConfig = DEFAULT_CONFIG
    root: Root = "."
    as_json: AsJson = False
    debug: Debug = False


def area_of(text: str) -> Area:
    """A rectangle of four numbers, or a polygon where points are parted by semicolons.

    Raises:
        AreaError: neither.
    """
    from stackcomp.measure.area import parse_polygon, parse_rectangle

    return parse_polygon(text) if ";" in text else parse_rectangle(text)


def three_numbers(text: str, option: str) -> tuple[float, float, float]:
    """``r,g,b``, or one number for all three.

    Raises:
        RequestError: anything else.
    """
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) == 1:
        numbers *= 3
    if len(numbers) != 3 or not all(abs(number) < float("inf") for number in numbers):
        form, example = ("x,y,z", "0,-1,0") if option == "--normal" else ("r,g,b", "0.002,0.002,0.002")
        raise RequestError(
            Problem("three-numbers", f'{option}: "{text}" is not {form}', f"as in {option} {example}")
        )
    return numbers[0], numbers[1], numbers[2]


def name_of_variable(name: str) -> str:
    """The name, if a graph can take a variable of that name.

    Raises:
        RequestError: it cannot.
    """
    from stackcomp.measure.findings import can_be_named

    if not can_be_named(name):
        raise RequestError(
            Problem(
                "variable-name",
                f'--as: "{name}" cannot be the name of a variable',
                'use letters, digits and _, a letter first; "found" is taken by the file itself',
            )
        )
    return name
