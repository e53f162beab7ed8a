"""``stackcomp match grey``: the gain that makes another picture's grey card equal the plate's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stackcomp.cli.match_flow import NO_BLACK, Asked, Matched, areas_beside, row_of_numbers, run_match
from stackcomp.cli.match_options import (
    As,
    OtherArea,
    OtherFile,
    PlateArea,
    PlateBlack,
    PlateFile,
    Shared,
    area_of,
    name_of_variable,
    three_numbers,
)
from stackcomp.cli.match_signature import match_command

if TYPE_CHECKING:
    from stackcomp.measure.grey import GreyMatch
    from stackcomp.measure.picture import Measured

__all__ = ["grey"]


@match_command
def grey(
    *,
    plate: PlateFile,
    plate_area: PlateArea,
    other: OtherFile,
    other_area: OtherArea,
    plate_black: PlateBlack = None,
    name: As = "gain",
    shared: Shared,
) -> int:
    """Find the gain that makes another picture's grey equal the plate's.

    The same card is in both pictures; the other one is an HDRI of the place, or a test render. A channel_gain
    node with this gain corrects it. Kept are NAME, and the same in stops for an exposure node, under
    NAME with "gain" changed to "stops" (or NAME_stops).
    """
    stops_name = name.replace("gain", "stops") if "gain" in name_of_variable(name) else f"{name}_stops"
    black = three_numbers("0" if plate_black is None else plate_black, "--plate-black")
    ours, theirs = area_of(plate_area), area_of(other_area)

    def match(opened: dict[str, Measured]) -> Matched:
        from stackcomp.measure.grey import match_grey

        result = match_grey(
            opened["plate"],
            ours,
            opened["other"],
            theirs,
            plate_black=black,
            working_space=shared.working_space,
            colour_config=shared.colour_config,
        )
        return Matched(
            result=result.as_dict(),
            variables={name: list(result.gain), stops_name: result.stops},
            lines=_lines(result, other, shared.working_space),
            next=f'{{"kind": "channel_gain", "gain": "${{{name}}}"}}',
            draw=areas_beside(
                shared, [(opened["plate"], [(ours, "plate")]), (opened["other"], [(theirs, "other")])]
            ),
            doubts=() if plate_black is not None else (NO_BLACK.format(what="card"),),
        )

    plate_asked, other_asked = Asked(plate, (plate_area,), black), Asked(other, (other_area,))
    return run_match("grey", shared, plate_asked, other_asked, [name, stops_name], match)


def _lines(result: GreyMatch, other: str, working_space: str) -> list[str]:
    return [
        f"{'':<15}{'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}",
        row_of_numbers("plate", result.plate.mean),
        row_of_numbers("other", result.other.mean),
        row_of_numbers("gain", result.gain),
        row_of_numbers("std error", result.relative_standard_error, ".3%"),
        row_of_numbers("residual", result.residuals, ".3%"),
        f"overall {result.stops:+.3f} stops by luminance; the gain multiplies {other}",
        f"the residual is the difference of medians after the gain of means; the largest is {result.residual:.3%}",
    ]
