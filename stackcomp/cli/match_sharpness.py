"""``stackcomp match sharpness``: the softening that makes the CG as soft as the plate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.match_flow import Asked, Matched, areas_beside, run_match
from stackcomp.cli.match_options import As, PlateFile, Shared, area_of, name_of_variable
from stackcomp.cli.match_signature import match_command

if TYPE_CHECKING:
    from stackcomp.measure.picture import Measured
    from stackcomp.measure.sharpness import EdgeWidths, SharpnessMatch

__all__ = ["sharpness"]

PlateEdge = Annotated[
    str,
    typer.Option(
        "--plate-area",
        metavar="X,Y,W,H",
        help="Area of the plate that one sharp edge crosses: left, top, width, height in pixels; or x,y;x,y;x,y … "
        "of a polygon.",
        show_default=False,
    ),
]
CgFile = Annotated[
    str,
    typer.Option("--other", metavar="FILE", help="The CG that is laid over the plate.", show_default=False),
]
CgEdge = Annotated[
    str,
    typer.Option(
        "--other-area", metavar="X,Y,W,H", help="Area of the CG that one edge crosses.", show_default=False
    ),
]
OfAlpha = Annotated[bool, typer.Option("--alpha", help="Measure the edge of the CG's alpha, not of its colour.")]


@match_command
def sharpness(
    *,
    plate: PlateFile,
    plate_area: PlateEdge,
    other: CgFile,
    other_area: CgEdge,
    alpha: OfAlpha = False,
    name: As = "sharpness",
    shared: Shared,
) -> int:
    """Find the radius of a soften node that makes the CG's edges as wide as the plate's.

    In each picture one edge is measured, from 10 to 90 % of its step in scene-linear light: the outline of
    something solid that is in focus, best aslant to the pixels and 30 pixels long, with even sides. Premultiplied
    CG has such an edge against nothing. The CG is softened by the radius and measured again. Kept is NAME_radius.
    """
    radius = f"{name_of_variable(name)}_radius"
    ours, theirs = area_of(plate_area), area_of(other_area)

    def match(opened: dict[str, Measured]) -> Matched:
        from stackcomp.measure.sharpness import match_sharpness

        if alpha and opened["other"].coverage is None:
            raise _without_alpha(other)
        result = match_sharpness(opened["plate"], ours, opened["other"], theirs, alpha=alpha)
        labels = (f"plate {result.plate.width:.2f} px", f"CG {result.other.width:.2f} px")
        return Matched(
            result=result.as_dict(),
            variables={radius: result.radius},
            lines=_lines(result, shared.working_space),
            next=f'{{"kind": "soften", "radius": "${{{radius}}}"}}',
            draw=areas_beside(
                shared, [(opened["plate"], [(ours, labels[0])]), (opened["other"], [(theirs, labels[1])])]
            ),
        )

    cg = Asked(other, (other_area,), coverage=True)
    return run_match("sharpness", shared, Asked(plate, (plate_area,)), cg, [radius], match)


def _without_alpha(file: str) -> Exception:
    from stackcomp.errors import Problem, RequestError

    message = f"--alpha: {file} has no alpha"
    return RequestError(Problem("no-alpha", message, "leave --alpha out, or name a file with A"))


def _lines(result: SharpnessMatch, working_space: str) -> list[str]:
    def row(title: str, edge: EdgeWidths) -> str:
        cells = [edge.widths.get(name) for name in ("R", "G", "B")]
        texts = [f"{'–' if cell is None else format(cell, '.3f'):>10}" for cell in cells]
        return f"{title:<13}" + "".join(texts) + f"{edge.width:>10.3f}  ± {edge.standard_error:.3f}"

    of_alpha = "; the CG's of its alpha" if "A" in result.other.widths else ""
    return [
        f"{'':<13}{'R':>10}{'G':>10}{'B':>10}{'mean':>10}   px from 10 to 90 %, scene-linear "
        f"{working_space}{of_alpha}",
        row("plate", result.plate),
        row("CG", result.other),
        f"{'CG softened':<13}{'':>30}{result.softened:>10.3f}",
        f"radius {result.radius:.3f} px (standard deviation)  ± {result.standard_error:.3f}",
    ]
