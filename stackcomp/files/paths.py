"""Frame numbers in file names.

A file sequence is one text with a frame token: ``plate.{frame:04d}.exr``, ``plate.{frame}.exr``,
``plate.%04d.exr`` or ``plate.%d.exr``. Several tokens in one text all get the same number.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

__all__ = ["FramePath", "missing_frames", "nearby", "resolve"]

# Two digits of width at the most: a wider number is a slip, and would fill memory.
_TOKEN = re.compile(r"\{frame(?::(?P<brace>0?\d{0,2})d)?\}|%(?P<percent>0?\d{0,2})d")


@dataclass(frozen=True)
class FramePath:
    """A path that may hold a frame token.

    Args:
        text: the path as written in a graph.

    Raises:
        ValueError: braces around anything but ``frame`` or ``frame:04d``; the message names the text.
    """

    text: str

    def __post_init__(self) -> None:
        if not self.text:
            raise ValueError("a path cannot be empty")
        if "\0" in self.text:
            raise ValueError(f"a path cannot hold a NUL character: {self.text!r}")
        rest = _TOKEN.sub("", self.text)
        if "{" in rest or "}" in rest:
            found = re.search(r"\{[^{}]*\}", rest)
            seen = f'"{found[0]}"' if found else "a lone brace"
            raise ValueError(
                f'path "{self.text}" holds {seen}: only the frame number may stand in braces, '
                "as {frame} or {frame:04d}"
            )

    @property
    def has_frame(self) -> bool:
        """Whether the path is different at each frame."""
        return _TOKEN.search(self.text) is not None

    def for_frame(self, frame: int) -> str:
        """The path with the number of ``frame`` in place of each token."""
        return _TOKEN.sub(lambda token: format(frame, (token["brace"] or token["percent"] or "") + "d"), self.text)

    def __str__(self) -> str:
        return self.text


def _frame_path(text: str | FramePath) -> FramePath:
    return text if isinstance(text, FramePath) else FramePath(text)


def resolve(root: str | os.PathLike[str], text: str | FramePath, frame: int) -> Path:
    """The file of one frame; a relative path starts at ``root``."""
    return Path(root, _frame_path(text).for_frame(frame))


def missing_frames(pattern: str | FramePath, root: str | os.PathLike[str], frames: Iterable[int]) -> list[int]:
    """Those of ``frames`` that have no file, in the order given; each folder is listed once."""
    listings: dict[Path, frozenset[str]] = {}
    missing = []
    for frame in frames:
        path = resolve(root, pattern, frame)
        if path.parent not in listings:
            listings[path.parent] = frozenset(_names(path.parent))
        if path.name not in listings[path.parent]:
            missing.append(frame)
    return missing


def _names(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


def nearby(path: str | os.PathLike[str]) -> str:
    """A sentence about what stands near a file that is missing: other frames, or names alike.

    Returns:
        Such as ``did you mean "plate.1001.exr"?``, ``frames 1001–1024 are there``, ``the folder "x" does
        not exist``; empty where the file exists.
    """
    path = Path(path)
    if path.is_file():
        return ""
    if path.is_dir():
        return "it is a folder"
    if not path.parent.is_dir():
        return _missing_folder(path.parent)
    names = [name for name in _names(path.parent) if not name.startswith(".")]
    if not names:
        return f'the folder "{path.parent}" is empty'
    return _other_frames(path.name, names) or _alike(path.name, names)


def _missing_folder(folder: Path) -> str:
    above = folder
    while not above.parent.is_dir() and above != above.parent:
        above = above.parent
    hint = _alike(above.name, [name for name in _names(above.parent) if (above.parent / name).is_dir()])
    return f'the folder "{above}" does not exist' + (f", {hint}" if hint.startswith("did") else "")


def _other_frames(name: str, names: list[str]) -> str:
    """Which numbers exist of a name whose last number is its frame."""
    numbers = list(re.finditer(r"\d+", Path(name).stem))
    if not numbers:
        return ""
    first, last = numbers[-1].span()
    alike = re.compile(re.escape(name[:first]) + r"(-?\d+)" + re.escape(name[last:]))
    found = sorted(int(match[1]) for match in map(alike.fullmatch, names) if match)
    if not found:
        return ""
    if int(name[first:last]) in found:
        # The number is there, written with another count of zeros.
        return _alike(name, [other for other in names if alike.fullmatch(other)])
    span = f"frame {found[0]} is" if len(found) == 1 else f"frames {found[0]}–{found[-1]} are"
    holes = found[-1] - found[0] + 1 - len(found)
    return f"{span} there" + (f", with {holes} missing between" if holes else "")


def _alike(name: str, names: list[str]) -> str:
    folded = {other.casefold(): other for other in names}
    near = difflib.get_close_matches(name.casefold(), list(folded), n=2, cutoff=0.7)
    if near:
        return "did you mean " + " or ".join(f'"{folded[other]}"' for other in near) + "?"
    few = ", ".join(f'"{other}"' for other in names[:5])
    return f"the folder holds {few}" + (f" and {len(names) - 5} more" if len(names) > 5 else "")
