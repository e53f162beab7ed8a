"""``stackcomp match light``: how strong a light has to be, so that its grey card equals the plate's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import (
    DEFAULT_CONFIG,
    BothEncoding,
    ColourConfig,
    Frame,
    OtherEncoding,
    OtherLayer,
    Pair,
    PictureFile,
    PlateArea,
    PlateBlack,
    PlateEncoding,
    PlateFile,
    WorkingSpace,
    WriteFile,
    area_of,
    name_of_variable,
    ready_to_read,
    refuse_inputs,
    three_numbers,
)
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area
    from stackcomp.measure.level import Triple
    from stackcomp.measure.light import LightMatch
    from stackcomp.measure.picture import Measured

__all__ = ["light"]


@guarded
def light(
    plate: PlateFile,
    plate_area: PlateArea,
    other: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Test render of the card, lit by this light.", show_default=False),
    ] = None,
    other_area: Annotated[
        str | None,
        typer.Option(metavar="X,Y,W,H", help="Where to measure in the test render.", show_default=False),
    ] = None,
    strength: Annotated[
        float, typer.Option(metavar="S", help="The light's strength in the test render, in its own unit.")
    ] = 1.0,
    from_hdri: Annotated[
        str | None,
        typer.Option(
            metavar="FILE", help="Instead of a test render: a lat-long HDRI of the place.", show_default=False
        ),
    ] = None,
    normal_lon: Annotated[
        float | None,
        typer.Option(
            metavar="DEGREES",
            help="Where the card faces: longitude in the HDRI, 0 its middle column, 90 to the right of it.",
            show_default=False,
        ),
    ] = None,
    normal_lat: Annotated[
        float | None,
        typer.Option(metavar="DEGREES", help="Where the card faces: latitude, 90 is up.", show_default=False),
    ] = None,
    normal: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y,Z",
            help="The same as a vector: +y is the HDRI's middle column, +x 90° right of it, +z up.",
            show_default=False,
        ),
    ] = None,
    reflectance: Annotated[float, typer.Option(metavar="SHARE", help="Light that the card scatters.")] = 0.18,
    frame: Frame = None,
    encoding: BothEncoding = None,
    plate_encoding: PlateEncoding = None,
    other_encoding: OtherEncoding = None,
    layer: OtherLayer = "",
    plate_black: PlateBlack = None,
    write: WriteFile = None,
    name: Annotated[
        str, typer.Option("--as", metavar="NAME", help="Beginning of the variables' names, as in light_gain.")
    ] = "light",
    picture: PictureFile = None,
    replace_foreign: ReplaceForeign = False,
    working_space: WorkingSpace = "ACEScg",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Find how strong a light has to be, so that its grey card equals the plate's.

    From one test render at a known strength (--other, --other-area, --strength), or without one from a lat-long
    HDRI (--from-hdri) and the direction in which the card faces: the HDRI is integrated over the hemisphere in
    front of the card. Kept are NAME_strength, NAME_stops, NAME_gain and NAME_tint.
    """
    from stackcomp.measure.light import match_light, match_light_from_hdri

    name = name_of_variable(name)
    ready_to_read(root, plate, other, from_hdri)
    refuse_inputs(write, picture, [plate, other, from_hdri], root, replace_foreign=replace_foreign)
    black = three_numbers(plate_black or "0", "--plate-black")
    ours = area_of(plate_area)
    pair = Pair(frame, plate_encoding, other_encoding, encoding, layer, working_space, colour_config, root)
    space: dict[str, Any] = {"working_space": working_space, "colour_config": colour_config}
    told: dict[str, Any] = {}
    shown: list[tuple[Measured, list[tuple[Area, str]]]] = []
    if from_hdri is not None:
        if other is not None or other_area is not None:
            raise _request("--from-hdri and --other are both given", "name the HDRI or the test render")
        facing = _normal(normal, normal_lon, normal_lat)
        seen, place = pair.plate(plate), pair.other(from_hdri)
        found = match_light_from_hdri(
            seen, ours, place, facing, reflectance=reflectance, plate_black=black, **space
        )
        told |= {"hdri_file": from_hdri, "reflectance": reflectance}
        shown += [(seen, [(ours, "plate")]), (place, [])]
    else:
        if other is None or other_area is None:
            raise _request(
                "nothing is there to compare the plate with",
                "give a test render with --other and --other-area, or a lat-long HDRI with --from-hdri",
            )
        if (normal, normal_lon, normal_lat) != (None, None, None):
            raise _request("a normal is given, but no HDRI", "a test render has its card in it; leave it out")
        theirs = area_of(other_area)
        seen, render = pair.plate(plate), pair.other(other)
        found = match_light(seen, ours, render, theirs, strength=strength, plate_black=black, **space)
        told |= {"other_file": other, "other_area": other_area, "layer": layer}
        shown += [(seen, [(ours, "plate")]), (render, [(theirs, "render")])]
    told = {
        "match": "light",
        **found.as_dict(),
        **told,
        "plate_file": plate,
        "plate_area": plate_area,
        "plate_black": list(black),
        "frame": frame,
        "working_space": working_space,
    }
    variables = {
        f"{name}_strength": found.strength,
        f"{name}_stops": found.stops,
        f"{name}_gain": list(found.gain),
        f"{name}_tint": list(found.tint),
    }
    # The picture first: where it cannot be written, nothing is kept that nobody was told of.
    if write is not None:
        from stackcomp.measure.findings import ready

        ready(write, variables)
    if picture is not None:
        from stackcomp.measure.draw import beside, draw_areas, write_png

        write_png(picture, beside([draw_areas(m.light, areas, config=colour_config) for m, areas in shown]))
    if write is not None:
        from stackcomp.measure.findings import keep

        keep(write, variables, told)
    if as_json:
        print_json({**told, "written": write, "variables": list(variables) if write else [], "picture": picture})
        return DONE
    _show(found, name, write, working_space)
    if picture is not None:
        say(f"picture: {picture}")
    return DONE


