"""The identity and state of the file at a path, or why it cannot be read or written.

If the `FileState` of a path is the same twice, so are the contents: a file that replaced it has another inode, and
a file that was written to has other times or another size. The change time of the inode is included because size
and modification time can be copied from another file, and the change time cannot be set.
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
    "DiskFullError",
    "FileChangedError",
    "FileState",
    "NoFileError",
    "cannot_write",
    "file_state",
    "one_state",
    "require_state",
    "unreachable",
]


#: Free bytes below which a disk counts as full when a library failed without a reason.
_NEXT_TO_NOTHING = 1 << 20


class NoFileError(FileError):
    """There is no file at the path."""


class FileChangedError(FileError):
    """A file was replaced or written to while it was in use."""


class DiskFullError(FileError):
    """There is no space left for a file."""


class FileState(NamedTuple):
    """Identity and state of a file; times in nanoseconds."""

    device: int
    inode: int
    size: int
    modified: int
    changed: int


def file_state(path: str | os.PathLike[str]) -> FileState:
    """Return the state of the file at a path; links are followed.

    Raises:
        FileError: there is no file, or it cannot be read: a broken link, a folder, not a regular file, or a folder
            of the path without permission.
    """
    path = Path(path)
    try:
        status = os.stat(path)
        if stat.S_ISREG(status.st_mode) and not os.access(path, os.R_OK):
            raise FileError(path, "there is no permission to read it", "check who may read the file")
    except (OSError, ValueError) as error:
        raise unreachable(path, error) from None
    if stat.S_ISDIR(status.st_mode):
        raise FileError(path, "it is a folder", "name a file in it")
    if not stat.S_ISREG(status.st_mode):
        raise FileError(path, f"it is {_special(status.st_mode)}, not a file", "name a regular file")
    return FileState(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)


@contextmanager
def one_state(path: str | os.PathLike[str], expected: FileState | None = None) -> Iterator[FileState]:
    """Guarantee that the file has the same state before and after the body.

    Args:
        path: the file.
        expected: its state when it was read before, or None.

    Raises:
        FileChangedError: the file changed. It replaces a `FileError` of the body, because a file that changes
            during reading may look damaged.
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
    """Check that a file still has a state.

    Raises:
        FileChangedError: it has another state, or does not exist any more.
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
        "wait until the program that writes it has finished, then render the frame again",
    )


def cannot_write(path: str | os.PathLike[str], error: Exception) -> FileError:
    """Return the error for a file that could not be written; it names the disk or folder, not a temporary file.

    Args:
        path: the final path of the file.
        error: the exception raised during writing.
    """
    path = Path(path)
    folder = _nearest_folder(path)
    number = error.errno if isinstance(error, OSError) else None
    if number in (errno.ENOSPC, errno.EDQUOT) or (number is None and _full(folder)):
        return DiskFullError(
            path, "cannot be written: the disk is full", f'free space on the disk that holds "{folder}"'
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
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error) or "the disk failed"
    # Libraries name the temporary file, which the user does not know.
    reason = re.sub(rf"\.{re.escape(path.stem)}\.\d+-\d+{re.escape(path.suffix)}", path.name, reason)
    return FileError(path, f"cannot be written: {reason}")


def _nearest_folder(path: Path) -> Path:
    """Return the nearest existing folder above a file."""
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


def unreachable(path: Path, error: OSError | ValueError) -> FileError:
    """Return the error for a file that could not be looked at or opened.

    Args:
        path: the file.
        error: the exception of the operating system; a ValueError is about the path.
    """
    if not isinstance(error, OSError):
        nul = "\0" in str(path)
        what = "a NUL character" if nul else "a character that cannot be encoded"
        return FileError(path, f"a path cannot contain {what}", "check the path")
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return _missing(path)
    if error.errno in (errno.EACCES, errno.EPERM):
        return FileError(
            path, f'there is no permission to enter the folder "{_closed(path)}"', "check who may enter it"
        )
    if error.errno == errno.ELOOP:
        return FileError(path, "it is a link in a cycle of links", "put the file there, or correct the link")
    if error.errno == errno.ENAMETOOLONG:
        return FileError(path, "its name is longer than the disk allows", "check the path")
    return FileError(path, f"cannot be read: {error.strerror or 'the disk failed'}", "check the disk")


def _missing(path: Path) -> FileError:
    for part in (*reversed(path.parents), path):
        if part.is_symlink() and not _exists(part):
            what = "it" if part == path else f'the folder "{part}"'
            return FileError(
                path, f'{what} is a broken link: it points to "{os.readlink(part)}"',
                "put the file there, or correct the link",
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
    """Return the topmost folder of the path that may not be entered."""
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
