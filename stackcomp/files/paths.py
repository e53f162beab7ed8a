"""Frame numbers in file names.

A file sequence is one text with a frame token: ``plate.{frame:04d}.exr``, ``plate.{frame}.exr``,
``plate.%04d.exr`` or ``plate.%d.exr``. Several tokens in one text all get the same number.

``{{``, ``}}`` and ``%%`` stand for the characters ``{``, ``}`` and ``%`` themselves. A single ``%`` that begins no
token is plain as well.
"""

from __future__ import annotations

import difflib
import os
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from stackcomp.errors import BadValueError

__all__ = ["FramePath", "escaped", "missing_frames", "nearby", "resolve"]

# Two digits of width at the most: a wider number is a slip, and would fill memory.
_TOKEN = re.compile(
    r"(?P<literal>\{\{|\}\}|%%)|\{frame(?::(?P<brace>0?[0-9]{0,2})d)?\}|%(?P<percent>0?[0-9]{0,2})d"
)


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
            raise BadValueError(
                f'path "{self.text}" holds {seen}: only the frame number may stand in braces, '
                "as {frame} or {frame:04d}",
                "write a brace that belongs to the name twice: {{ or }}",
            )

    @property
    def has_frame(self) -> bool:
        """Whether the path is different at each frame."""
        return any(token["literal"] is None for token in _TOKEN.finditer(self.text))

    def for_frame(self, frame: int) -> str:
        """The path with the number of ``frame`` in place of each token."""

        def written(token: re.Match[str]) -> str:
            if token["literal"] is not None:
                return token["literal"][0]
            return format(frame, (token["brace"] or token["percent"] or "") + "d")

        return _TOKEN.sub(written, self.text)

    def __str__(self) -> str:
        return self.text


def escaped(name: str) -> str:
    """A name as it is written in a path with frame tokens, so that no part of it is taken for one."""
    return re.sub(r"[{}%]", lambda sign: 2 * sign[0], name)


def _frame_path(text: str | FramePath) -> FramePath:
    return text if isinstance(text, FramePath) else FramePath(text)


def resolve(root: str | os.PathLike[str], text: str | FramePath, frame: int) -> Path:
    """The file of one frame; a relative path starts at ``root``."""
    return Path(root, _frame_path(text).for_frame(frame))


def missing_frames(pattern: str | FramePath, root: str | os.PathLike[str], frames: Iterable[int]) -> list[int]:
    """Those of ``frames`` at whose path nothing stands, not even a link or a folder, in the order given."""
    return [frame for frame in frames if not os.path.lexists(resolve(root, pattern, frame))]


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
    if os.path.isfile(path):
        return ""
    if os.path.isdir(path):
        return "it is a folder"
    if not os.path.isdir(path.parent):
        return _missing_folder(path.parent)
    names = [name for name in _names(path.parent) if not name.startswith(".") and name != path.name]
    if not names:
        return f'the folder "{path.parent}" is empty'
    return _twin(path.name, names) or _other_frames(path.name, names) or _alike(path.name, names)


def _twin(name: str, names: list[str]) -> str:
    """A name that looks the same on a screen, where only the computer sees a difference."""
    plain = unicodedata.normalize("NFC", name)
    other = next((other for other in names if unicodedata.normalize("NFC", other) == plain), None)
    if other is None:
        return ""
    composed = "composed" if other == unicodedata.normalize("NFC", other) else "decomposed"
    return (
        f"a file of that name is there whose accents are written in another way (Unicode, {composed}); "
        "copy the name from the folder, or rename the file"
    )


def _missing_folder(folder: Path) -> str:
    above = folder
    while not os.path.isdir(above.parent) and above != above.parent:
        above = above.parent
    hint = _alike(above.name, [name for name in _names(above.parent) if os.path.isdir(above.parent / name)])
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
