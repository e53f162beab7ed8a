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
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from stackcomp.errors import BadValueError
from stackcomp.files.escaping import escaped
from stackcomp.files.sequences import Sequence, sequences_of

__all__ = ["FramePath", "alike", "escaped", "frozen", "missing_frames", "nearby", "resolve"]

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
            found = re.search(r"\{([^{}]*)\}", rest)
            seen = f'"{found[0]}"' if found else "a lone brace"
            way_out = "write a brace that belongs to the name twice: {{ or }}"
            if found is not None and found[1].isidentifier():
                way_out = f"a variable is written ${found[0]}; {way_out}"
            raise BadValueError(
                f'path "{self.text}" holds {seen}: only the frame number may stand in braces, '
                "as {frame} or {frame:04d}",
                way_out,
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


def nearby(path: str | os.PathLike[str], *, frames: bool = False) -> str:
    """A sentence about what stands near a file that is missing: a sequence, its other frames, or names alike.

    A file of a sequence is never named alone, since that would freeze the picture.

    Args:
        path: the file.
        frames: the graph has a frame token there, so that a single file that is alike is one of a sequence.

    Returns:
        Such as ``did you mean "plate.{frame:04d}.exr"? Frames 1001–1024 are there``, or ``the folder "x"
        does not exist``; empty where the file exists.
    """
    path = Path(path)
    if os.path.isfile(path):
        return ""
    if os.path.isdir(path):
        return "it is a folder"
    unfilled = re.search(r"\$(\w+)", str(path))
    if unfilled is not None:
        return f"a variable is written ${{{unfilled[1]}}}"
    if os.path.islink(path):
        return "it is a link that leads nowhere"
    if not os.path.isdir(path.parent):
        return _missing_folder(path.parent)
    names = [name for name in _names(path.parent) if not name.startswith(".") and name != path.name]
    if not names:
        return f'the folder "{path.parent}" is empty'
    sequences = [found for found in sequences_of(names) if len(found.frames) > 1 or frames]
    return (
        _twin(path.name, names)
        or _other_frames(path.name, names)
        or _in_sequence(path.name, sequences)
        or alike(path.name, names, sequences)
    )


def frozen(text: str | FramePath, root: str | os.PathLike[str], frames: Iterable[int]) -> Sequence | None:
    """The sequence of which a path without a frame token names one frame, where its other frames are wanted too.

    Args:
        text: the path as written in a graph.
        root: folder for relative paths.
        frames: the frames of the graph.

    Returns:
        None also where the number is a version, as in ``_v002``, or none of the graph's frames.
    """
    wanted = set(frames)
    path = resolve(root, text, 0)
    for found in sequences_of(_names(path.parent)):
        if path.name in found.names:
            own = found.frames[found.names.index(path.name)]
            version = re.search(r"(^|[^A-Za-z])[vV]$", found.before)
            return found if own in wanted and len(wanted.intersection(found.frames)) > 1 and not version else None
    return None


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
    hint = alike(above.name, [name for name in _names(above.parent) if os.path.isdir(above.parent / name)])
    return f'the folder "{above}" does not exist' + (f", {hint}" if hint.startswith("did") else "")


def _other_frames(name: str, names: list[str]) -> str:
    """The sequence to which a name would belong, by its last number."""
    numbers = list(re.finditer(r"\d+", Path(name).stem))
    if not numbers:
        return ""
    first, last = numbers[-1].span()
    alike = re.compile(re.escape(name[:first]) + r"\d+" + re.escape(name[last:]))
    found = [
        sequence for sequence in sequences_of(filter(alike.fullmatch, names)) if sequence.before == name[:first]
    ]
    if not found:
        return ""
    if int(name[first:last]) in found[0].frames:
        # The number is there, written with another count of zeros.
        return _meant(found[0])
    return found[0].told


def _in_sequence(name: str, sequences: list[Sequence]) -> str:
    """The sequence that a name is, but for the place of its number."""
    found = [sequence for sequence in sequences if sequence.written_otherwise(name)]
    return _meant(max(found, key=lambda s: len(s.before) + len(s.behind))) if found else ""


def _meant(sequence: Sequence) -> str:
    return f'did you mean "{sequence.pattern}"? {sequence.extent.capitalize()}'


def alike(name: str, names: list[str], sequences: Collection[Sequence] = ()) -> str:
    """A sentence about which of ``names`` may have been meant, a sequence as one; or what there is."""
    of = {member: sequence for sequence in sequences for member in sequence.names}
    folded = {other.casefold(): other for other in names}
    near = [folded[other] for other in difflib.get_close_matches(name.casefold(), list(folded), n=6, cutoff=0.7)]
    if near and near[0] in of:
        return _meant(of[near[0]])
    labels = list(dict.fromkeys(f'"{of[other].pattern if other in of else other}"' for other in near))
    if labels:
        return f"did you mean {' or '.join(labels[:2])}?"
    every = list(dict.fromkeys(f'"{of[other].pattern if other in of else other}"' for other in names))
    return f"the folder holds {', '.join(every[:5])}" + (f" and {len(every) - 5} more" if len(every) > 5 else "")
