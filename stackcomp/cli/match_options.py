"""Options that the `match` commands and `measure` share, and what they do with them.

Pictures to be matched are opened by `Pair.plate` and `Pair.other`, areas read by `area_of`, three numbers by
`three_numbers`; `refuse_inputs` keeps results from being written over what they were found from, and
`name_of_variable` sees to it that a graph can take what is written.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.endings import announce
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area
    from stackcomp.measure.picture import Measured
    from stackcomp.measure.source import Names

__all__ = [
    "DEFAULT_CONFIG",
    "As",
    "BothEncoding",
    "ColourConfig",
    "Frame",
    "OtherArea",
    "OtherEncoding",
    "OtherFile",
    "OtherLayer",
    "Pair",
    "PictureFile",
    "PlateArea",
    "PlateBlack",
    "PlateEncoding",
    "PlateFile",
    "WorkingSpace",
    "WriteFile",
    "area_of",
    "name_of_variable",
    "option_names",
    "ready_to_read",
    "refuse_inputs",
    "tell_doubts",
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
        help="Where to measure in the plate: left, top, width, height in pixels; or x,y;x,y;x,y … of a polygon.",
        show_default=False,
    ),
]
OtherFile = Annotated[
    str,
    typer.Option("--other", metavar="FILE", help="The picture to be matched to the plate.", show_default=False),
]
OtherArea = Annotated[
    str,
    typer.Option(metavar="X,Y,W,H", help="Where to measure in the other picture.", show_default=False),
]
Frame = Annotated[
    int | None, typer.Option(metavar="N", help="The frame, where a file is one of a sequence.", show_default=False)
]
PlateEncoding = Annotated[
    str | None,
    typer.Option(
        metavar="NAME", help="Colour space of the plate, if its header does not say.", show_default=False
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
        help="The camera's black, scene-linear, taken off the plate first: a veil that the chart did not send.",
        show_default=False,
    ),
]
WorkingSpace = Annotated[
    str, typer.Option(metavar="NAME", help="Scene-linear colour space in which numbers are given.")
]
ColourConfig = Annotated[
    str, typer.Option(metavar="NAME", help="Full name of a built-in OpenColorIO config, or path to one.")
]
WriteFile = Annotated[
    str | None,
    typer.Option(
        "--write",
        metavar="JSON",
        help="Keep what was found in this file of variables, beside what it holds already.",
        show_default=False,
    ),
]
As = Annotated[str, typer.Option("--as", metavar="NAME", help="Name of the variable.")]
PictureFile = Annotated[
    str | None,
    typer.Option(metavar="PNG", help="Write a picture that shows what was measured.", show_default=False),
]

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


@dataclass(frozen=True)
class Pair:
    """How the plate and the other picture are opened."""

    frame: int | None = None
    plate_encoding: str | None = None
    other_encoding: str | None = None
    encoding: str | None = None
    layer: str = ""
    working_space: str = "ACEScg"
    colour_config: str = DEFAULT_CONFIG
    root: str = "."

    def plate(self, path: str) -> Measured:
        """The plate in scene-linear light. Raises as `stackcomp.measure.picture.open_measured`."""
        return self._open(path, "", self.plate_encoding, "--plate-encoding", "")

    def other(self, path: str) -> Measured:
        """The other picture in scene-linear light. Raises as `stackcomp.measure.picture.open_measured`."""
        return self._open(path, self.layer, self.other_encoding, "--other-encoding", "--layer")

    def _open(self, path: str, layer: str, own: str | None, encoding_option: str, layer_option: str) -> Measured:
        from stackcomp.measure.picture import open_measured

        # Where one option speaks for both pictures, a mistake in it is said of that option.
        option = encoding_option if own is not None or self.encoding is None else "--encoding"
        names = option_names(encoding=option, layer=layer_option)

        opened = open_measured(
            path,
            frame=self.frame,
            layer=layer,
            encoding=self.encoding if own is None else own,
            working_space=self.working_space,
            colour_config=self.colour_config,
            root=self.root,
            names=names,
        )
        tell_doubts(opened)
        return opened


def option_names(**options: str) -> Names:
    """What messages call the inputs of a command; an option is left empty where the command has none."""
    from stackcomp.measure.source import Names

    usual = {"frame": "--frame", "working_space": "--working-space", "colour_config": "--colour-config"}
    return Names(**{**usual, "layer": "", "channel": "", "encoding": "", **options})


def ready_to_read(root: str, *files: str | None) -> None:
    """Make sure that files can be looked for: the root is a folder, and each name can be that of a file.

    Args:
        root: folder for relative paths.
        files: files or sequences; None for those that are not given.

    Raises:
        RequestError: one of them cannot.
    """
    from stackcomp.files.paths import FramePath

    if not os.path.isdir(root):
        message = f'--root: there is no folder "{root}"'
        raise RequestError(Problem("root", message, "name the folder at which relative paths start"))
    for file in files:
        try:
            if file is not None:
                FramePath(file)
        except ValueError as error:
            raise RequestError(Problem("path", str(error), "name a file")) from None


def tell_doubts(opened: Measured) -> None:
    """Say what is doubtful about how a file was read."""
    for doubt in opened.doubts:
        announce(f"note: {doubt}", style="yellow")


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
    if not _NAME.fullmatch(name) or name == "found":
        raise RequestError(
            Problem(
                "variable-name",
                f'--as: "{name}" cannot be the name of a variable',
                'use letters, digits and _, a letter first; "found" is taken by the file itself',
            )
        )
    return name


def refuse_inputs(
    write: str | None,
    picture: str | None,
    inputs: Iterable[str | None],
    root: str = ".",
    *,
    replace_foreign: bool = False,
) -> None:
    """Make sure, before anything is measured, that what is to be written takes the place of no original.

    Args:
        write: file of findings, ending in .json, from the working folder; None when not asked for.
        picture: picture, ending in .png, likewise.
        inputs: files or sequences that are read, from ``root``; None for those that are not. Frames that are not
            measured are originals as much.
        root: folder for the inputs' relative paths.
        replace_foreign: whether files that this program did not write may be replaced.

    Raises:
        RequestError: an output of another ending, or one that takes the place of a file that must stay
            (`stackcomp.originals`).
    """
    if write is None and picture is None:
        return
    from pathlib import Path

    from stackcomp.check.originals import Reading, Writing, refusals
    from stackcomp.files.mark import Mark

    readings = [Reading(path, "what is measured", sequence=True) for path in inputs if path is not None]
    found: list[Problem] = []
    if write is not None:
        asked = [Writing(Path(write), Mark("findings"))]
        allow = "--replace-foreign adds to it, and keeps what it holds"
        found += refusals(asked, readings, root, replace_foreign=replace_foreign, allow=allow)
    if picture is not None:
        asked = [Writing(Path(picture), Mark("measurement"))]
        allow = "--replace-foreign lets it be replaced"
        found += refusals(asked, readings, root, replace_foreign=replace_foreign, allow=allow)
    if found:
        raise RequestError(found)
    # Ending by kind, so that neither can take the place of the other, nor of a file of any other format.
    for option, path, ending in (("--write", write, ".json"), ("--picture", picture, ".png")):
        if path is not None and not path.lower().endswith(ending):
            raise RequestError(
                Problem(
                    "ending", f'{option}: "{path}" does not end in {ending}', f"as in {option} out/found{ending}"
                )
            )
