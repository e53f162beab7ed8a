"""``stackcomp compare``: two files, sequences or dumps, and how they differ."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stackcomp.cli.endings import DONE, FAILED, guarded, print_json, say
from stackcomp.cli.options import AsJson, Debug, ReplaceForeign
from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.compare import PictureComparison

__all__ = ["compare"]

_Pair = tuple[str, str]


@guarded
def compare(
    first: Annotated[str, typer.Argument(metavar="A", help="A file, a sequence or a dump.", show_default=False)],
    second: Annotated[str, typer.Argument(metavar="B", help="What it is held against.", show_default=False)],
    frames: Annotated[
        str | None,
        typer.Option(metavar="RANGE", help="Frames of sequences; all that one of them has, if left out."),
    ] = None,
    tolerances: Annotated[
        list[str] | None,
        typer.Option(
            "--tolerance",
            metavar="LIMITS",
            help="As small=0.0001,share=0.001,hard=0.002 (used if left out), exact, or for one layer "
            "depth:small=0.01. Repeatable.",
        ),
    ] = None,
    windows_may_differ: Annotated[
        bool,
        typer.Option("--windows-may-differ", help="Data windows may differ; pixels beyond them hold nothing."),
    ] = False,
    picture: Annotated[
        str | None,
        typer.Option(metavar="DIR", help="Write a picture of the first difference into this folder."),
    ] = None,
    page: Annotated[
        str | None, typer.Option(metavar="FILE", help="For dumps: write a page that shows both, side by side.")
    ] = None,
    replace_foreign: ReplaceForeign = False,
    as_json: AsJson = False,
    debug: Debug = False,
) -> int:
    """Compare two files, two sequences (NAME.{frame:04d}.exr) or two dumps.

    Windows, channels, types and pixels that are not finite come first, and have no tolerance. Then numbers, layer
    by layer: no more than SHARE of the pixels may differ by more than SMALL, and none by more than HARD, both
    relative to the value where it is above 1. Ids are compared bit by bit. Exit codes: 0 equal; 1 different, or a
    file cannot be read; 2 wrong request.
    """
    from stackcomp.cli.request import folder_of, frames_of, require_path
    from stackcomp.compare import compare_dumps, compare_files, compare_sequences, parse_tolerances

    limits, chosen, pair = parse_tolerances(tolerances or ()), frames_of(frames), (first, second)
    for name, path in zip(("A", "B"), pair, strict=True):
        require_path(name, path)
    if picture is not None:
        folder_of("--picture", picture)
    kind = _kind(pair)
    _refuse("--frames", frames is not None and kind != "sequence", "sequences")
    _refuse("--page", page is not None and kind != "dump", "dumps")
    _refuse("--windows-may-differ", windows_may_differ and kind == "dump", "files and sequences")
    compared: Any
    files: tuple[Path | str, Path | str] | None = None
    if kind == "dump":
        compared = compare_dumps(*pair, limits)
        node = compared.first_different
        files = None if node is None else node.files
    elif kind == "sequence":
        compared = compare_sequences(*pair, chosen, limits, windows_may_differ=windows_may_differ)
        files = _files_at(pair, compared.first_different)
    else:
        compared = compare_files(*pair, limits, windows_may_differ=windows_may_differ)
        files = None if compared.equal else pair
    made: dict[str, str] = {}
    if picture is not None and files is not None:
        made["picture"] = str(_write_picture(Path(picture), files, replace_foreign))
    if page is not None:
        made["page"] = str(_write_page(Path(page), pair, replace_foreign))
    code = DONE if compared.equal else FAILED
    if as_json:
        print_json({"ok": compared.equal, "exit_code": code, "compared": kind, **compared.as_dict(), **made})
        return code
    say(str(compared))
    if kind == "file":
        _tell_numbers(compared)
    for path in made.values():
        say(path)
    return code


def _kind(pair: _Pair) -> str:
    """Whether two dumps, two sequences or two files are named.

    Raises:
        RequestError: something is not there, or the two are not alike.
    """
    from stackcomp.compare import is_dump
    from stackcomp.errors import BadValueError
    from stackcomp.files.paths import FramePath, nearby

    kinds = []
    for path in pair:
        if is_dump(path):
            kinds.append("dump")
        elif os.path.isdir(path):
            message = f"{path} is a folder that holds no dump"
            raise RequestError(Problem("dump", message, "name a file, NAME.{frame:04d}.exr, or a dump"))
        elif os.path.lexists(path):
            kinds.append("file")
        else:
            try:
                sequence = FramePath(path).has_frame
            except BadValueError as error:
                raise RequestError(Problem("path", error.message, error.way_out)) from None
            if not sequence:
                raise RequestError(Problem("file-missing", f"there is no file {path}", nearby(path)))
            kinds.append("sequence")
    if kinds[0] != kinds[1]:
        message = f"{pair[0]} is a {kinds[0]}, {pair[1]} is a {kinds[1]}"
        raise RequestError(Problem("request", message, "compare two files, two sequences or two dumps"))
    return kinds[0]


def _refuse(option: str, given: bool, of: str) -> None:
    if given:
        raise RequestError(Problem("request", f"{option} is for {of}", "leave it out"))


def _files_at(pair: _Pair, frame: int | None) -> _Pair | None:
    """The files of a frame, where both are there."""
    from stackcomp.files.paths import FramePath

    if frame is None:
        return None
    files = FramePath(pair[0]).for_frame(frame), FramePath(pair[1]).for_frame(frame)
    return files if all(map(os.path.isfile, files)) else None


def _write_picture(folder: Path, files: tuple[Path | str, Path | str], replace_foreign: bool) -> Path:
    from stackcomp.compare import write_difference
    from stackcomp.compare.files import open_file

    first, second = (open_file(path) for path in files)
    path = folder / f"difference.{first.path.stem}.png"
    folder.mkdir(parents=True, exist_ok=True)
    return write_difference(path, first.all_channels(), second.all_channels(), replace_foreign=replace_foreign)


def _write_page(path: Path, pair: _Pair, replace_foreign: bool) -> Path:
    from stackcomp.compare.dumps import dumps_in
    from stackcomp.review.proof_page import write_page

    before, after = ([folder for folder, _ in dumps_in(dump).values()] for dump in pair)
    return write_page(path, after, before=before, replace_foreign=replace_foreign)


def _tell_numbers(compared: PictureComparison) -> None:
    """Print the numbers of the layers that differ at all."""
    from stackcomp.cli.tables import table

    rows: list[tuple[str, ...]] = [
        (
            layer.layer or ", ".join(layer.channels),
            f"largest {layer.largest:.4g}",
            "" if layer.worst is None else f"at {layer.worst[0]},{layer.worst[1]}",
            f"{100 * layer.share:.3g} % over {layer.tolerance.small:g}",
            f"PSNR {layer.psnr:.1f} dB",
        )
        for layer in compared.layers
        if layer.worst is not None
    ]
    if rows:
        say("")
        table(rows)
