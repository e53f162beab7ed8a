"""Writing the page, and telling whether one that was written is up to date."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image as Canvas

from stackcomp.check.originals import Writing, refusals
from stackcomp.data.arguments import PathLike, file_path
from stackcomp.errors import Problem, RequestError, cut
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import Mark, in_page, in_png
from stackcomp.nodes.base import Node
from stackcomp.reference.gather import entries
from stackcomp.reference.html import as_page, png
from stackcomp.reference.markdown import MOST_EXAMPLES, as_markdown

__all__ = ["differences", "write_page"]

Picture = npt.NDArray[np.uint8]

_ENDINGS = (".html", ".htm", ".md")
_PAGE, _PICTURE = Mark("page"), Mark("picture")
_DOCTYPE = "<!doctype html>\n"
# Two levels of a picture with fewer of them: the last bit of a power differs between processors.
_MOST_OFF, _MEAN_OFF = 6, 0.25


def _unheard(message: str) -> None:
    """Take a warning that nobody asked for."""


def write_page(
    path: PathLike,
    kinds: Mapping[str, type[Node]],
    *,
    replace_foreign: bool = False,
    warn: Callable[[str], None] = _unheard,
) -> list[Path]:
    """Write the reference of kinds.

    Args:
        path: ends in ``.html``: one file with everything inside; or in ``.md``: Markdown, with pictures in a
            folder beside it that has its name in small letters. A picture that is there and looks the same stays
            as it is.
        kinds: classes by name, in the order of the page.
        replace_foreign: files that this program did not write may be replaced.
        warn: called with what is wrong with a kind's example; its pictures are then left out.

    Returns:
        The files of the page, itself first.

    Raises:
        RequestError: another ending, or a file that must not be replaced; nothing was written.
        FileError: a file cannot be written.
    """
    page = file_path(path)
    _check_ending(page)
    text, pictures = _made(page, kinds, warn)
    paths = {_folder(page) / name: pixels for name, pixels in pictures.items()}
    changed = {path: pixels for path, pixels in paths.items() if not _looks_the_same(path, pixels)}
    # What is there already need not be replaced.
    written = [] if _content(page) == text else [Writing(page, _PAGE)]
    written += [Writing(path, _PICTURE) for path in changed]
    _check_replaceable(written, replace_foreign=replace_foreign)
    for path, pixels in changed.items():
        with whole_file(path) as unfinished:
            unfinished.write_bytes(in_png(png(pixels), _PICTURE))
    if _content(page) != text:
        with whole_file(page) as unfinished:
            unfinished.write_bytes(in_page(text.encode(), _PAGE))
    return [page, *paths]


def differences(path: PathLike, kinds: Mapping[str, type[Node]]) -> list[str]:
    """Return what is out of date in a page that was written as Markdown; empty where nothing is.

    The text must be the same. Pictures may differ by what processors differ by.
    """
    page = file_path(path)
    found: list[str] = []
    text, pictures = _made(page, kinds, found.append)
    written = _content(page)
    found += [] if written == text else [f"{page.name}: {_first_difference(written, text)}"]
    folder = _folder(page)
    there = {entry.name for entry in folder.iterdir()} if folder.is_dir() else set()
    found += [f"{folder.name}/{name} is missing" for name in sorted(pictures.keys() - there)]
    found += [f"{folder.name}/{name} belongs to no example; delete it" for name in sorted(there - pictures.keys())]
    found += [
        f"{folder.name}/{name} shows something else"
        for name, pixels in sorted(pictures.items())
        if name in there and not _looks_the_same(folder / name, pixels)
    ]
    return found


def _made(
    page: Path, kinds: Mapping[str, type[Node]], warn: Callable[[str], None]
) -> tuple[str, dict[str, Picture]]:
    if page.suffix.lower() != ".md":
        return as_page(entries(kinds, warn)), {}
    return as_markdown(entries(kinds, warn, most=MOST_EXAMPLES), _folder(page).name)


def _folder(page: Path) -> Path:
    return page.with_name(page.stem.lower())


def _check_ending(page: Path) -> None:
    if page.suffix.lower() not in _ENDINGS:
        raise RequestError(
            Problem(
                "page", f'"{page}" does not end in .html or .md', "the ending says what the page is written as"
            )
        )
    if page.is_dir():
        raise RequestError(Problem("page", f'"{page}" is a folder', "give the name of a file"))


def _check_replaceable(writings: list[Writing], *, replace_foreign: bool) -> None:
    problems = refusals(
        writings, [], replace_foreign=replace_foreign, allow="--replace-foreign lets it be replaced"
    )
    if problems:
        raise RequestError(problems)


def _content(page: Path) -> str:
    """Return a page as it was made, without its mark; empty where there is none."""
    try:
        text = page.read_text("utf-8")
    except (OSError, ValueError):
        return ""
    head = _DOCTYPE if text.startswith(_DOCTYPE) else ""
    line, _, body = text.removeprefix(head).partition("\n")
    return head + body if line.startswith("<!-- stackcomp ") else text


def _first_difference(written: str, made: str) -> str:
    lines = zip(written.splitlines(), made.splitlines(), strict=False)
    number, pair = next(((k, pair) for k, pair in enumerate(lines, 1) if pair[0] != pair[1]), (0, ("", "")))
    if not number:
        return "it is not there" if not written else "it ends differently"
    letters = enumerate(zip(*pair, strict=False))
    start = max(0, next((k for k, (a, b) in letters if a != b), min(map(len, pair))) - 20)
    there, expected = (cut(line[start:], 80) for line in pair)
    return f'line {number} has "{there}", and should have "{expected}"'


def _looks_the_same(path: Path, pixels: Picture) -> bool:
    try:
        with Canvas.open(path) as file:
            there = np.asarray(file.convert("RGB"), np.int16)
    except (OSError, ValueError):
        return False
    if there.shape != pixels.shape:
        return False
    off = np.abs(there - pixels.astype(np.int16))
    return bool(off.max(initial=0) <= _MOST_OFF and off.mean() <= _MEAN_OFF)
