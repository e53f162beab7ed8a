"""``stackcomp match grey``: the gain that makes another picture's grey card equal the plate's."""

from __future__ import annotations

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import (
    DEFAULT_CONFIG,
    As,
    BothEncoding,
    ColourConfig,
    Frame,
    OtherArea,
    OtherEncoding,
    OtherFile,
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

__all__ = ["grey"]

_NO_BLACK = (
    "no black was taken off the plate: a camera's black is no light of the card and belongs into --plate-black "
    "(`stackcomp match black` finds it; --plate-black 0 says that there is none)"
)


@guarded
def grey(
    plate: PlateFile,
    plate_area: PlateArea,
    other: OtherFile,
    other_area: OtherArea,
    frame: Frame = None,
    encoding: BothEncoding = None,
    plate_encoding: PlateEncoding = None,
    other_encoding: OtherEncoding = None,
    layer: OtherLayer = "",
    plate_black: PlateBlack = None,
    write: WriteFile = None,
    name: As = "gain",
    picture: PictureFile = None,
    replace_foreign: ReplaceForeign = False,
    working_space: WorkingSpace = "ACEScg",
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Find the gain that makes another picture's grey equal the plate's.

    The same card stands in both pictures; the other one is an HDRI of the place, or a test render. A channel_gain
    node with the gain found here corrects it. Kept are NAME, and the same in stops for an exposure node, under
    NAME with "gain" changed to "stops" (or NAME_stops).
    """
    from stackcomp.measure.grey import match_grey

    name = name_of_variable(name)
    stops_name = name.replace("gain", "stops") if "gain" in name else f"{name}_stops"
    ready_to_read(root, plate, other)
    refuse_inputs(write, picture, [plate, other], root, replace_foreign=replace_foreign)
    black = three_numbers("0" if plate_black is None else plate_black, "--plate-black")
    ours, theirs = area_of(plate_area), area_of(other_area)
    pair = Pair(frame, plate_encoding, other_encoding, encoding, layer, working_space, colour_config, root)
    seen, matched = pair.plate(plate), pair.other(other)
    found = match_grey(
        seen,
        ours,
        matched,
        theirs,
        plate_black=black,
        working_space=working_space,
        colour_config=colour_config,
    )
    doubts = [*found.doubts, *(() if plate_black is not None else (_NO_BLACK,))]
    told = {
        "match": "grey",
        **found.as_dict(),
        "doubts": doubts,
        "plate_file": plate,
        "plate_area": plate_area,
        "plate_black": list(black),
        "other_file": other,
        "other_area": other_area,
        "layer": layer,
        "frame": frame,
        "working_space": working_space,
    }
    # The picture first: where it cannot be written, nothing is kept that nobody was told of.
    if write is not None:
        from stackcomp.measure.findings import ready

        ready(write, [name, stops_name])
    if picture is not None:
        from stackcomp.measure.draw import beside, draw_areas, write_png

        drawn = [
            draw_areas(image.light, [(area, words)], config=colour_config)
            for image, area, words in ((seen, ours, "plate"), (matched, theirs, "other"))
        ]
        write_png(picture, beside(drawn))
    if write is not None:
        from stackcomp.measure.findings import keep

        keep(write, {name: list(found.gain), stops_name: found.stops}, told)
    if as_json:
        print_json(
            {**told, "written": write, "variables": [name, stops_name] if write else [], "picture": picture}
        )
        return DONE
    rows = (
        ("plate", found.plate.mean),
        ("other", found.other.mean),
        ("gain", found.gain),
        ("std error", found.relative_standard_error),
        ("residual", found.residuals),
    )
    say(f"           {'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}")
    for title, numbers in rows:
        shown = [f"{x:.3%}" if title in ("std error", "residual") else f"{x:.6g}" for x in numbers]
        say(f"{title:<11}" + "".join(f"{text:>12}" for text in shown))
    say(f"overall {found.stops:+.3f} stops by luminance; the gain multiplies {other}")
    say(f"the residual is what medians say after the gain, found from means; largest {found.residual:.3%}")
    for doubt in doubts:
        announce(f"note: {doubt}", style="yellow")
    if write is not None:
        say(f'kept in {write}; next: {{"kind": "channel_gain", "gain": "${{{name}}}"}} with --variables {write}')
    else:
        say("next: keep it with --write FILE, and read it in a channel_gain node")
    if picture is not None:
        say(f"picture: {picture}")
    return DONE
