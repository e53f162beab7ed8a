"""The folder of a failed comparison: what a person needs to see what differs, and why.

===================  =========================================================================================
``result.exr``       the render, as float; ``result.png`` to look at
``expected.exr``     the reference; ``expected.png`` to look at
``difference.png``   where they differ (`stackcomp.compare.difference_picture`)
``report.json``      the test, what was rendered, the comparison with the worst pixel of each layer, and the nodes
                     with the first that differs
``page.html``        the proof page of the nodes that the picture depends on, if one can be made
===================  =========================================================================================

The pictures show the data window. A folder of an earlier failure is written over, file by file; other files in it
stay, and those that this program did not write are never replaced.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.check.originals import Writing, refusals
from stackcomp.check.outputs import readings
from stackcomp.compare import difference_picture
from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.errors import RequestError, StackcompError
from stackcomp.files import exr, stills
from stackcomp.files.atomic import whole_file
from stackcomp.files.mark import Mark, program
from stackcomp.files.viewable import viewable

__all__ = ["Page", "Pictures", "write_folder"]

#: Writes the proof page of a node to a path: composition, node, frame, scale, pictures given, title.
Page = Callable[[Path, Composition, str, int, float, Mapping[str, Image], str], None]

#: What its pictures are marked as: not as references, so that they can be written again.
_MARK = Mark("picture")
_PAGE = "page.html"


@dataclass(frozen=True)
class Pictures:
    """What a folder shows."""

    result: Image
    expected: Image | None = None


def write_folder(
    folder: Path,
    composition: Composition,
    frame: int,
    pictures: Pictures,
    report: Mapping[str, Any],
    *,
    page: Callable[[Path], None] | None = None,
) -> str:
    """Write the folder.

    Args:
        folder: made where missing.
        composition: the graph; nothing that it reads is written over.
        frame: frame number.
        pictures: to be shown.
        report: JSON data.
        page: writes the proof page to a path.

    Returns:
        Why there is no proof page; empty where there is one, or none was asked for.

    Raises:
        RequestError: a file is there that must stay.
        FileError: a file cannot be written.
    """
    shown = {"result": pictures.result} | ({} if pictures.expected is None else {"expected": pictures.expected})
    names = [f"{name}{ending}" for name in shown for ending in (".exr", ".png")]
    names += ["difference.png"] if pictures.expected is not None else []
    writings = [Writing(folder / name, _MARK) for name in names]
    writings.append(Writing(folder / "report.json", Mark("findings")))
    known = readings(composition.document, composition.root, (frame,), composition.variable_files)
    problems = refusals(writings, known, composition.root, allow="--renders-failed names another folder")
    if problems:
        raise RequestError(problems)
    for name, image in shown.items():
        _write_exr(folder / f"{name}.exr", image)
        if not image.window.empty:
            seen = viewable(_window_alone(image), config=composition.document.head.colour_config)
            stills.write(folder / f"{name}.png", seen / np.float32(255), mark=_MARK)
    if pictures.expected is not None:
        first, second = _window_alone(pictures.result), _window_alone(pictures.expected)
        if not (first.window.empty and second.window.empty):
            stills.write(
                folder / "difference.png", difference_picture(first, second) / np.float32(255), mark=_MARK
            )
    with whole_file(folder / "report.json") as unfinished:
        data = {"found": {"written by": program()}, **report}
        unfinished.write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n", "utf-8", "backslashreplace")
    if page is not None:
        try:
            page(folder / _PAGE)
        except Exception as error:
            # A bug in the page must not hide what the test found.
            name = "" if isinstance(error, StackcompError) else f"{type(error).__name__}: "
            return f"no {_PAGE}: {name}{' '.join(str(error).split())}"
    return ""


def _write_exr(path: Path, image: Image) -> None:
    exr.write(
        path,
        image.planes,
        window=image.window,
        display=image.display,
        pixel_type="float",
        metadata={"stackcomp/type": str(image.type)},
        mark=_MARK,
    )


def _window_alone(image: Image) -> Image:
    return dataclasses.replace(image, display=image.window)
