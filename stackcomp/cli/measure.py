"""``stackcomp measure``: what an area of a picture, a depth channel or a matte holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from stackcomp.cli.endings import DONE, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig, Frame, PictureFile, WorkingSpace
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area
    from stackcomp.measure.statistics import Statistics

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
            help="What that channel is. Left out, a name with Z or depth in it is depth, any other one a matte.",
            show_default=False,
        ),
    ] = None,
    unit: Annotated[
        Literal["mm", "cm", "m", "ft"] | None,
        typer.Option(help="Unit of depth in the file; metres if left out.", show_default=False),
    ] = None,
    encoding: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Colour space, if the header does not say.", show_default=False),
    ] = None,
    picture: PictureFile = None,
    replace_foreign: ReplaceForeign = False,
    working_space: WorkingSpace = "ACEScg",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Measure an area of a picture, a depth channel or a matte.

    Colour is measured in scene-linear light: mean, median, smallest, largest and standard deviation of each
    channel, and how many pixels are clipped or not finite. Depth is measured in metres, over the pixels with a
    depth above 0: its median is a focus distance. Of a matte, the mean, the covered area in pixels, and how many
    pixels are 0, 1, between or out of range. Depth and mattes have no colour space, so --encoding is not needed:

    stackcomp measure cg.exr --layer depth --area 300,200,40,40

    Without --area and --polygon the whole picture is measured. A pixel belongs to the area when its centre lies
    inside.
    """
    from stackcomp.cli.match_options import option_names, ready_to_read, refuse_inputs, tell_doubts
    from stackcomp.measure.area import whole
    from stackcomp.measure.channel import one_channel_is_meant
    from stackcomp.measure.picture import open_measured
    from stackcomp.measure.source import Source
    from stackcomp.measure.statistics import area_statistics

    ready_to_read(root, file)
    refuse_inputs(None, picture, [file], root, replace_foreign=replace_foreign)
    chosen = _area(area, polygon)
    names = option_names(encoding="--encoding", layer="--layer", channel="--channel")
    source = Source(file, frame, root=root, names=names)
    if channel is not None or what is not None or (encoding is None and one_channel_is_meant(source, layer)):
        from stackcomp.cli.measure_channel import measure_channel

        _want_no_encoding(encoding)
        return measure_channel(source, chosen, layer, channel or "", what, unit, picture, colour_config, as_json)
    if unit is not None:
        raise _request(
            "--unit belongs to depth, and colour is measured", "name depth with --channel, or leave it out"
        )
    measured = open_measured(
        file,
        frame=frame,
        layer=layer,
        encoding=encoding,
        working_space=working_space,
        colour_config=colour_config,
        root=root,
        names=names,
    )
    tell_doubts(measured)
    where = chosen or whole(measured.light)
    found = area_statistics(measured, where)
    if picture is not None:
        from stackcomp.measure.draw import draw_areas, write_png

        write_png(picture, draw_areas(measured.light, [(where, f"{found.pixels} px")], config=colour_config))
    told: dict[str, Any] = {
        "file": file,
        "frame": frame,
        "layer": layer,
        "area": where.text,
        "encoding": str(getattr(measured.stored.type, "encoding", "")),
        "working_space": working_space,
        **found.as_dict(),
        "picture": picture,
    }
    if as_json:
        print_json(told)
        return DONE
    _show(file, where, working_space, found)
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


def _want_no_encoding(encoding: str | None) -> None:
    if encoding is not None:
        raise _request("--encoding: depth and mattes have no colour space", "leave it out")


def _request(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("request", message, way_out))


def _show(file: str, where: Area, working_space: str, found: Statistics) -> None:
    from stackcomp.cli.request import count

    say(f"{file}, area {where.text}: {count(found.pixels, 'pixel')}, scene-linear {working_space}")
    titles = ("mean", "median", "min", "max", "std dev", "std error", "clipped", "not finite")
    say("     " + "".join(f"{title:>12}" for title in titles))
    for name, channel in found.channels.items():
        figures = (
            channel.mean,
            channel.median,
            channel.min,
            channel.max,
            channel.standard_deviation,
            channel.standard_error,
        )
        shown = "".join(f"{'–' if value is None else f'{value:.5g}':>12}" for value in figures)
        say(f"  {name:<3}{shown}{channel.clipped:>12}{channel.non_finite:>12}")
    if found.clipped:
        say(f"{count(found.clipped, 'pixel')} clipped: the true light is more than these figures", style="yellow")
    if found.non_finite:
        say(f"{count(found.non_finite, 'pixel')} not finite: left out of these figures", style="yellow")
