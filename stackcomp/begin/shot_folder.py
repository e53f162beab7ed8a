"""Paths of a graph with the shot's folder as a variable, so that the graph serves the next shot."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from stackcomp.files.paths import FramePath

__all__ = ["ShotFolder", "shot_folder", "written"]


@dataclass(frozen=True)
class ShotFolder:
    """The folder in which all files of a shot lie.

    Attributes:
        folder: as a graph writes it; empty where there is no such folder below the root.
    """

    folder: str

    @property
    def value(self) -> str:
        """The value of the variable."""
        return written(self.folder)

    def path(self, path: str) -> str:
        """A path of the graph, with the variable where it lies in the folder."""
        if self.folder and path.startswith(self.folder + "/"):
            return "${shot}" + written(path[len(self.folder) :])
        return written(path)

    def output(self, name: str) -> str:
        """The path of a file that is delivered."""
        return f"${{out}}/${{shot}}/{name}" if self.folder else f"${{out}}/{name}"


def written(text: str) -> str:
    """A text of a graph in which nothing is read as a variable."""
    return text.replace("${", "$${")


def shot_folder(paths: Sequence[str]) -> ShotFolder:
    """The folder that paths of a graph share.

    The root itself is none, nor is a folder outside of it: a variable in the paths of deliveries must not lead out
    of their folder.
    """
    if any(PurePosixPath(path).is_absolute() or ":" in path.split("/")[0] for path in paths):
        return ShotFolder("")
    common = PurePosixPath(os.path.commonpath([os.path.dirname(path) or "." for path in paths])).as_posix()
    outside = common in ("", ".") or common.split("/")[0] == ".."
    return ShotFolder("" if outside or FramePath(common).has_frame else common)
