"""``stackcomp compare``: two files, sequences or dumps, and how they differ.

JSON: ``ok``, ``exit_code``, ``compared`` (file, sequence or dump), ``first``, ``second``, ``pictures``, ``page``,
and what `as_dict` of the comparison gives (`stackcomp.compare`).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from stackcomp.cli.endings import DONE, FAILED, announce, guarded, print_json, say
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign
from stackcomp.cli.page_size import PageSize, bytes_of_page
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.cli.compare_run import Comparing
    from stackcomp.compare import PictureComparison

__all__ = ["compare"]

_Kind = Literal["file", "sequence", "dump"]


@guarded
def compare(
    first: Annotated[str, typer.Argument(metavar="A", help="A file, a sequence or a dump.", show_default=False)],
    second: Annotated[str, typer.Argument(metavar="B", help="What it is compared with.", show_default=False)],
    frames: Annotated[
        str | None,
        typer.Option(metavar="RANGE", help="Frames of sequences; all that one of them has, if left out."),
    ] = None,
    tolerances: Annotated[
        list[str] | None,
        typer.Option(
            "--tolerance",
            metavar="LIMITS",
            help="As small=0.0001,share=0.1%,hard=0.002 (used if left out); or exact; or half, what rounding to "
            "half changes. For one layer, channel or node: depth:small=0.01. Repeatable.",
        ),
    ] = None,
    windows_may_differ: Annotated[
        bool,
        typer.Option(
            "--windows-may-differ", help="Data windows may differ; pixels outside of one count as nothing (0)."
        ),
    ] = False,
    types_may_differ: Annotated[
        bool,
        typer.Option(
            "--types-may-differ", help="Half may be compared with float, and headers may state other types."
        ),
    ] = False,
    picture: Annotated[
        str | None,
        typer.Option(metavar="DIR", help="Write a picture of each difference into this folder."),
    ] = None,
    page: Annotated[
        str | None, typer.Option(metavar="FILE", help="Of dumps: write a page that shows both, side by side.")
    ] = None,
    page_size: PageSize = None,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Compare two files, two sequences (NAME.{frame:04d}.exr) or two dumps.

    Windows, channels, types and pixels that are not finite come first, and have no tolerance. Then numbers, layer
    by layer: at most SHARE of the pixels may differ by more than SMALL, and none by more than HARD. A difference
    is relative to the value where that is above 1. Ids are compared bit by bit.

    stackcomp compare before/final.{frame:04d}.exr after/final.{frame:04d}.exr --tolerance depth:small=0.01

    Exit codes: 0 equal; 1 different, or a file is damaged; 2 the request is wrong.
    """
    from stackcomp.cli.compare_run import Comparing
    from stackcomp.cli.request import folder_of, frames_of, require_path
    from stackcomp.compare import parse_tolerances

    limits, chosen = parse_tolerances(tolerances or ()), frames_of(frames)
    for name, path in zip(("A", "B"), (first, second), strict=True):
        require_path(name, path)
    folder = None if picture is None else folder_of("--picture", picture)
    kind = _kind(first, second)
    if frames is not None and kind != "sequence":
        raise RequestError(Problem("request", "--frames is for sequences", "leave it out"))
    if page is not None:
        if kind != "dump":
            raise RequestError(Problem("request", "--page is for dumps", "leave it out"))
        require_path("--page", page)
    most_bytes = bytes_of_page(page_size, page_asked=page is not None)
    options: dict[str, Any] = {"types": not types_may_differ, "windows_may_differ": windows_may_differ}
    comparing = Comparing((first, second), limits, options, as_json)
    if folder is not None:
        comparing.write_pictures(kind, folder, chosen, replace_foreign=replace_foreign)
    if page is not None:
        comparing.ask_for_page(Path(page), replace_foreign=replace_foreign)
    compared = comparing.run(kind, chosen)
    if page is not None:
        comparing.write_page(Path(page), compared, most_bytes=most_bytes, replace_foreign=replace_foreign)
    code = DONE if compared.equal else FAILED
    made = {"pictures": [str(path) for path in comparing.pictures], "page": page}
    if as_json:
        head = {"ok": compared.equal, "exit_code": code, "compared": kind, "first": first, "second": second}
        print_json({**head, **made, **compared.as_dict()})
        return code
    say(str(compared))
    _tell_numbers(comparing, compared)
    for note in getattr(compared, "notes", ()):
        announce(f"note: {note}", style="yellow")
    for path in (*map(str, comparing.pictures), *([] if page is None else [page])):
        say(path)
    return code


def _kind(*paths: str) -> _Kind:
    """Whether two dumps, two sequences or two files are named.

    Raises:
        RequestError: something is not there, or the two are not alike.
    """
    kinds = [_kind_of(path) for path in paths]
    if kinds[0] != kinds[1]:
        message = f"{paths[0]} is a {kinds[0]}, {paths[1]} is a {kinds[1]}"
        raise RequestError(Problem("request", message, "name two files, two sequences or two dumps"))
    return kinds[0]


def _kind_of(path: str) -> _Kind:
    from stackcomp.compare.dump_reports import reports_in
    from stackcomp.errors import BadValueError
    from stackcomp.files.paths import FramePath, nearby

    if os.path.isdir(path):
        reports_in(path)
        return "dump"
    if os.path.lexists(path):
        return "file"
    try:
        if FramePath(path).has_frame:
            return "sequence"
    except BadValueError as error:
        raise RequestError(Problem("path", error.message, error.way_out)) from None
    raise RequestError(Problem("file-missing", f"there is no file {path}", nearby(path)))


def _tell_numbers(comparing: Comparing, compared: Any) -> None:
    """Print the numbers of the layers of the first picture that differs, or of two files."""
    shown: PictureComparison | None = comparing.shown(compared)
    if shown is None:
        return
    rows = [
        (
            layer.layer or ", ".join(layer.channels[:8]),
            f"largest {layer.largest:.4g} at {layer.worst[0]},{layer.worst[1]}",
            f"{100 * layer.share:.3g} % over {layer.tolerance.small:g}",
            f"PSNR {layer.psnr:.1f} dB" + (f" (peak {layer.peak:.4g})" if layer.peak != 1 else ""),
            "" if layer.equal else "different",
        )
        for layer in shown.layers
        if layer.worst is not None
    ]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    if rows:
        say("")
    for row in rows:
        say("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
