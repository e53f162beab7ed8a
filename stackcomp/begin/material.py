"""The files that an artist names: a sequence, a folder that holds one, or a still.

A sequence is named in any of these ways: with a frame token, by one of its files, or by a folder that holds no
other picture.

Paths are taken from the current folder, as in every shell, and kept from the root, as a graph writes them.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from stackcomp.errors import BadValueError, FileError, Problem, RequestError
from stackcomp.files.formats import ENDINGS
from stackcomp.files.paths import FramePath, escaped, nearby, resolve
from stackcomp.files.picture_file import PictureHeader, header_of
from stackcomp.files.sequences import Sequence, sequences_of

__all__ = ["Material", "locate"]

#: Stands for any frame in a path; no file is likely to have it in its name.
_ANY_FRAME = 987_654_321
_MOST_CHOICES = 8
_VERSION = re.compile(r"(^|[^A-Za-z])[vV]$")
_SIGNS = re.compile(r"#+")


@dataclass(frozen=True)
class Material:
    """A sequence or a still.

    Attributes:
        option: the option that named it, for messages.
        path: as a graph writes it, from the root, with a frame token where it is a sequence.
        root: folder for relative paths.
        frames: numbers of the frames that are there, ascending; None for a still.
        still: path of the one file that was named, from the root; empty where a sequence was named.
        shift: added to the frame number to get the number in the file's name.
        given: the path as it was given.
    """

    option: str
    path: str
    root: Path
    frames: tuple[int, ...] | None = None
    still: str = ""
    shift: int = 0
    given: str = ""

    @property
    def shot_frames(self) -> tuple[int, ...] | None:
        """The frames of the graph at which there is a file; None for a still."""
        return None if self.frames is None else tuple(frame - self.shift for frame in self.frames)

    def file(self, frame: int) -> Path:
        """The file of a frame of the graph."""
        return resolve(self.root, self.path, frame + self.shift)

    def as_still(self) -> Material:
        """The one file that was named, for all frames."""
        return replace(self, path=self.still, frames=None, still="", shift=0)

    def limited(self, frames: Iterable[int]) -> Material:
        """With those frames of the graph alone."""
        kept = set(frames)
        return replace(self, frames=tuple(f for f in self.frames or () if f - self.shift in kept))

    @cached_property
    def header(self) -> PictureHeader:
        """The header that most of the files share.

        Raises:
            RequestError: no file can be read.
        """
        headers, failure = [], None
        for frame in (0,) if self.frames is None else self.shot_frames or ():
            try:
                headers.append(header_of(self.file(frame))[0])
            except FileError as error:
                failure = failure or error
        if not headers:
            assert failure is not None
            raise RequestError(
                Problem("file", f"{self.option}: {failure.path}: {failure.reason}", failure.way_out)
            )
        alike = Counter((header.display, header.channels) for header in headers)
        most = max(alike.values())
        return next(header for header in headers if alike[header.display, header.channels] == most)


def locate(text: str, option: str, root: str | os.PathLike[str] = ".") -> Material:
    """Find what a path means.

    Args:
        text: a path from the current folder, or an absolute one.
        option: what named it, for messages.
        root: folder at which the paths of the graph start.

    Raises:
        RequestError: there is no such file, the path cannot be read, or a folder holds several sequences.
    """
    return replace(_located(text, option, Path(root)), given=text)


def _located(text: str, option: str, folder: Path) -> Material:
    if not text.strip():
        raise RequestError(Problem("path", f"{option}: the path is empty", "name a file, a sequence or a folder"))
    if os.path.isdir(text):
        return _in_folder(text, option, folder)
    if os.path.lexists(text):
        return _of_file(text, option, folder)
    try:
        pattern = FramePath(_SIGNS.sub(lambda signs: f"{{frame:0{len(signs[0])}d}}", text))
    except BadValueError as error:
        raise RequestError(Problem("path", f"{option}: {error.message}", error.way_out)) from None
    frames = _on_disk(pattern) if pattern.has_frame else ()
    if not frames:
        missing = resolve("", pattern, 1)
        message = f"there is no frame of {text}" if pattern.has_frame else f"there is no file {text}"
        raise RequestError(
            Problem("file-missing", f"{option}: {message}", nearby(missing, frames=pattern.has_frame))
        )
    return Material(option, _from_root(pattern.text, folder), folder, frames)


def _on_disk(pattern: FramePath) -> tuple[int, ...]:
    """Numbers of the frames of a path with a token that exist."""
    parts = Path(pattern.for_frame(_ANY_FRAME)).parts
    numbered = next(k for k, part in enumerate(parts) if str(_ANY_FRAME) in part)
    name = re.compile(re.sub(f"0*{_ANY_FRAME}", r"(-?\\d+)", re.escape(parts[numbered])))
    matches = filter(None, map(name.fullmatch, _names(Path(*parts[:numbered]))))
    return tuple(sorted(n for n in {int(match[1]) for match in matches} if os.path.isfile(pattern.for_frame(n))))


def _of_file(text: str, option: str, root: Path) -> Material:
    path = Path(text)
    still = _from_root(escaped(text), root)
    alike = [name for name in _names(path.parent) if name.lower().endswith(path.suffix.lower())]
    sequence = next((found for found in sequences_of(alike) if path.name in found.names), None)
    if sequence is None or _VERSION.search(sequence.before):
        return Material(option, still, root)
    return _of_sequence(sequence, path.parent, option, root, still)


def _of_sequence(sequence: Sequence, folder: Path, option: str, root: Path, still: str) -> Material:
    pattern = FramePath(sequence.pattern)
    # With several widths, such as 1 beside 0002, some names cannot be written with one token.
    frames = [f for f, name in zip(sequence.frames, sequence.names, strict=True) if pattern.for_frame(f) == name]
    path = os.path.join(escaped(str(folder)), pattern.text)
    return Material(option, _from_root(path, root), root, tuple(frames), still)


def _in_folder(text: str, option: str, root: Path) -> Material:
    folder = Path(text)
    pictures = [name for name in _names(folder) if Path(name).suffix.lower() in ENDINGS]
    sequences = [found for found in sequences_of(pictures) if not _VERSION.search(found.before)]
    numbered = {name for found in sequences for name in found.names}
    stills = [name for name in pictures if name not in numbered]
    if len(sequences) + len(stills) != 1:
        choices = [os.path.join(text, found.pattern) for found in sequences]
        choices += [os.path.join(text, name) for name in stills]
        if not choices:
            kinds = " ".join(ENDINGS)
            message = f"the folder {text} holds no picture ({kinds})"
            raise RequestError(Problem("file-missing", f"{option}: {message}", "name another folder or a file"))
        listed = " or ".join(f'{option} "{choice}"' for choice in choices[:_MOST_CHOICES])
        more = f"; there are {len(choices) - _MOST_CHOICES} more" if len(choices) > _MOST_CHOICES else ""
        message = f"the folder {text} holds {len(choices)} sequences and stills: which one is meant?"
        raise RequestError(Problem("input-unclear", f"{option}: {message}", f"give {listed}{more}"))
    if stills:
        return Material(option, _from_root(escaped(str(folder / stills[0])), root), root)
    only = sequences[0]
    still = _from_root(escaped(str(folder / only.names[0])), root) if len(only.names) == 1 else ""
    return _of_sequence(only, folder, option, root, still)


def _names(folder: Path) -> list[str]:
    try:
        return sorted(name for name in os.listdir(folder) if not name.startswith("."))
    except OSError:
        return []


def _from_root(path: str, root: Path) -> str:
    """A path of the shell as the graph writes it: from the root, absolute only where it was given so."""
    try:
        relative = os.path.relpath(path, root)
    except ValueError:  # On Windows, another drive.
        return Path(path).absolute().as_posix()
    outside = relative.split(os.sep)[0] == os.pardir
    return Path(os.path.normpath(path) if outside and os.path.isabs(path) else relative).as_posix()
