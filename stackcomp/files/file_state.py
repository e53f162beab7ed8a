"""Which file stands at a path, and in which state; or why there is none that can be read.

Two looks at a path that give the same `FileState` saw the same contents: a file that was put in its place has
another inode, one that was written to has other times or another size. The time of the last change of the inode is
among them because size and modification time can be copied from file to file, and that one cannot be set.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from stackcomp.errors import FileError
from stackcomp.files.paths import nearby

__all__ = [
    "FileChangedError",
    "FileState",
    "NoFileError",
    "cannot_write",
    "file_state",
    "one_state",
    "require_state",
]


#: Bytes of room below which a disk counts as full, where a library failed and kept the reason for itself.
_NEXT_TO_NOTHING = 1 << 20


class NoFileError(FileError):
    """Nothing stands at a path."""


class FileChangedError(FileError):
    """A file was replaced or written to while it was read."""


class FileState(NamedTuple):
    """Identity and state of a file; times in nanoseconds."""

    device: int
    inode: int
    size: int
    modified: int
    changed: int


def file_state(path: str | os.PathLike[str]) -> FileState:
    """The state of the file at a path, links followed.

    Raises:
        FileError: no file is there, or none that may be read: a link that leads nowhere, a folder, something that
            is no regular file, a folder on the way that may not be entered.
    """
    path = Path(path)
    try:
        found = os.stat(path)
        if stat.S_ISREG(found.st_mode) and not os.access(path, os.R_OK):
            raise FileError(path, "there is no permission to read it", "check who may read the file")
    except (OSError, ValueError) as error:
        raise _unreachable(path, error) from None
    if stat.S_ISDIR(found.st_mode):
        raise FileError(path, "it is a folder", "name a file in it")
    if not stat.S_ISREG(found.st_mode):
        raise FileError(path, f"it is {_special(found.st_mode)}, not a file", "name a regular file")
    return FileState(found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)


@contextmanager
def one_state(path: str | os.PathLike[str], expected: FileState | None = None) -> Iterator[FileState]:
    """Holds for what is read inside: the file has one state before and after.

    Args:
        path: the file.
        expected: the state in which it was seen before, if it was.

    Raises:
        FileChangedError: it changed meanwhile. What went wrong inside is blamed on that as well, since a file that
            is written to while it is read may look damaged in any way.
    """
    if expected is not None:
        require_state(path, expected)
    state = file_state(path) if expected is None else expected
    try:
        yield state
    except FileError as error:
        if not _still(path, state):
            raise _changed(path) from error
        raise
    require_state(path, state)


def require_state(path: str | os.PathLike[str], state: FileState) -> None:
    """Make sure that a file is still as it was.

    Raises:
        FileChangedError: it is not, or is gone.
    """
    if not _still(path, state):
        raise _changed(path)


def _still(path: str | os.PathLike[str], state: FileState) -> bool:
    try:
        return file_state(path) == state
    except FileError:
        return False


def _changed(path: str | os.PathLike[str]) -> FileChangedError:
    return FileChangedError(
        path,
        "it was replaced or written to while it was used",
        "wait until whatever writes it has finished, then render the frame again",
    )


def cannot_write(path: str | os.PathLike[str], error: Exception) -> FileError:
    """What to say when ``path`` could not be written: the disk or the folder by name, never a passing file beside.

    Args:
        path: the file that was to be there in the end.
        error: what was raised on the way.
    """
    path = Path(path)
    folder = _nearest_folder(path)
    number = error.errno if isinstance(error, OSError) else None
    if number in (errno.ENOSPC, errno.EDQUOT) or (number is None and _full(folder)):
        return FileError(
            path, "cannot be written: the disk is full", f'make room on the disk that holds "{folder}"'
        )
    if number == errno.EROFS:
        return FileError(
            path, f'cannot be written: the disk that holds "{folder}" is read-only', "choose another folder"
        )
    if number in (errno.EACCES, errno.EPERM) or (number is None and not os.access(folder, os.W_OK | os.X_OK)):
        return FileError(
            path, f'cannot be written: there is no permission to write to the folder "{folder}"',
            "check who may write to it",
        )  # fmt: skip
    if number in (errno.ENOTDIR, errno.EEXIST):
        blocking = next((part for part in path.parents if part.exists() and not part.is_dir()), path.parent)
        return FileError(path, f'cannot be written: "{blocking}" is a file, not a folder', "choose another folder")
    if number == errno.ENAMETOOLONG:
        return FileError(path, "cannot be written: its name is too long for the disk", "choose a shorter name")
    reason = (error.strerror or "the disk failed") if isinstance(error, OSError) else str(error)
    # Libraries name the passing file, which nobody knows.
    reason = re.sub(rf"\.{re.escape(path.stem)}\.\d+-\d+{re.escape(path.suffix)}", path.name, reason)
    return FileError(path, f"cannot be written: {reason}")


def _nearest_folder(path: Path) -> Path:
    """The folder of a file, or the one above it where that is still missing."""
    for folder in path.parents:
        try:
            if stat.S_ISDIR(os.stat(folder).st_mode):
                return folder
        except OSError:
            continue
    return path.parent


def _full(folder: Path) -> bool:
    try:
        disk = os.statvfs(folder)
    except (AttributeError, OSError):
        return False
    return disk.f_blocks > 0 and disk.f_bavail * disk.f_frsize < _NEXT_TO_NOTHING


def _unreachable(path: Path, error: OSError | ValueError) -> FileError:
    if not isinstance(error, OSError):
        return FileError(path, "a path cannot hold a NUL character")
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return _missing(path)
    if error.errno in (errno.EACCES, errno.EPERM):
        return FileError(
            path, f'there is no permission to enter the folder "{_closed(path)}"', "check who may enter it"
        )
    if error.errno == errno.ELOOP:
        return FileError(path, "it is a link that leads in a circle", "put the file there, or mend the link")
    if error.errno == errno.ENAMETOOLONG:
        return FileError(path, "its name is longer than the disk allows", "check the path")
    return FileError(path, f"cannot be read: {error.strerror or 'the disk failed'}", "check the disk")


def _missing(path: Path) -> FileError:
    for part in (*reversed(path.parents), path):
        if part.is_symlink() and not _exists(part):
            what = "it" if part == path else f'the folder "{part}"'
            return FileError(
                path, f'{what} is a link that leads nowhere: it points at "{os.readlink(part)}"',
                "put the file there, or mend the link",
            )  # fmt: skip
        if part != path and part.is_file():
            return FileError(path, f'"{part}" is a file, not a folder', "check the path")
    return NoFileError(path, "there is no such file", nearby(path))


def _exists(path: Path) -> bool:
    try:
        os.stat(path)
    except OSError:
        return False
    return True


def _closed(path: Path) -> Path:
    """The topmost folder on the way that lets nobody through."""
    for folder in reversed(path.parents):
        if not os.access(folder, os.X_OK):
            return folder
    return path.parent


def _special(mode: int) -> str:
    kinds = (
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
        (stat.S_ISCHR, "a device"),
        (stat.S_ISBLK, "a device"),
    )
    return next((word for test, word in kinds if test(mode)), "something else")
