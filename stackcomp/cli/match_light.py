"""``stackcomp match light``: the strength of a light, so that its grey card equals the plate's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.match_flow import NO_BLACK, Asked, Matched, areas_beside, row_of_numbers, run_match
from stackcomp.cli.match_options import (
    PlateArea,
    PlateBlack,
    PlateFile,
    Shared,
    area_of,
    name_of_variable,
    three_numbers,
)
from stackcomp.cli.match_signature import match_command
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.given import Triple
    from stackcomp.measure.light import LightMatch
    from stackcomp.measure.picture import Measured

__all__ = ["light"]

RenderFile = Annotated[
    str | None,
    typer.Option(
        "--other", metavar="FILE", help="Test render of the card, lit by this light.", show_default=False
    ),
]
RenderArea = Annotated[
    str | None,
    typer.Option("--other-area", metavar="X,Y,W,H", help="Area of the test render.", show_default=False),
]
Strength = Annotated[
    float, typer.Option(metavar="S", help="The light's strength in the test render, in its own unit.")
]
HdriFile = Annotated[
    str | None,
    typer.Option(
        metavar="FILE", help="Instead of a test render: a lat-long HDRI of the place.", show_default=False
    ),
]
Longitude = Annotated[
    float | None,
    typer.Option(
        metavar="DEGREES",
        help="Direction that the card faces: longitude in the HDRI, 0 its middle column, 90 to the right of it.",
        show_default=False,
    ),
]
Latitude = Annotated[
    float | None,
    typer.Option(metavar="DEGREES", help="Direction that the card faces: latitude, 90 is up.", show_default=False),
]
Normal = Annotated[
    str | None,
    typer.Option(
        metavar="X,Y,Z",
        help="The same as a vector: +y is the HDRI's middle column, +x 90° right of it, +z up.",
        show_default=False,
    ),
]
Reflectance = Annotated[float, typer.Option(metavar="SHARE", help="Share of the light that the card scatters.")]
Prefix = Annotated[
    str, typer.Option("--as", metavar="NAME", help="Beginning of the variables' names, as in light_gain.")
]


@match_command
def light(
    *,
    plate: PlateFile,
    plate_area: PlateArea,
    other: RenderFile = None,
    other_area: RenderArea = None,
    strength: Strength = 1.0,
    from_hdri: HdriFile = None,
    normal_lon: Longitude = None,
    normal_lat: Latitude = None,
    normal: Normal = None,
    reflectance: Reflectance = 0.18,
    plate_black: PlateBlack = None,
    name: Prefix = "light",
    shared: Shared,
) -> int:
    """Find the strength of a light, so that its grey card equals the plate's.

    From one test render at a known strength (--other, --other-area, --strength), or without one from a lat-long
    HDRI (--from-hdri) and the direction that the card faces: the HDRI is integrated over the hemisphere in
    front of the card. Kept are NAME_strength, NAME_stops, NAME_gain and NAME_tint.
    """
    name_of_variable(name)
    black = three_numbers("0" if plate_black is None else plate_black, "--plate-black")
    ours = area_of(plate_area)
    facing = _facing(from_hdri, other, other_area, (normal, normal_lon, normal_lat))
    theirs = None if other_area is None else area_of(other_area)

    def match(opened: dict[str, Measured]) -> Matched:
        from stackcomp.measure.light import match_light, match_light_from_hdri

        seen, lit = opened["plate"], opened["other"]
        space: dict[str, Any] = {
            "plate_black": black,
            "working_space": shared.working_space,
            "colour_config": shared.colour_config,
        }
        if facing is not None:
            result = match_light_from_hdri(seen, ours, lit, facing, reflectance=reflectance, **space)
        else:
            result = match_light(seen, ours, lit, theirs, strength=strength, **space)
        return Matched(
            result=result.as_dict(),
            variables={
                f"{name}_strength": result.strength,
                f"{name}_stops": result.stops,
                f"{name}_gain": list(result.gain),
                f"{name}_tint": list(result.tint),
            },
            lines=_lines(result, shared.working_space),
            next=f'{{"kind": "channel_gain", "gain": "${{{name}_gain}}"}} for strength and colour at once, or '
            f'{{"kind": "exposure", "stops": "${{{name}_stops}}"}} for the strength alone,',
            draw=areas_beside(
                shared, [(seen, [(ours, "plate")]), (lit, [] if theirs is None else [(theirs, "render")])]
            ),
            doubts=() if plate_black is not None else (NO_BLACK.format(what="card"),),
        )

    names = [f"{name}_{what}" for what in ("strength", "stops", "gain", "tint")]
    areas = () if other_area is None else (other_area,)
    asked = Asked(plate, (plate_area,), black), Asked(from_hdri or other or "", areas)
    return run_match("light", shared, *asked, names, match)


def _facing(
    from_hdri: str | None,
    other: str | None,
    other_area: str | None,
    normal: tuple[str | None, float | None, float | None],
) -> Triple | None:
    """The card's normal in the HDRI; None where a test render is given.

    Raises:
        RequestError: both an HDRI and a test render, or neither; a normal that is missing or given twice.
    """
    if from_hdri is not None:
        if other is not None or other_area is not None:
            raise _request("--from-hdri and --other are both given", "name the HDRI or the test render")
        return _normal(*normal)
    if other is None or other_area is None:
        raise _request(
            "a picture to compare the plate with is missing",
            "give a test render with --other and --other-area, or a lat-long HDRI with --from-hdri",
        )
    if normal != (None, None, None):
        raise _request("a normal is given, but no HDRI", "leave it out: a test render shows the card itself")
    return None


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
            "the direction that the card faces is missing",
            "give --normal-lon and --normal-lat in degrees (0, 0 is the HDRI's middle), or --normal x,y,z",
        )
    return direction(longitude, latitude)


def _lines(result: LightMatch, working_space: str) -> list[str]:
    unit = "times the HDRI as it is" if result.light else f"where the render had {result.known_strength:g}"
    lines = [
        f"{'':<15}{'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}",
        row_of_numbers("plate", result.plate.mean),
        row_of_numbers("card computed" if result.light else "card rendered", result.rendered),
        row_of_numbers("gain", result.gain),
        row_of_numbers("std error", result.relative_standard_error, ".3%"),
        row_of_numbers("tint", result.tint),
        f"strength {result.strength:.6g} by luminance ({unit}; {result.stops:+.3f} stops)",
        "the tint is the change of colour that the light needs at that strength",
    ]
    if result.left_out:
        lines += ["the computed card leaves out:", *(f"  {sentence}" for sentence in result.left_out)]
    return lines
