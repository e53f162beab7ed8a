"""Files of the commands that measure: those that are read, and those that are written.

Everything here is asked before a pixel is read.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TYPE_CHECKING

from stackcomp.errors import Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.data.window import Window
    from stackcomp.measure.source import Names

__all__ = ["option_names", "ready_to_read", "refuse_outputs", "window_numbers"]


def option_names(**options: str) -> Names:
    """The options of a command, for messages; an option is left empty where the command has none."""
    from stackcomp.measure.source import Names

    usual = {"frame": "--frame", "working_space": "--working-space", "colour_config": "--colour-config"}
    return Names(**{**usual, "layer": "", "channel": "", "encoding": "", **options})


def window_numbers(window: Window) -> list[int]:
    """A window in JSON: x, y, width, height in pixels."""
    return [window.x0, window.y0, window.width, window.height]


def ready_to_read(root: str, *files: str) -> None:
    """Refuse a root that is not a folder, and names that no file can have.

    Args:
        root: folder for relative paths.
        files: files or sequences.

    Raises:
        RequestError: one of them is wrong.
    """
    from stackcomp.measure.source import frame_path

    if not os.path.isdir(root):
        message = f'--root: there is no folder "{root}"'
        raise RequestError(Problem("root", message, "name the folder at which relative paths start"))
    for file in files:
        frame_path(file)


def refuse_outputs(
    write: str | None,
    picture: str | None,
    inputs: Iterable[str],
    root: str = ".",
    *,
    replace_foreign: bool = False,
) -> None:
    """Refuse outputs that would replace an original.

    Args:
        write: file of findings, ending in .json, from the working folder; None when not asked for.
        picture: picture, ending in .png, likewise.
        inputs: files or sequences that are read, from ``root``. Frames that are not measured are originals too.
        root: folder for the inputs' relative paths.
        replace_foreign: whether files that this program did not write may be replaced.

    Raises:
        RequestError: an output of another ending, or one that would replace a file that must stay
            (`stackcomp.check.originals`).
    """
    if write is None and picture is None:
        return
    from pathlib import Path

    from stackcomp.check.originals import Reading, Writing, refusals
    from stackcomp.files.mark import Mark

    readings = [Reading(path, "what is measured", sequence=True) for path in inputs]
    outputs = (
        (write, Mark("findings"), "--replace-foreign adds to it, and keeps what it holds"),
        (picture, Mark("measurement"), "--replace-foreign lets it be replaced"),
    )
    problems: list[Problem] = []
    for path, mark, allow in outputs:
        if path is not None:
            asked = [Writing(Path(path), mark)]
            problems += refusals(asked, readings, root, replace_foreign=replace_foreign, allow=allow)
    if problems:
        raise RequestError(problems)
    # Each output has its own ending, so that neither can replace the other, nor a file of any other format.
    for option, path, ending in (("--write", write, ".json"), ("--picture", picture, ".png")):
        if path is not None and not path.lower().endswith(ending):
            raise RequestError(
                Problem(
                    "ending", f'{option}: "{path}" does not end in {ending}', f"as in {option} out/found{ending}"
                )
            )
