"""``stackcomp match chart``: the matrix that makes one picture's colour chart equal another's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.match_flow import NO_BLACK, Asked, Matched, run_match
from stackcomp.cli.match_options import (
    As,
    OtherFile,
    PlateBlack,
    Shared,
    name_of_variable,
    three_numbers,
)
from stackcomp.cli.match_signature import match_command
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.chart_match import ChartMatch
    from stackcomp.measure.draw import Picture
    from stackcomp.measure.picture import Measured

__all__ = ["chart"]

_CORNERS = "X,Y;X,Y;X,Y;X,Y"

PlateOrNone = Annotated[
    str | None,
    typer.Option("--plate", metavar="FILE", help="The camera's picture, the target.", show_default=False),
]
PlateCorners = Annotated[
    str | None,
    typer.Option(
        metavar=_CORNERS,
        help="Corners of the block of 24 patches in the plate, half a gap outside of it, in the chart's order: "
        "top left (beside the dark skin tone), top right, bottom right, bottom left (beside the white).",
        show_default=False,
    ),
]
OtherCorners = Annotated[
    str, typer.Option(metavar=_CORNERS, help="The same in the other picture.", show_default=False)
]
Reference = Annotated[
    bool, typer.Option("--reference", help="The target is the published data of the chart (2014 on), not a plate.")
]
OtherBlack = Annotated[
    str | None,
    typer.Option(
        metavar="R,G,B",
        help="The black that is subtracted from the other picture first, if it is a camera's.",
        show_default=False,
    ),
]
White = Annotated[
    str | None,
    typer.Option(
        "--exact", metavar="PATCH", show_default=False,
        help='A grey that maps exactly, so that white stays white, such as "neutral 5".',
    ),
]  # fmt: skip
Even = Annotated[
    bool,
    typer.Option("--even", help="Remove a gradient of light across the other chart before fitting."),
]
KeepExposure = Annotated[
    bool,
    typer.Option(
        "--keep-exposure", help="Write the matrix without the exposure, so that it changes colour alone."
    ),
]


@match_command
def chart(
    *,
    other: OtherFile,
    other_corners: OtherCorners,
    plate: PlateOrNone = None,
    plate_corners: PlateCorners = None,
    reference: Reference = False,
    plate_black: PlateBlack = None,
    other_black: OtherBlack = None,
    exact: White = None,
    even: Even = False,
    keep_exposure: KeepExposure = False,
    name: As = "matrix",
    shared: Shared,
) -> int:
    """Find the 3×3 matrix that multiplies the other picture so that its chart equals the plate's.

    A `colour_matrix` node takes it as "${matrix}". Patches are medians in scene-linear light.
    """
    from stackcomp.measure.chart_patches import parse_corners

    _want_one_target(plate, plate_corners, reference)
    name_of_variable(name)
    blacks = {
        option: three_numbers("0" if text is None else text, option)
        for option, text in (("--other-black", other_black), ("--plate-black", plate_black))
    }
    theirs = parse_corners(other_corners)
    ours = None if plate_corners is None else parse_corners(plate_corners)

    def match(opened: dict[str, Measured]) -> Matched:
        from stackcomp.measure.chart_match import Chart, match_chart

        result = match_chart(
            Chart(opened["other"], theirs, blacks["--other-black"]),
            None if ours is None else Chart(opened["plate"], ours, blacks["--plate-black"]),
            white=exact or "",
            even=even,
            working_space=shared.working_space,
            colour_config=shared.colour_config,
        )
        matrix = result.matrix / (result.fit.exposure if keep_exposure else 1.0)
        numbers = [float(number) for number in matrix.ravel()]
        record: dict[str, Any] = result.as_dict()
        fitted = record.pop("matrix")
        return Matched(
            result={
                "matrix": numbers,
                "exposure_in_matrix": not keep_exposure,
                "fitted_matrix": fitted,
                **record,
            },
            variables={name: numbers},
            lines=_lines(result, numbers, keep_exposure),
            next=f'{{"kind": "colour_matrix", "matrix": "${{{name}}}"}}',
            draw=lambda: _draw(result, shared),
            doubts=() if plate is None or plate_black is not None else (NO_BLACK.format(what="chart"),),
        )

    target = None
    if plate is not None and plate_corners is not None:
        target = Asked(plate, (plate_corners,), blacks["--plate-black"])
    source = Asked(other, (other_corners,), blacks["--other-black"])
    return run_match("chart", shared, target, source, [name], match)


def _want_one_target(plate: str | None, corners: str | None, reference: bool) -> None:
    if reference == (plate is not None):
        raise RequestError(
            Problem(
                "target",
                "both --plate and --reference are given" if reference else "the target is missing",
                "give --plate FILE with --plate-corners, or --reference for the published data of the chart",
            )
        )
    if (corners is None) != (plate is None):
        raise RequestError(
            Problem(
                "target",
                "--plate-corners is missing" if plate else "--plate-corners is given, but no --plate",
                f"write --plate FILE --plate-corners {_CORNERS.lower()}",
            )
        )


def _draw(result: ChartMatch, shared: Shared) -> Picture:
    from stackcomp.measure.chart_picture import chart_picture

    return chart_picture(result, working_space=shared.working_space, colour_config=shared.colour_config)


def _lines(result: ChartMatch, numbers: list[float], keep_exposure: bool) -> list[str]:
    import numpy as np

    fit, slope = result.fit, result.gradient
    target = "the plate" if result.plate else "the published data"
    worst = [f"{p['patch']} (row {p['row']}, column {p['column']}) {p['delta_e_2000']:.2f}" for p in result.worst]
    stages = (("unchanged", fit.before), ("exposed", fit.exposed), ("matrix", fit.after))
    return [
        f"matrix from the other picture to {target}" + (", without the exposure" if keep_exposure else ""),
        *("    " + "".join(f"{n:10.5f}" for n in numbers[row : row + 3]) for row in (0, 3, 6)),
        f"exposure    {fit.stops:+.3f} stops (× {fit.exposure:.4f})"
        + ("" if keep_exposure else ", in the matrix"),
        *(
            f"ΔE 2000     {label:<10} mean {np.nanmean(values):6.2f}   largest {np.nanmax(values):6.2f}"
            for label, values in stages
        ),
        f"residual    {fit.residual:.2%} of the light; {np.count_nonzero(fit.used)} of 24 patches fitted",
        f"worst       ΔE of {', '.join(worst)}",
        f"gradient    {slope.right:+.1%} to the right, {slope.down:+.1%} down"
        + (", removed" if result.evened else ""),
    ]
