"""``stackcomp match lens``: the distortion of a lens, from pictures of a checkerboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from stackcomp.cli.endings import DONE, announce, guarded, print_json, say
from stackcomp.cli.match_options import DEFAULT_CONFIG, ColourConfig
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign, Root

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stackcomp.measure.lens_match import LensMatch

__all__ = ["lens"]

_MODELS = ("brown", "rational")


@guarded
def lens(
    charts: Annotated[
        list[str],
        typer.Argument(
            metavar="CHART…", help="Pictures of a checkerboard, several, from all sides.", show_default=False
        ),
    ],
    board: Annotated[
        str,
        typer.Option(
            metavar="AxB",
            help="Inner corners of the board across and down, where four squares meet; 9x6 for 10×7 squares.",
            show_default=False,
        ),
    ],
    to: Annotated[str, typer.Option(metavar="JSON", help="The lens file to be written.", show_default=False)],
    model: Annotated[
        str, typer.Option(metavar="MODEL", help="brown for most lenses, rational for very wide ones.")
    ] = "brown",
    prism: Annotated[
        bool, typer.Option("--prism", help="With rational: also the four coefficients of a thin prism.")
    ] = False,
    about: Annotated[
        str,
        typer.Option(
            metavar="TEXT", help="A note that the file keeps, such as lens and focus.", show_default=False
        ),
    ] = "",
    encoding: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Colour space, if headers do not name it.", show_default=False),
    ] = None,
    replace_foreign: ReplaceForeign = False,
    colour_config: ColourConfig = DEFAULT_CONFIG,
    root: Root = ".",
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Find the distortion of a lens in pictures of a checkerboard, and write a lens file for lens_warp nodes.

    The pictures are of one camera with one focal length and focus, those of the shot. Ten or so are good: with the
    board tilted to all sides, and in the corners of the frame. It also says how many more pixels than the frame
    has a CG render needs on each side, so that no edge is missing when it is distorted.

    stackcomp match lens chart.*.exr --board 9x6 --to lens.json

    It needs OpenCV: pip install 'stackcomp[track]'.
    """
    from pathlib import Path

    from stackcomp.data.opencv import opencv
    from stackcomp.files.lens_file import write_lens
    from stackcomp.measure.lens_board import corners_in, open_board, parse_board
    from stackcomp.measure.lens_match import match_lens

    across, down = parse_board(board)
    _check_model(model, prism=prism)
    _refuse(charts, to, root, replace_foreign=replace_foreign)
    opencv("calibrating a lens")
    boards = [open_board(chart, root, encoding, colour_config) for chart in charts]
    corners = corners_in(boards, across, down)
    found = match_lens(
        corners,
        (across, down),
        boards[0].size,
        model="rational" if model == "rational" else "brown",
        prism=prism,
        names=charts,
    )
    write_lens(Path(to), found.file_fields(about or f"from {len(charts)} pictures of a checkerboard"))
    if as_json:
        print_json(
            {"command": "match lens", "charts": charts, "board": [across, down], **found.as_dict(), "written": to}
        )
        return DONE
    for line in _lines(found, charts):
        say(line)
    for doubt in found.doubts:
        announce(f"note: {doubt}", style="yellow")
    say(to)
    say(f'next: {{"kind": "lens_warp", "image": …, "direction": "distort", "lens": "{to}"}}')
    return DONE


def _lines(found: LensMatch, charts: Sequence[str]) -> list[str]:
    worst = max(range(len(charts)), key=lambda k: found.of_pictures[k])
    numbers = [f"{name} {value:.6g}" for name, value in found.coefficients.items()]
    sides = ", ".join(f"{reach:.0%} {name}" for reach, name in zip(found.reach, _SIDES, strict=True))
    render = ", ".join(f"{pixels} {name}" for pixels, name in zip(found.overscan, _SIDES, strict=True))
    left, top, right, bottom = found.overscan
    width, height = found.size
    return [
        f"lens        {found.model}: {', '.join(numbers)}",
        f"focal       {found.focal[0]:.2f} × {found.focal[1]:.2f} px of {width}×{height}",
        f"centre      {found.centre[0]:.2f}, {found.centre[1]:.2f} px",
        f"residual    {found.residual:.3f} px; largest {found.of_pictures[worst]:.3f} px in {charts[worst]}",
        f"field       corners come within {sides} of the edges; boards turned by up to {found.turned:.0f}°",
        f"overscan    {render} px: a CG render of {width + left + right}×{height + top + bottom}",
    ]


_SIDES = ("left", "top", "right", "bottom")


def _check_model(model: str, *, prism: bool) -> None:
    from stackcomp.errors import Problem, RequestError, did_you_mean

    if model not in _MODELS:
        hint = did_you_mean(model, _MODELS) or f"use {' or '.join(_MODELS)}"
        raise RequestError(Problem("request", f'--model: there is no model "{model}"', hint))
    if prism and model != "rational":
        raise RequestError(Problem("request", "--prism is given, but not --model rational", "give both"))


def _refuse(charts: Sequence[str], to: str, root: str, *, replace_foreign: bool) -> None:
    """Refuse to write over what is read, a folder, or a file of another sort."""
    from pathlib import Path

    from stackcomp.check.originals import Reading, Writing, refusals
    from stackcomp.cli.measure_files import ready_to_read
    from stackcomp.errors import Problem, RequestError
    from stackcomp.files.mark import Mark

    ready_to_read(root, *charts)
    if Path(to).is_dir():
        raise RequestError(Problem("to", f'--to: "{to}" is a folder', "give the name of a file"))
    if not to.lower().endswith(".json"):
        raise RequestError(Problem("ending", f'--to: "{to}" does not end in .json', "as in --to lens.json"))
    problems = refusals(
        [Writing(Path(to), Mark("lens"))],
        [Reading(chart, "what is measured") for chart in charts],
        root,
        replace_foreign=replace_foreign,
        allow="--replace-foreign lets it be replaced",
    )
    if problems:
        raise RequestError(problems)
