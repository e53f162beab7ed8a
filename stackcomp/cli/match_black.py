"""``stackcomp match black``: the plate's black, and how far the CG's darkest parts are from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import (
    DEFAULT_CONFIG,
    As,
    BothEncoding,
    ColourConfig,
    Frame,
    OtherEncoding,
    OtherLayer,
    Pair,
    PictureFile,
    PlateEncoding,
    PlateFile,
    WorkingSpace,
    WriteFile,
    area_of,
    name_of_variable,
    ready_to_read,
    refuse_inputs,
)
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    import numpy.typing as npt

    from stackcomp.data.image import Image
    from stackcomp.measure.area import Area
    from stackcomp.measure.black import BlackLevel, CoveredDarkest

__all__ = ["black"]

PlateAreas = Annotated[
    list[str] | None,
    typer.Option(
        "--plate-area",
        metavar="X,Y,W,H",
        help="Where no light comes from in the plate: left, top, width, height in pixels, or x,y;x,y;x,y … of a "
        "polygon. Repeatable; left out, the plate's darkest connected region is taken.",
        show_default=False,
    ),
]
CgFile = Annotated[
    str | None,
    typer.Option("--other", metavar="FILE", help="The CG, to say how dark its darkest is.", show_default=False),
]
CgArea = Annotated[
    str | None,
    typer.Option("--other-area", metavar="X,Y,W,H", help="Look at the CG only here.", show_default=False),
]
Percentile = Annotated[
    float,
    typer.Option(metavar="PERCENT", min=0, max=100, help="How much of the covered CG counts as its darkest."),
]


@guarded
def black(
    plate: PlateFile,
    plate_areas: PlateAreas = None,
    other: CgFile = None,
    other_area: CgArea = None,
    percentile: Percentile = 0.5,
    frame: Frame = None,
    encoding: BothEncoding = None,
    plate_encoding: PlateEncoding = None,
    other_encoding: OtherEncoding = None,
    layer: OtherLayer = "",
    write: WriteFile = None,
    name: As = "black",
    picture: PictureFile = None,
    replace_foreign: ReplaceForeign = False,
    working_space: WorkingSpace = "ACEScg",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Find the black level of a plate, to which a match_black node lifts CG.

    A camera's black is a veil over the whole picture, best read where the set sends no light. Every shadow sends
    some, so what is found is the veil or more: measure the darkest shot of the same camera, and name areas.
    """
    from stackcomp.errors import Problem, RequestError
    from stackcomp.measure.black import black_of_areas, darkest_covered, darkest_region

    name = name_of_variable(name)
    if other_area is not None and other is None:
        raise RequestError(
            Problem("other-missing", "--other-area: there is no other picture", "name it with --other FILE")
        )
    ready_to_read(root, plate, other)
    refuse_inputs(write, picture, [plate, other], root, replace_foreign=replace_foreign)
    areas = [area_of(text) for text in plate_areas or ()]
    cg_area = area_of(other_area) if other_area else None
    pair = Pair(frame, plate_encoding, other_encoding, encoding, layer, working_space, colour_config, root)
    seen = pair.plate(plate).light
    level, region = (black_of_areas(seen, areas), None) if areas else darkest_region(seen)
    cg: CoveredDarkest | None = None
    if other is not None:
        from stackcomp.measure.coverage import coverage_of

        light = pair.other(other).light
        alpha, premultiplied = coverage_of(other, frame=frame, layer=layer, root=root) or (None, False)
        cg = darkest_covered(light, alpha, premultiplied=premultiplied, percentile=percentile, area=cg_area)
    told: dict[str, Any] = {
        "match": "black",
        **level.as_dict(),
        "plate_file": plate,
        "frame": frame,
        "working_space": working_space,
    }
    if cg is not None:
        told |= {"other_file": other, "other_area": other_area, "layer": layer, "other": cg.as_dict()}
        told["difference"] = [ours - theirs for ours, theirs in zip(level.black, cg.darkest, strict=True)]
    # The picture first: where it cannot be written, nothing is kept that nobody was told of.
    if write is not None:
        from stackcomp.measure.findings import ready

        ready(write, [name])
    if picture is not None:
        _draw(picture, seen, areas, region, colour_config)
    if write is not None:
        from stackcomp.measure.findings import keep

        keep(write, {name: list(level.black)}, told)
    if as_json:
        print_json({**told, "written": write, "variables": [name] if write else [], "picture": picture})
        return DONE
    _say_level(level, cg, told.get("difference"), working_space)
    if write is not None:
        say(f'kept in {write}; next: {{"kind": "match_black", "black": "${{{name}}}"}} with --variables {write}')
    else:
        say("next: keep it with --write FILE, and read it in a match_black node")
    if picture is not None:
        say(f"picture: {picture}")
    return DONE


def _say_level(
    level: BlackLevel, cg: CoveredDarkest | None, difference: list[float] | None, working_space: str
) -> None:
    rows: list[tuple[str, Sequence[float]]] = [
        ("black", level.black),
        ("std error", level.standard_error),
        ("grain", level.standard_deviation),
    ]
    if cg is not None and difference is not None:
        rows += [("CG darkest", cg.darkest), ("difference", difference)]
    say(f"           {'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}")
    for title, numbers in rows:
        say(f"{title:<11}" + "".join(f"{number:>12.6f}" for number in numbers))
    for part in level.parts:
        x, y, width, height = part.bounds
        where = f"within {width} × {height} pixels at ({x}, {y})"
        what = "darkest connected region" if level.found == "darkest region" else f"area {part.area}"
        say(f"{what}: {part.pixels} pixels {where}")
    if level.specks:
        say(f"left out: {level.specks} pixels that are no number or far from all others")
    if cg is not None and difference is not None:
        sides = {"below" if number > 0 else "above" for number in difference}
        word = " or, by channel, ".join(sorted(sides))
        say(f"the darkest {cg.percentile:g} % of the CG's {cg.pixels} covered pixels end {word} the plate's black")
    if level.found == "darkest region":
        say("a real shadow is not without light, so the camera's black is this or less")
    for doubt in level.warnings:
        announce(f"note: {doubt}", style="yellow")


def _draw(
    path: str, plate: Image, areas: Sequence[Area], region: npt.NDArray[np.bool_] | None, config: str
) -> None:
    """The plate with its areas, so much brighter that a person sees what lies in the dark."""
    from dataclasses import replace

    import numpy as np

    from stackcomp.measure.draw import Region, draw_areas, write_png

    middle = float(np.median([np.median(plane) for plane in plate.planes.values()]))
    stops = min(max(round(np.log2(0.18 / middle)), 0), 8) if middle > 0 else 0
    bright = replace(plate, planes={name: plane * np.float32(2**stops) for name, plane in plate.planes.items()})
    shown = f", shown {stops} stops brighter" if stops else ""
    marked: list[tuple[Area | Region, str]] = [(area, f"black{shown}") for area in areas]
    if region is not None:
        marked.append((Region(region, plate.window), f"darkest region{shown}"))
    write_png(path, draw_areas(bright, marked, config=config))
