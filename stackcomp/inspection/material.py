"""What a person names, as sequences and stills: files, patterns with a frame token, folders."""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackcomp.data.port_types import Alpha
from stackcomp.errors import BadValueError, Problem, RequestError
from stackcomp.files.formats import ENDINGS
from stackcomp.files.paths import FramePath, escaped, nearby, resolve
from stackcomp.files.sequences import sequences_of

__all__ = ["Pictures", "pictures_of"]

#: Stands for any frame in a path; no file is likely to have it in its name.
_ANY_FRAME = 987_654_321
_SIGNS = re.compile(r"#+")
_VERSION = re.compile(r"(^|[^A-Za-z])[vV]$")
#: Gaps between frames are filled where at least this share of the frames is there.
_LEAST_THERE = 0.5


@dataclass(frozen=True)
class Pictures:
    """A sequence of files, or a still.

    Attributes:
        pattern: the path with a frame token, or that of a still.
        root: folder for relative paths.
        frames: frame numbers that are expected, rising; those whose file is missing are among them. None for a
            still.
        shift: added to a frame number to get that in the file's name.
        encoding: name of the colour space; None where the header decides.
        alpha: the state that is declared; None where the header decides.
        node: name of the node that reads it, in a graph.
    """

    pattern: str
    root: Path = Path()
    frames: tuple[int, ...] | None = None
    shift: int = 0
    encoding: str | None = None
    alpha: Alpha | None = None
    node: str = ""

    @property
    def name(self) -> str:
        """What findings call it."""
        return self.pattern if self.frames is not None else FramePath(self.pattern).for_frame(0)

    @property
    def numbers(self) -> tuple[int | None, ...]:
        """The frames, or one None for a still."""
        return (None,) if self.frames is None else self.frames

    def file(self, frame: int | None) -> Path:
        """The file of a frame."""
        return resolve(self.root, self.pattern, (frame or 0) + self.shift)


def pictures_of(
    texts: Sequence[str],
    *,
    frames: Sequence[int] | None = None,
    root: str | os.PathLike[str] = ".",
    encoding: str | None = None,
    alpha: Alpha | None = None,
) -> list[Pictures]:
    """Find the sequences and stills that are meant.

    Args:
        texts: files, paths with a frame token (``{frame:04d}``, ``%04d``, ``####``), folders. Files that differ in
            one number are frames of one sequence.
        frames: the frames of sequences; all that are there when None, with those missing between them.
        root: folder for relative paths.
        encoding: of all of them; their headers decide when None.
        alpha: likewise.

    Raises:
        RequestError: a path that cannot be read, a folder without pictures, a sequence without a frame; all of
            them are in it.
    """
    folder = Path(root)
    problems: list[Problem] = []
    found: list[Pictures] = []
    files: list[str] = []
    for text in texts:
        try:
            files += _expanded(text, folder, found, frames)
        except RequestError as error:
            problems += error.problems
    if problems:
        raise RequestError(problems)
    found += _grouped(files, folder, frames)
    unique = {(pictures.pattern, pictures.frames): pictures for pictures in found}
    return [
        Pictures(each.pattern, folder, each.frames, encoding=encoding, alpha=alpha) for each in unique.values()
    ]


def _expanded(text: str, root: Path, found: list[Pictures], frames: Sequence[int] | None) -> list[str]:
    """Names of files that a text means; a path with a token is added to ``found``."""
    if not text.strip() or "\0" in text:
        raise RequestError(Problem("path", "a path is empty", "name a file, a sequence or a folder"))
    path = root / text
    if path.is_dir():
        names = [name for name in _names(path) if Path(name).suffix.lower() in ENDINGS]
        if not names:
            endings = " ".join(ENDINGS)
            raise RequestError(
                Problem("file-missing", f"the folder {text} holds no picture ({endings})", "name another one")
            )
        return [os.path.join(text, name) for name in names]
    if os.path.lexists(path):
        return [text]
    try:
        pattern = FramePath(_SIGNS.sub(lambda signs: f"{{frame:0{len(signs[0])}d}}", text))
    except BadValueError as error:
        raise RequestError(Problem("path", error.message, error.way_out)) from None
    if not pattern.has_frame:
        missing = resolve(root, pattern, 0)
        raise RequestError(Problem("file-missing", f"there is no file {text}", nearby(missing)))
    there = _on_disk(pattern, root)
    if not there:
        hint = nearby(resolve(root, pattern, 1), frames=True)
        raise RequestError(Problem("file-missing", f"there is no frame of {text}", hint))
    found.append(Pictures(pattern.text, root, _expected(there, frames)))
    return []


def _expected(there: Collection[int], frames: Sequence[int] | None) -> tuple[int, ...]:
    """The frames asked for; else those that are there and, where these are most, those between them."""
    if frames is not None:
        return tuple(sorted(set(frames)))
    ordered = sorted(set(there))
    steps = [after - before for before, after in itertools.pairwise(ordered)]
    # Every second frame, say, is a sequence without gaps; the most frequent step is that of the sequence.
    step = max(set(steps), key=lambda size: (steps.count(size), -size)) if steps else 1
    run = tuple(range(ordered[0], ordered[-1] + 1, step))
    if len(run) * _LEAST_THERE <= len(ordered) and set(ordered) <= set(run):
        return run
    return tuple(ordered)


def _on_disk(pattern: FramePath, root: Path) -> tuple[int, ...]:
    """Numbers of the frames of a path with a token that are there."""
    parts = resolve(root, pattern, _ANY_FRAME).parts
    numbered = next(k for k, part in enumerate(parts) if str(_ANY_FRAME) in part)
    name = re.compile(re.sub(f"0*{_ANY_FRAME}", r"(-?\\d+)", re.escape(parts[numbered])))
    numbers = {int(match[1]) for match in filter(None, map(name.fullmatch, _names(Path(*parts[:numbered]))))}
    return tuple(sorted(n for n in numbers if os.path.lexists(resolve(root, pattern, n))))


def _grouped(files: Sequence[str], root: Path, frames: Sequence[int] | None) -> Iterator[Pictures]:
    """Files as sequences, as far as they differ in one number, and stills; in the order of their names."""
    folders: dict[str, list[str]] = {}
    for text in dict.fromkeys(files):
        folder, name = os.path.split(text)
        folders.setdefault(folder, []).append(name)
    for folder, names in folders.items():
        found = [one for one in sequences_of(names) if len(one.frames) > 1 and not _VERSION.search(one.before)]
        known = {name for one in found for name in one.names}
        for one in found:
            pattern = FramePath(os.path.join(escaped(folder), one.pattern))
            # With several widths, such as 1 beside 0002, some names cannot be written with one token.
            written = {os.path.basename(pattern.for_frame(frame)): frame for frame in one.frames}
            there = [frame for name, frame in written.items() if name in one.names]
            yield Pictures(pattern.text, root, _expected(there, frames))
            known -= set(one.names) - set(written)
        for name in names:
            if name not in known:
                yield Pictures(os.path.join(escaped(folder), escaped(name)), root)


def _names(folder: Path) -> list[str]:
    try:
        return sorted(name for name in os.listdir(folder or ".") if not name.startswith("."))
    except OSError:
        return []