def _request(message: str, way_out: str) -> RequestError:
    return RequestError(Problem("request", message, way_out))


def _normal(vector: str | None, longitude: float | None, latitude: float | None) -> Triple:
    from stackcomp.measure.irradiance import direction

    if vector is not None:
        if longitude is not None or latitude is not None:
            raise _request("the card's normal is given twice", "give --normal, or --normal-lon and --normal-lat")
        if vector.count(",") != 2:
            raise _request(f'--normal: "{vector}" is not x,y,z', "as in --normal 0,-1,0 for a card facing −y")
        return three_numbers(vector, "--normal")
    if longitude is None or latitude is None:
        raise _request(
            "where the card faces is not known",
            "give --normal-lon and --normal-lat in degrees (0, 0 is the HDRI's middle), or --normal x,y,z",
        )
    if not (abs(longitude) <= 360 and abs(latitude) <= 90):
        raise _request(
            f"the direction {longitude:g}, {latitude:g} is none",
            "longitude lies between −360 and 360, latitude between −90 and 90 degrees",
        )
    return direction(longitude, latitude)


def _show(found: LightMatch, name: str, write: str | None, working_space: str) -> None:
    rows = (
        ("plate", found.plate.mean),
        ("card computed" if found.light else "card rendered", found.rendered),
        ("gain", found.gain),
        ("std error", found.relative_standard_error),
        ("tint", found.tint),
    )
    say(f"               {'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}")
    for title, numbers in rows:
        words = [f"{x:.3%}" if title == "std error" else f"{x:.6g}" for x in numbers]
        say(f"{title:<15}" + "".join(f"{text:>12}" for text in words))
    unit = "times the HDRI as it is" if found.light else f"where the render had {found.known_strength:g}"
    say(f"strength {found.strength:.6g} by luminance ({unit}; {found.stops:+.3f} stops)")
    say("with that strength, the tint is the colour that the light still has to take on")
    if found.left_out:
        say("the computed card leaves out:")
        for sentence in found.left_out:
            say(f"  {sentence}")
    for doubt in found.doubts:
        announce(f"note: {doubt}", style="yellow")
    what = "the HDRI" if found.light else "the light's CG"
    gain = f'{{"kind": "channel_gain", "gain": "${{{name}_gain}}"}}'
    stops = f'{{"kind": "exposure", "stops": "${{{name}_stops}}"}}'
    if write is None:
        say(f"next: keep it with --write FILE; then {gain} corrects {what}")
    else:
        say(f"kept in {write}; next: {gain} corrects {what} at once, or {stops} its strength alone")
