"""``stackcomp camera``: the camera of a USD file as a small JSON file."""

from __future__ import annotations

from typing import Annotated

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign

__all__ = ["camera"]


@guarded
def camera(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="USD file: .usd, .usda, .usdc or .usdz.", show_default=False)
    ],
    frames: Annotated[
        str,
        typer.Option(metavar="RANGE", help="Frames, as 1001-1008 or 1001-1100x2.", show_default=False),
    ],
    to: Annotated[str, typer.Option(metavar="JSON", help="The camera file to be written.", show_default=False)],
    prim: Annotated[
        str | None,
        typer.Option(
            metavar="PATH",
            help="Path of the camera in the file, or of what is above it; needed where there are several.",
            show_default=False,
        ),
    ] = None,
    codes_per_frame: Annotated[
        float,
        typer.Option(metavar="NUMBER", help="Time codes from one frame to the next; frame N is at N times this."),
    ] = 1.0,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Read a camera of a USD file and write it as a camera file.

    A camera file holds, for each frame, where the camera is (4×4, metres, z up), its focal length, its gate and
    the shift of its principal point in mm. Units and axes are converted as the USD file says: metersPerUnit,
    upAxis, and focal length and apertures in tenths of a unit. The transforms of all prims above the camera are
    part of it.

    Frames are time codes. Outside of the file's samples USD holds the first or the last one; a note says so.
    """
    from pathlib import Path

    from stackcomp.files.camera_file import write_camera
    from stackcomp.files.usd_camera import read_usd_camera

    numbers = _numbers(frames, codes_per_frame)
    _refuse(file, to, replace_foreign=replace_foreign)
    found = read_usd_camera(Path(file), numbers, prim, codes_per_frame)
    write_camera(Path(to), found.cameras, f"{found.prim} of {Path(file).name}")
    if as_json:
        record = {"command": "camera", "file": file, "prim": found.prim, "frames": sorted(numbers), "written": to}
        print_json({**record, "doubts": list(found.doubts)})
        return DONE
    first = found.cameras[min(numbers)]
    x, y, z = first.position
    say(
        f"{found.prim}: {len(numbers)} frame{'' if len(numbers) == 1 else 's'}; at frame {min(numbers)} it is at "
        f"{x:.4g}, {y:.4g}, {z:.4g} m, with {first.focal_length:.4g} mm and a gate of {first.gate[0]:.4g} × "
        f"{first.gate[1]:.4g} mm"
    )
    for doubt in found.doubts:
        announce(f"note: {doubt}", style="yellow")
    say(to)
    return DONE


def _numbers(frames: str, codes_per_frame: float) -> list[int]:
    import math

    from stackcomp.cli.request import frames_of
    from stackcomp.errors import Problem, RequestError

    if not (math.isfinite(codes_per_frame) and codes_per_frame > 0):
        message = f"--codes-per-frame: {codes_per_frame:g} is not above 0"
        raise RequestError(Problem("camera-usd", message, "1 where a frame is a time code"))
    return frames_of(frames) or []


def _refuse(file: str, to: str, *, replace_foreign: bool) -> None:
    """Refuse to write over what is read, a folder, or a file of another sort."""
    from pathlib import Path

    from stackcomp.check.originals import Reading, Writing, refusals
    from stackcomp.errors import Problem, RequestError
    from stackcomp.files.mark import Mark

    if Path(to).is_dir():
        raise RequestError(Problem("to", f'--to: "{to}" is a folder', "give the name of a file"))
    if not to.lower().endswith(".json"):
        raise RequestError(Problem("ending", f'--to: "{to}" does not end in .json', "as in --to camera.json"))
    problems = refusals(
        [Writing(Path(to), Mark("camera"))],
        [Reading(file, "what is read")],
        replace_foreign=replace_foreign,
        allow="--replace-foreign lets it be replaced",
    )
    if problems:
        raise RequestError(problems)
