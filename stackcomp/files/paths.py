"""Frame numbers in file names.

A file sequence is one text with a frame token: ``plate.{frame:04d}.exr``, ``plate.{frame}.exr``,
``plate.%04d.exr`` or ``plate.%d.exr``. Several tokens in one text all get the same number.

``{{``, ``}}`` and ``%%`` are escapes for the characters ``{``, ``}`` and ``%``. A single ``%`` that does not begin
a token is a plain character.
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

# A width has at most two digits: a larger one is a mistake, and would fill the memory.
_TOKEN = re.compile(
    r"(?P<literal>\{\{|\}\}|%%)|\{frame(?::(?P<brace>0?[0-9]{0,2})d)?\}|%(?P<percent>0?[0-9]{0,2})d"
)


@dataclass(frozen=True)
class FramePath:
    """A path that may hold a frame token.

    Args:
        text: the path as written in a graph.

    Raises:
        ValueError: an empty path, a NUL character, or braces around anything but ``frame`` or ``frame:04d``.
    """

    text: str

    def __post_init__(self) -> None:
        if not self.text:
            raise BadValueError("a path cannot be empty", "give the name of a file")
        if "\0" in self.text:
            raise BadValueError(f"a path cannot contain a NUL character: {self.text!r}", "remove it")
        rest = _TOKEN.sub("", self.text)
        if "{" in rest or "}" in rest:
            braces = re.search(r"\{([^{}]*)\}", rest)
            shown = f'"{braces[0]}"' if braces else "a single brace"
            way_out = "double a brace that is part of the name: {{ or }}"
            if braces is not None and braces[1].isidentifier():
                way_out = f"a variable is written ${braces[0]}; {way_out}"
            raise BadValueError(
                f'path "{self.text}" contains {shown}: only the frame number may be in braces, '
                "as {frame} or {frame:04d}",
                way_out,
            )

    @property
    def has_frame(self) -> bool:
        """Whether the path contains a frame token."""
        return any(token["literal"] is None for token in _TOKEN.finditer(self.text))

    def for_frame(self, frame: int) -> str:
        """Return the path with each token replaced by the frame number."""

        def replacement(token: re.Match[str]) -> str:
            if token["literal"] is not None:
                return token["literal"][0]
            return format(frame, (token["brace"] or token["percent"] or "") + "d")

        return _TOKEN.sub(replacement, self.text)

    def __str__(self) -> str:
        return self.text


def _frame_path(text: str | FramePath) -> FramePath:
    return text if isinstance(text, FramePath) else FramePath(text)


def resolve(root: str | os.PathLike[str], text: str | FramePath, frame: int) -> Path:
    """Return the path of the file of one frame; a relative path starts at ``root``."""
    return Path(root, _frame_path(text).for_frame(frame))


def missing_frames(pattern: str | FramePath, root: str | os.PathLike[str], frames: Iterable[int]) -> list[int]:
    """Return those of ``frames`` whose path does not exist, not even as a link or a folder, in the order given."""
    return [frame for frame in frames if not os.path.lexists(resolve(root, pattern, frame))]


def _names(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


def nearby(path: str | os.PathLike[str], *, frames: bool = False) -> str:
    """Return a hint about a missing file: a sequence, its other frames, or similar names.

    A single file of a sequence is never suggested, because every frame would then read the same file.

    Args:
        path: the file.
        frames: whether the path in the graph has a frame token, so that a single similar file is a sequence too.

    Returns:
        A clause such as ``did you mean "plate.{frame:04d}.exr"? Frames 1001–1024 exist``, or ``the folder "x"
        does not exist``; empty if the file exists.
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
        return "it is a broken link"
    if not os.path.isdir(path.parent):
        return _missing_folder(path.parent)
    names = [name for name in _names(path.parent) if not name.startswith(".") and name != path.name]
    if not names:
        return f'the folder "{path.parent}" is empty'
    sequences = [sequence for sequence in sequences_of(names) if len(sequence.frames) > 1 or frames]
    return (
        _twin(path.name, names)
        or _other_frames(path.name, names)
        or _in_sequence(path.name, sequences)
        or alike(path.name, names, sequences)
    )


