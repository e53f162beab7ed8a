"""What became of a frame. It travels from a worker to the process that keeps the ledger."""

from __future__ import annotations

import errno
from dataclasses import dataclass

from stackcomp.errors import BugError, CheckError, RenderError, StackcompError
from stackcomp.files.file_state import DiskFullError, FileChangedError, NoFileError

__all__ = ["FileRecord", "FrameRecord", "Reason", "reason_of"]

#: What the system says when a disk or a share is not there for a while.
_LOST = {errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.ENOTCONN, errno.EHOSTDOWN, errno.ENXIO, errno.ENODEV}
#: Rules whose findings tell that files are not there, which the process in charge has seen shortly before.
_GONE = {"file-missing", "frame-missing"}


@dataclass(frozen=True)
class FileRecord:
    """A file as it was when it was used.

    Attributes:
        path: as the process saw it.
        size: in bytes.
        modified: time of the last change, in nanoseconds.
        hash: of its contents, 32 hexadecimal digits, see `stackcomp.files.file_hash`.
    """

    path: str
    size: int
    modified: int
    hash: str


@dataclass(frozen=True)
class Reason:
    """Why a frame failed.

    Attributes:
        message: for a person.
        node: the node at fault, or empty.
        kind: ``"passing"`` where another try may help (a lost share, a file that was being written), ``"full"``
            where the disk is full, ``"worker"`` where the process died, ``"bug"``, or ``"frame"`` for all else.
        traceback: of a bug.
    """

    message: str
    node: str = ""
    kind: str = "frame"
    traceback: str = ""


@dataclass(frozen=True)
class FrameRecord:
    """What became of a frame.

    Attributes:
        shot: name of the shot.
        frame: its number.
        files: what was delivered, with checksums of what was read back.
        inputs: what was read.
        seconds: since the frame before was finished in the same process.
        peak_memory: of the process, in bytes, at the end of the frame.
        warnings: nodes and messages of what stopped nothing.
        reason: why it failed, or None.
    """

    shot: str
    frame: int
    files: tuple[FileRecord, ...] = ()
    inputs: tuple[FileRecord, ...] = ()
    seconds: float = 0.0
    peak_memory: int = 0
    warnings: tuple[tuple[str, str], ...] = ()
    reason: Reason | None = None


def reason_of(error: BaseException) -> Reason:
    """The reason that an exception gives."""
    message = error.reason if isinstance(error, RenderError | BugError) else str(error)
    node = error.node if isinstance(error, RenderError | BugError) else ""
    if isinstance(error, BugError):
        import traceback

        return Reason(message, node, "bug", "".join(traceback.format_exception(error)))
    return Reason(message or type(error).__name__, node, _kind(error))


def _kind(error: BaseException | None) -> str:
    while error is not None:
        if isinstance(error, FileChangedError | NoFileError):
            return "passing"
        if isinstance(error, CheckError) and any(problem.rule in _GONE for problem in error.problems):
            return "passing"
        if isinstance(error, OSError) and error.errno in _LOST:
            return "passing"
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
            return "full"
        if isinstance(error, DiskFullError):
            return "full"
        error = error.__cause__ or (None if isinstance(error, StackcompError) else error.__context__)
    return "frame"
