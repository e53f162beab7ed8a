"""``stackcomp match grain``: how a plate's grain grows with light."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.match_flow import Asked, Matched, areas_beside, row_of_numbers, run_match
from stackcomp.cli.match_options import As, PlateBlack, PlateFile, Shared, area_of, name_of_variable, three_numbers
from stackcomp.cli.match_signature import match_command

if TYPE_CHECKING:
    from stackcomp.measure.grain import GrainMatch
    from stackcomp.measure.picture import Measured

__all__ = ["grain"]

PlateArea = Annotated[
    str | None,
    typer.Option(
        metavar="X,Y,W,H",
        help="Area of even surfaces, dark and bright: left, top, width, height in pixels, or x,y;x,y;x,y … of a "
        "polygon; the whole plate if left out.",
        show_default=False,
    ),
]
OtherFrame = Annotated[
    str | None,
    typer.Option(
        "--other",
        metavar="FILE",
        help="Another picture of the same view and exposure with as much grain, such as the next frame of a "
        "camera that stands still.",
        show_default=False,
    ),
]


@match_command
def grain(
    *,
    plate: PlateFile,
    plate_area: PlateArea = None,
    other: OtherFrame = None,
    plate_black: PlateBlack = None,
    name: As = "grain",
    shared: Shared,
) -> int:
    """Find how a plate's grain grows with light, for a difference_matte node.

    The variance of grain is floor² + slope · light, in each channel. In one picture alone, fine texture is taken
    for grain, and grain that is soft over several pixels is taken for texture; with --other all grain is counted,
    and nothing else. Kept are NAME_floor and NAME_slope, R G B each.
    """
    name_of_variable(name)
    floor, slope = f"{name}_floor", f"{name}_slope"
    black = three_numbers("0" if plate_black is None else plate_black, "--plate-black")
    area = None if plate_area is None else area_of(plate_area)

    def match(opened: dict[str, Measured]) -> Matched:
        from stackcomp.measure.area import whole
        from stackcomp.measure.grain import match_grain

        result = match_grain(opened["plate"], area, opened.get("other"), plate_black=black)
        where = whole(opened["plate"].light) if area is None else area
        return Matched(
            result=result.as_dict(),
            variables={floor: list(result.floor), slope: list(result.slope)},
            lines=_lines(result, shared.working_space),
            next=f'{{"kind": "difference_matte", "grain_floor": "${{{floor}}}", "grain_slope": "${{{slope}}}"}}',
            draw=areas_beside(shared, [(opened["plate"], [(where, "grain")])]),
        )

    areas = () if plate_area is None else (plate_area,)
    second = None if other is None else Asked(other)
    return run_match("grain", shared, Asked(plate, areas, black), second, [floor, slope], match)


def _lines(result: GrainMatch, working_space: str) -> list[str]:
    def deviation(light: float) -> list[float]:
        return [(a * a + b * light) ** 0.5 for a, b in zip(result.floor, result.slope, strict=True)]

    return [
        f"{'':<15}{'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}",
        row_of_numbers("floor", result.floor),
        row_of_numbers("slope", result.slope),
        row_of_numbers("at 18 % grey", deviation(0.18)),
        row_of_numbers("darkest", [low for low, _ in result.levels]),
        row_of_numbers("brightest", [high for _, high in result.levels]),
        row_of_numbers("residual", result.residual, ".3%"),
        f"from {result.squares} squares of 8 × 8 pixels; the third row is the standard deviation there",
    ]