def frozen(text: str | FramePath, root: str | os.PathLike[str], frames: Iterable[int]) -> Sequence | None:
    """Return the sequence of which a path without a frame token names one frame, if the graph uses more of them.

    Args:
        text: the path as written in a graph.
        root: folder for relative paths.
        frames: the frames of the graph.

    Returns:
        The sequence. None if there is none, or the number is a version, as in ``_v002``, or not a frame of the
        graph.
    """
    wanted = set(frames)
    path = resolve(root, text, 0)
    for sequence in sequences_of(_names(path.parent)):
        if path.name in sequence.names:
            own = sequence.frames[sequence.names.index(path.name)]
            version = re.search(r"(^|[^A-Za-z])[vV]$", sequence.before)
            used = wanted.intersection(sequence.frames)
            return sequence if own in wanted and len(used) > 1 and not version else None
    return None


def _twin(name: str, names: list[str]) -> str:
    """A hint about a name that differs only in its Unicode normalisation."""
    plain = unicodedata.normalize("NFC", name)
    other = next((other for other in names if unicodedata.normalize("NFC", other) == plain), None)
    if other is None:
        return ""
    composed = "composed" if other == unicodedata.normalize("NFC", other) else "decomposed"
    return (
        f"there is a file of that name whose accents are encoded differently (Unicode, {composed}); "
        "copy the name from the folder, or rename the file"
    )


def _missing_folder(folder: Path) -> str:
    above = folder
    while not os.path.isdir(above.parent) and above != above.parent:
        above = above.parent
    hint = alike(above.name, [name for name in _names(above.parent) if os.path.isdir(above.parent / name)])
    return f'the folder "{above}" does not exist' + (f", {hint}" if hint.startswith("did") else "")


def _other_frames(name: str, names: list[str]) -> str:
    """A hint about the sequence to which a name belongs by its last number."""
    numbers = list(re.finditer(r"\d+", Path(name).stem))
    if not numbers:
        return ""
    first, last = numbers[-1].span()
    same_text = re.compile(re.escape(name[:first]) + r"\d+" + re.escape(name[last:]))
    sequences = [
        sequence
        for sequence in sequences_of(filter(same_text.fullmatch, names))
        if sequence.before == name[:first]
    ]
    if not sequences:
        return ""
    if int(name[first:last]) in sequences[0].frames:
        # The frame exists, with another number of zeros.
        return _suggestion(sequences[0])
    return sequences[0].description


def _in_sequence(name: str, sequences: list[Sequence]) -> str:
    """A hint about the sequence that a name matches except for its number."""
    matches = [sequence for sequence in sequences if sequence.matches_except_number(name)]
    return _suggestion(max(matches, key=lambda s: len(s.before) + len(s.behind))) if matches else ""


def _suggestion(sequence: Sequence) -> str:
    return f'did you mean "{sequence.pattern}"? {sequence.existing.capitalize()}'


def alike(name: str, names: list[str], sequences: Collection[Sequence] = ()) -> str:
    """Return a hint with the names most similar to ``name``, a sequence as one name, or with all of them."""
    of = {member: sequence for sequence in sequences for member in sequence.names}
    folded = {other.casefold(): other for other in names}
    near = [folded[other] for other in difflib.get_close_matches(name.casefold(), list(folded), n=6, cutoff=0.7)]
    if near and near[0] in of:
        return _suggestion(of[near[0]])
    labels = list(dict.fromkeys(f'"{of[other].pattern if other in of else other}"' for other in near))
    if labels:
        return f"did you mean {' or '.join(labels[:2])}?"
    every = list(dict.fromkeys(f'"{of[other].pattern if other in of else other}"' for other in names))
    return f"the folder holds {', '.join(every[:5])}" + (f" and {len(every) - 5} more" if len(every) > 5 else "")
