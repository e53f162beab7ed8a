"""``stackcomp match black``: the plate's black, and its difference from the CG's darkest parts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.match_flow import Asked, Matched, row_of_numbers, run_match
from stackcomp.cli.match_options import As, PlateFile, Shared, area_of, name_of_variable
from stackcomp.cli.match_signature import match_command
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stackcomp.data.image import Image
    from stackcomp.measure.area import Area
    from stackcomp.measure.black import BlackMatch
    from stackcomp.measure.draw import Picture, Region
    from stackcomp.measure.picture import Measured

__all__ = ["black"]

PlateAreas = Annotated[
    list[str] | None,
    typer.Option(
        "--plate-area",
        metavar="X,Y,W,H",
        help="Area of the plate without light: left, top, width, height in pixels, or x,y;x,y;x,y … of a "
        "polygon. Repeatable; if left out, the plate's darkest connected region is taken.",
        show_default=False,
    ),
]
CgFile = Annotated[
    str | None,
    typer.Option("--other", metavar="FILE", help="The CG, whose darkest parts are compared.", show_default=False),
]
CgArea = Annotated[
    str | None,
    typer.Option("--other-area", metavar="X,Y,W,H", help="Part of the CG to look at.", show_default=False),
]
Percentile = Annotated[
    float,
    typer.Option(metavar="PERCENT", min=0, max=100, help="Share of the covered CG that counts as its darkest."),
]


@match_command
def black(
    *,
    plate: PlateFile,
    plate_areas: PlateAreas = None,
    other: CgFile = None,
    other_area: CgArea = None,
    percentile: Percentile = 0.5,
    name: As = "black",
    shared: Shared,
) -> int:
    """Find the black level of a plate, to which a match_black node lifts CG.

    A camera's black is a veil over the whole picture. It is measured best where the set sends no light. Every
    shadow sends some, so the level is that of the veil or more: measure the darkest shot of the same camera, and
    name areas.
    """
    name_of_variable(name)
    if other_area is not None and other is None:
        raise RequestError(
            Problem("other-missing", "--other-area: there is no other picture", "name it with --other FILE")
        )
    areas = [area_of(text) for text in plate_areas or ()]
    cg_area = None if other_area is None else area_of(other_area)

    def match(opened: dict[str, Measured]) -> Matched:
        from stackcomp.measure.black import match_black

        result = match_black(opened["plate"], areas or None, opened.get("other"), cg_area, percentile=percentile)
        return Matched(
            result=result.as_dict(),
            variables={name: list(result.black)},
            lines=_lines(result, shared.working_space),
            next=f'{{"kind": "match_black", "black": "${{{name}}}"}}',
            draw=lambda: _draw(opened["plate"].light, areas, result, shared.colour_config),
        )

    cg = None if other is None else Asked(other, () if other_area is None else (other_area,), coverage=True)
    return run_match("black", shared, Asked(plate, tuple(plate_areas or ())), cg, [name], match)


def _lines(result: BlackMatch, working_space: str) -> list[str]:
    level, cg, difference = result.plate, result.other, result.difference
    lines = [
        f"{'':<15}{'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}",
        row_of_numbers("black", level.black, ".6f"),
        row_of_numbers("std error", level.standard_error, ".6f"),
        row_of_numbers("grain", level.standard_deviation, ".6f"),
    ]
    if cg is not None and difference is not None:
        lines += [
            row_of_numbers("CG darkest", cg.darkest, ".6f"),
            row_of_numbers("difference", difference, ".6f"),
        ]
    for part in level.parts:
        x, y, width, height = part.bounds
        what = "darkest connected region" if level.found == "darkest region" else f"area {part.area}"
        lines.append(f"{what}: {part.pixels} pixels within {width} × {height} pixels at ({x}, {y})")
    if level.specks:
        lines.append(f"left out: {level.specks} pixels that are not finite or outliers")
    if cg is not None and difference is not None:
        sides = sorted({"below" if number > 0 else "above" for number in difference})
        lines.append(
            f"the darkest {cg.percentile:g} % of the CG's {cg.pixels} covered pixels end "
            f"{' or, by channel, '.join(sides)} the plate's black"
        )
    if level.found == "darkest region":
        lines.append("a real shadow has some light, so the camera's black is this or less")
    return lines


def _draw(plate: Image, areas: Sequence[Area], result: BlackMatch, config: str) -> Picture:
    """The plate with its areas, brightened so that dark parts are visible."""
    from dataclasses import replace

    import numpy as np

    from stackcomp.measure.draw import Region, draw_areas

    middle = float(np.median([np.median(plane) for plane in plate.planes.values()]))
    stops = min(max(round(np.log2(0.18 / middle)), 0), 8) if middle > 0 else 0
    bright = replace(plate, planes={name: plane * np.float32(2**stops) for name, plane in plate.planes.items()})
    brighter = f", shown {stops} stops brighter" if stops else ""
    marked: list[tuple[Area | Region, str]] = [(area, f"black{brighter}") for area in areas]
    if result.region is not None:
        marked.append((Region(result.region, plate.window), f"darkest region{brighter}"))
    return draw_areas(bright, marked, colour_config=config)
