"""``stackcomp measure``: statistics of an area of a picture, a depth channel or a matte; objects of ids.

JSON uses the words of the `match` commands (`stackcomp.cli.match_flow`): ``command``, ``file``, ``layer``,
``encoding``, ``areas``, ``window``, ``frame``, ``working_space``, ``colour_config``, ``doubts``, ``picture``. The
key ``as`` is colour, depth, matte or ids. Keys that have no meaning for it are null. Of ids there are ``types``,
each with its ``objects`` (``id``, ``names``, ``area`` in pixels, ``share`` of the frame, ``pixels``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig, Frame, PictureFile, WorkingSpace
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area

__all__ = ["measure"]


@guarded
def measure(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The picture.", show_default=False)],
    area: Annotated[
        str | None,
        typer.Option(metavar="X,Y,W,H", help="Left, top, width, height in pixels.", show_default=False),
    ] = None,
    polygon: Annotated[
        str | None,
        typer.Option(metavar="X,Y;X,Y;…", help="Corners in pixels, three or more.", show_default=False),
    ] = None,
    frame: Frame = None,
    layer: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Layer of the file; else its own R G B. A layer that holds one channel is measured as that.",
            show_default=False,
        ),
    ] = "",
    channel: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="One channel instead of colour, such as depth.Z or mattes.R, by its full name or within --layer.",
            show_default=False,
        ),
    ] = None,
    what: Annotated[
        Literal["depth", "matte"] | None,
        typer.Option(
            "--as",
            help="What the channel is. If left out, a channel with Z or depth in its name is depth, else a matte.",
            show_default=False,
        ),
    ] = None,
    unit: Annotated[
        Literal["mm", "cm", "m", "ft"] | None,
        typer.Option(help="Unit of depth in the file; metres if left out.", show_default=False),
    ] = None,
    encoding: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Colour space, if the header does not name it.", show_default=False),
    ] = None,
    ids: Annotated[
        bool,
        typer.Option("--ids", help="List the objects that the file has ids of, and the area of each."),
    ] = False,
    at: Annotated[
        str | None,
        typer.Option(metavar="X,Y", help="With --ids: which objects are under this pixel.", show_default=False),
    ] = None,
    picture: PictureFile = None,
    replace_foreign: ReplaceForeign = False,
    working_space: WorkingSpace = "ACEScg",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Measure an area of a picture, a depth channel or a matte, or list the objects of ids.

    Colour is measured in scene-linear light: mean, median, smallest, largest and standard deviation of each
    channel, and how many pixels are clipped or not finite. Depth is measured in metres, over the pixels with a
    depth above 0; its median is a focus distance. A matte has a mean, a covered area in pixels, and counts of
    pixels at 0, at 1, between and out of range. Depth and mattes have no colour space and need no --encoding:

    stackcomp measure cg.exr --layer depth --area 300,200,40,40

    Without --area and --polygon the whole picture is measured. A pixel belongs to the area when its centre lies
    inside.

    With --ids the objects or materials that an id_matte node can choose are listed by name, id and covered area in
    the frame: for each type of ids in the file, or for the one that --layer names. Those without a name are listed
    by their id, which works as a name too:

    stackcomp measure cg.exr --ids --at 300,200
    """
    from stackcomp.cli.measure_files import option_names, ready_to_read, refuse_outputs
    from stackcomp.cli.measure_kinds import measured_channel, measured_colour
    from stackcomp.measure.channel import one_channel_is_meant
    from stackcomp.measure.source import Source

    ready_to_read(root, file)
    if at is not None and not ids:
        raise _request("--at belongs to --ids", "add --ids, or name a small --area")
    if ids:
        from stackcomp.cli.measure_ids import measured_ids

        given = {"--area": area, "--polygon": polygon, "--channel": channel, "--as": what, "--unit": unit,
                 "--encoding": encoding, "--picture": picture}  # fmt: skip
        others = [option for option, value in given.items() if value is not None]
        return measured_ids(file, frame, root, layer, at, as_json=as_json, others=others)
    refuse_outputs(None, picture, [file], root, replace_foreign=replace_foreign)
    chosen = _area(area, polygon)
    names = option_names(encoding="--encoding", layer="--layer", channel="--channel")
    source = Source(file, frame, encoding, working_space, colour_config, root, names)
    if channel is not None or what is not None or (encoding is None and one_channel_is_meant(source, layer)):
        if encoding is not None:
            raise _request("--encoding: depth and mattes have no colour space", "leave it out")
        result = measured_channel(source, chosen, layer, channel or "", what, unit)
    elif unit is not None:
        raise _request(
            "--unit belongs to depth, and colour is measured", "name depth with --channel, or leave it out"
        )
    else:
        result = measured_colour(source, chosen, layer)
    if picture is not None:
        from stackcomp.measure.draw import draw_areas, write_png

        label = f"{result.pixels} px"
        write_png(picture, draw_areas(result.image, [(result.area, label)], colour_config=colour_config))
    if as_json:
        print_json({**result.record, "picture": picture})
        return DONE
    for line in result.lines:
        say(line)
    for doubt in result.record["doubts"]:
        announce(f"note: {doubt}", style="yellow")
    if picture is not None:
        say(f"picture: {picture}")
    return DONE


def _area(rectangle: str | None, polygon: str | None) -> Area | None:
    from stackcomp.measure.area import AreaError, parse_polygon, parse_rectangle

    if rectangle is not None and polygon is not None:
        raise AreaError("both --area and --polygon are given", "name one of them")
    if polygon is not None:
        return parse_polygon(polygon)
    return None if rectangle is None else parse_rectangle(rectangle)


def _request(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("request", message, way_out))
