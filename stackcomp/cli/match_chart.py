"""``stackcomp match chart``: the matrix that makes one picture's colour chart look like another's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import (
    As,
    BothEncoding,
    ColourConfig,
    Frame,
    OtherEncoding,
    OtherFile,
    OtherLayer,
    Pair,
    PictureFile,
    PlateBlack,
    PlateEncoding,
    WorkingSpace,
    WriteFile,
    name_of_variable,
    ready_to_read,
    refuse_inputs,
    three_numbers,
)
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.chart_match import ChartMatch

__all__ = ["chart"]

_CORNERS = "X,Y;X,Y;X,Y;X,Y"

PlateOrNone = Annotated[
    str | None,
    typer.Option("--plate", metavar="FILE", help="The camera's picture, to be met.", show_default=False),
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
    bool, typer.Option("--reference", help="Instead of a plate: meet the published data of the chart (2014 on).")
]
OtherBlack = Annotated[
    str | None,
    typer.Option(
        metavar="R,G,B",
        help="The black to take off the other picture first, if a camera took it.",
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
    typer.Option("--even", help="Take a gradient of light across the other chart out before fitting."),
]
KeepExposure = Annotated[
    bool,
    typer.Option(
        "--keep-exposure", help="Write the matrix without the exposure, so that it changes colour alone."
    ),
]


@guarded
def chart(
    other: OtherFile,
    other_corners: OtherCorners,
    plate: PlateOrNone = None,
    plate_corners: PlateCorners = None,
    reference: Reference = False,
    frame: Frame = None,
    plate_encoding: PlateEncoding = None,
    other_encoding: OtherEncoding = None,
    encoding: BothEncoding = None,
    layer: OtherLayer = "",
    plate_black: PlateBlack = None,
    other_black: OtherBlack = None,
    exact: White = None,
    even: Even = False,
    keep_exposure: KeepExposure = False,
    working_space: WorkingSpace = "ACEScg",
    colour_config: ColourConfig = "studio-config-v2.2.0_aces-v1.3_ocio-v2.4",
    root: Root = ".",
    write: WriteFile = None,
    name: As = "matrix",
    picture: PictureFile = None,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Find the 3×3 matrix that multiplies the other picture so that its chart becomes the plate's.

    A `colour_matrix` node takes it as "${matrix}". Patches are medians in scene-linear light.
    """
    from stackcomp.measure.chart_match import Chart, match_chart
    from stackcomp.measure.chart_patches import parse_corners
    from stackcomp.measure.findings import keep

    _want_one_target(plate, plate_corners, reference)
    name = name_of_variable(name)
    ready_to_read(root, plate, other)
    refuse_inputs(write, picture, [plate, other], root, replace_foreign=replace_foreign)
    pair = Pair(frame, plate_encoding, other_encoding, encoding, layer, working_space, colour_config, root)
    blacks = [
        three_numbers(text, option) if text else (0.0, 0.0, 0.0)
        for text, option in ((other_black, "--other-black"), (plate_black, "--plate-black"))
    ]
    theirs = Chart(pair.other(other), parse_corners(other_corners), blacks[0])
    ours = Chart(pair.plate(plate), parse_corners(plate_corners), blacks[1]) if plate and plate_corners else None
    found = match_chart(
        theirs, ours, white=exact or "", even=even, working_space=working_space, config=colour_config
    )
    matrix = found.fit.matrix / (found.fit.exposure if keep_exposure else 1.0)
    numbers = [float(number) for number in matrix.ravel()]
    record: dict[str, Any] = {
        "by": "match chart",
        "other_file": other,
        "plate_file": plate,
        "frame": frame,
        "layer": layer,
        "other_black": list(blacks[0]),
        "plate_black": list(blacks[1]) if plate else None,
        "working_space": working_space,
        "exposure_in_matrix": not keep_exposure,
        **{("fitted_matrix" if key == "matrix" else key): value for key, value in found.as_dict().items()},
    }
    # The picture first: where it cannot be written, nothing is kept that nobody was told of.
    if write is not None:
        from stackcomp.measure.findings import ready

        ready(write, [name])
    if picture is not None:
        from stackcomp.measure.chart_picture import chart_picture
        from stackcomp.measure.draw import write_png

        write_png(picture, chart_picture(found, working_space=working_space, config=colour_config))
    if write is not None:
        keep(write, {name: numbers}, record)
    if as_json:
        print_json({"matrix": numbers, "stops": found.fit.stops, "residual": found.fit.residual, "found": record,
                    "written": write, "picture": picture})  # fmt: skip
    else:
        _tell(found, numbers, name, write, picture, keep_exposure)
    return DONE


def _want_one_target(plate: str | None, corners: str | None, reference: bool) -> None:
    if reference == (plate is not None):
        raise RequestError(
            Problem(
                "target",
                "both --plate and --reference are given" if reference else "nothing is given that is to be met",
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


def _tell(
    found: ChartMatch, numbers: list[float], name: str, write: str | None, picture: str | None, keep_exposure: bool
) -> None:
    import numpy as np

    fit = found.fit
    target = "the plate" if found.plate else "the published data"
    say(f"matrix that takes the other picture to {target}" + (", without the exposure" if keep_exposure else ""))
    for row in range(3):
        say("    " + "".join(f"{number:10.5f}" for number in numbers[3 * row : 3 * row + 3]))
    say(
        f"exposure    {fit.stops:+.3f} stops (× {fit.exposure:.4f})" + ("" if keep_exposure else ", in the matrix")
    )
    for label, values in (("as it was", fit.before), ("exposed", fit.exposed), ("matrix", fit.after)):
        say(f"ΔE 2000     {label:<10} mean {np.nanmean(values):6.2f}   largest {np.nanmax(values):6.2f}")
    say(f"residual    {fit.residual:.2%} of the light; {np.count_nonzero(fit.used)} of 24 patches fitted")
    worst = [f"{p['patch']} (row {p['row']}, column {p['column']}) {p['delta_e_2000']:.2f}" for p in found.worst]
    say(f"worst       ΔE of {', '.join(worst)}")
    slope = found.gradient
    say(
        f"gradient    {slope.right:+.1%} to the right, {slope.down:+.1%} down"
        + (", evened" if found.evened else "")
    )
    for warning in found.warnings:
        announce(f"warning: {warning}", style="yellow")
    if picture:
        say(f"picture     {picture}")
    if write:
        say(f'written to {write}; a colour_matrix node takes it as "matrix": "${{{name}}}"')
    else:
        say(f"next        --write FILE keeps it as a variable that a colour_matrix node takes as ${{{name}}}")
