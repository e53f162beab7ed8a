"""``stackcomp match grain``: how a plate's grain grows with light, and how coarse it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.match_flow import Asked, Matched, areas_beside, open_asked, row_of_numbers, run_match
from stackcomp.cli.match_options import As, PlateBlack, PlateFile, Shared, area_of, name_of_variable, three_numbers
from stackcomp.cli.match_signature import match_command
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.measure.area import Area
    from stackcomp.measure.given import Triple
    from stackcomp.measure.grain import GrainMatch
    from stackcomp.measure.picture import Measured
    from stackcomp.measure.plate_grain import PlateGrain

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
    list[str] | None,
    typer.Option(
        "--other",
        metavar="FILE",
        help="Another picture of the same view and exposure with as much grain, such as the next frame of a "
        "camera that stands still. Repeatable.",
        show_default=False,
    ),
]
PlateFrames = Annotated[
    str | None,
    typer.Option(
        "--frames",
        metavar="RANGE",
        help="Several frames of the plate, as 1001-1008, in place of --frame and --other.",
        show_default=False,
    ),
]
Moving = Annotated[
    bool,
    typer.Option(
        "--moving",
        help="The camera moves: measure each frame by itself. Several frames that do not lie on each other are "
        "noticed without it.",
    ),
]
ToFile = Annotated[
    str | None,
    typer.Option("--to", metavar="JSON", help="Write a grain file, for match_grain nodes.", show_default=False),
]


@dataclass(frozen=True)
class _Request:
    """What is measured and written, as asked for."""

    plate: str
    area: Area | None
    others: tuple[str, ...]
    frames: tuple[int, ...]
    moving: bool
    black: Triple
    name: str
    to: str | None

    @property
    def shaped(self) -> bool:
        """Whether more than floor and slope of one picture, or of two, is measured."""
        return self.to is not None or self.moving or bool(self.frames) or len(self.others) > 1


@match_command
def grain(
    *,
    plate: PlateFile,
    plate_area: PlateArea = None,
    other: OtherFrame = None,
    frames: PlateFrames = None,
    moving: Moving = False,
    plate_black: PlateBlack = None,
    to: ToFile = None,
    name: As = "grain",
    shared: Shared,
) -> int:
    """Find how a plate's grain grows with light, and how coarse it is, for match_grain and difference_matte nodes.

    The variance of grain is floor² + slope · light, in each channel. In one picture alone, fine texture is taken
    for grain, and grain that is soft over several pixels is taken for texture; with --other or --frames all grain
    is counted, and nothing else. Kept are NAME_floor and NAME_slope, R G B each.

    With --to a grain file is written. It holds floor and slope too, or a table of levels where grain does not
    follow them, as that of film; how much R, G and B are alike; and how much neighbours are, up to 8 pixels away.
    Then squares of 16 × 16 pixels are measured, else of 8 × 8.

    stackcomp match grain --plate plate.{frame:04d}.exr --frames 1001-1004 --to grain.json
    """
    name_of_variable(name)
    black = three_numbers("0" if plate_black is None else plate_black, "--plate-black")
    area = None if plate_area is None else area_of(plate_area)
    request = _Request(
        plate, area, tuple(other or ()), _frames(frames, plate, other, shared), moving, black, name, to
    )
    if request.frames:
        shared = replace(shared, frame=request.frames[0])
    _refuse(request, shared)
    areas = () if plate_area is None else (plate_area,)
    second = Asked(request.others[0]) if request.others else None

    def match(opened: dict[str, Measured]) -> Matched:
        return _shaped(request, shared, opened) if request.shaped else _plain(request, shared, opened)

    kept = [f"{name}_floor", f"{name}_slope"]
    return run_match("grain", shared, Asked(plate, areas, black), second, kept, match)


def _frames(text: str | None, plate: str, other: list[str] | None, shared: Shared) -> tuple[int, ...]:
    """The frames of ``--frames``, in order; none where it is left out.

    Raises:
        RequestError: a range that cannot be read, or one that does not go with the other options.
    """
    from stackcomp.cli.request import frames_of
    from stackcomp.measure.source import frame_path

    if text is None:
        return ()
    for option, given in (("--other", other), ("--frame", shared.frame)):
        if given:
            message = f"--frames and {option} cannot both be given"
            raise RequestError(Problem("frames", message, "give one of them"))
    if not frame_path(plate).has_frame:
        message = f"--frames: {plate} has no frame token"
        raise RequestError(Problem("frames", message, "write it into the name, as in plate.{frame:04d}.exr"))
    return tuple(sorted(set(frames_of(text) or ())))


def _refuse(request: _Request, shared: Shared) -> None:
    """Refuse outputs that would replace what is read, or that are no JSON.

    Raises:
        RequestError: one of them would.
    """
    from pathlib import Path

    from stackcomp.check.originals import Reading, Writing, refusals
    from stackcomp.cli.measure_files import ready_to_read, refuse_outputs
    from stackcomp.files.mark import Mark

    files = (request.plate, *request.others)
    ready_to_read(shared.root, *files)
    refuse_outputs(shared.write, shared.picture, files, shared.root, replace_foreign=shared.replace_foreign)
    if request.to is None:
        return
    to = Path(request.to)
    if to.is_dir():
        raise RequestError(Problem("to", f'--to: "{to}" is a folder', "give the name of a file"))
    if to.suffix.lower() != ".json":
        raise RequestError(Problem("ending", f'--to: "{to}" does not end in .json', "as in --to grain.json"))
    if shared.write is not None and to.resolve() == Path(shared.write).resolve():
        message = f'--to and --write both name "{to}"'
        raise RequestError(Problem("to", message, "a grain file and a file of variables are two files"))
    problems = refusals(
        [Writing(to, Mark("grain"))],
        [Reading(file, "what is measured", sequence=True) for file in files],
        shared.root,
        replace_foreign=shared.replace_foreign,
        allow="--replace-foreign lets it be replaced",
    )
    if problems:
        raise RequestError(problems)


def _plain(request: _Request, shared: Shared, opened: dict[str, Measured]) -> Matched:
    """Floor and slope, from one picture or from two."""
    from stackcomp.measure.grain import match_grain

    result = match_grain(opened["plate"], request.area, opened.get("other"), plate_black=request.black)
    lines = [
        *_lines(result, shared.working_space),
        f"from {result.squares} squares of 8 × 8 pixels; the third row is the standard deviation there",
    ]
    return _matched(request, shared, opened, result, lines)


def _shaped(request: _Request, shared: Shared, opened: dict[str, Measured]) -> Matched:
    """All that a grain file holds, from any number of frames."""
    from pathlib import Path

    from stackcomp.files.grain_file import write_grain
    from stackcomp.measure.plate_grain import measure_grain

    pictures = [opened["plate"], *([opened["other"]] if "other" in opened else [])]
    pictures += [open_asked(shared, "other", Asked(file)) for file in request.others[1:]]
    for frame in request.frames[1:]:
        pictures.append(open_asked(replace(shared, frame=frame), "plate", Asked(request.plate)))
    result = measure_grain(pictures, request.area, moving=request.moving, plate_black=request.black)
    near = [_near(result, channel) for channel in "RGB"]
    how = "differences of frames" if result.still else "single frames"
    lines = [
        *_lines(result, shared.working_space),
        row_of_numbers("beside", [across for across, _ in near], ".3f"),
        row_of_numbers("below", [down for _, down in near], ".3f"),
        row_of_numbers("R–G G–B R–B", [result.correlation[a][b] for a, b in ((0, 1), (1, 2), (0, 2))], ".3f"),
        f"from {result.squares} squares of 16 × 16 pixels in {how}; the third row is the standard deviation "
        "there, the last three are correlations, with the next pixel and of channels",
    ]
    matched = _matched(request, shared, opened, result, lines)
    extra = {"grain_file": request.to, "frames": list(request.frames), "others": list(request.others)}
    matched = replace(matched, result={**matched.result, **extra})
    if request.to is None:
        return matched
    path = Path(request.to)
    about = f"{Path(request.plate).name}, {len(pictures)} frame{'s' if len(pictures) > 1 else ''}"
    return replace(
        matched,
        file=request.to,
        file_next=f'{{"kind": "match_grain", "image": "cg", "file": "{request.to}"}}',
        write=lambda: write_grain(path, result.file(shared.working_space, about)),
    )


def _matched(
    request: _Request,
    shared: Shared,
    opened: dict[str, Measured],
    result: GrainMatch | PlateGrain,
    lines: list[str],
) -> Matched:
    from stackcomp.measure.area import whole

    floor, slope = f"{request.name}_floor", f"{request.name}_slope"
    where = whole(opened["plate"].light) if request.area is None else request.area
    return Matched(
        result=result.as_dict(),
        variables={floor: list(result.floor), slope: list(result.slope)},
        lines=lines,
        next=f'{{"kind": "difference_matte", "grain_floor": "${{{floor}}}", "grain_slope": "${{{slope}}}"}}',
        draw=areas_beside(shared, [(opened["plate"], [(where, "grain")])]),
    )


def _near(result: PlateGrain, channel: str) -> tuple[float, float]:
    """Correlation with the next pixel across and down."""
    rows = result.autocorrelation[channel]
    reach = len(rows) - 1
    return (rows[0][reach + 1], rows[1][reach]) if reach else (0.0, 0.0)


def _lines(result: GrainMatch | PlateGrain, working_space: str) -> list[str]:
    def deviation(light: float) -> list[float]:
        return [(a * a + b * light) ** 0.5 for a, b in zip(result.floor, result.slope, strict=True)]

    levels = result.as_dict()["levels"]
    return [
        f"{'':<15}{'R':>12}{'G':>12}{'B':>12}   scene-linear {working_space}",
        row_of_numbers("floor", result.floor),
        row_of_numbers("slope", result.slope),
        row_of_numbers("at 18 % grey", deviation(0.18)),
        row_of_numbers("darkest", [low for low, _ in levels]),
        row_of_numbers("brightest", [high for _, high in levels]),
        row_of_numbers("residual", result.residual, ".3%"),
    ]
