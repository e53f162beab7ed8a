"""One batch at a time on one ledger: a lock that ends with the process that holds it, however that ends."""

from __future__ import annotations

import contextlib
import os
import platform
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from stackcomp.errors import FileError, Problem, RequestError

__all__ = ["only_batch"]


@contextlib.contextmanager
def only_batch(ledger: Path) -> Iterator[None]:
    """Hold the lock of a ledger.

    Raises:
        RequestError: another batch holds it; the message says which process.
        FileError: the folder cannot be written to.
    """
    path = ledger.with_name(f".{ledger.name}.lock")
    holder = ledger.with_name(f".{ledger.name}.holder")
    try:
        ledger.parent.mkdir(parents=True, exist_ok=True)
        # A lock that is only a file would outlive a batch that was killed.
        lock = FileLock(path, fallback_to_soft=False, preserve_lock_file=True)
        lock.acquire(timeout=0)
    except Timeout:
        message = f"another batch is at work on {ledger.parent}{_who(holder)}"
        raise RequestError(Problem("batch-running", message, "wait for its end, or stop it")) from None
    except OSError as error:
        raise FileError(
            path, f"cannot be written: {error.strerror}", "check who may write to the folder"
        ) from error
    try:
        with contextlib.suppress(OSError):
            holder.write_text(f"process {os.getpid()} on {platform.node()}", "utf-8")
        yield
    finally:
        with contextlib.suppress(OSError):
            holder.unlink()
        # The file of the lock stays: who waits for it has it open.
        lock.release()


def _who(holder: Path) -> str:
    try:
        return f" ({holder.read_text('utf-8')[:200]})"
    except (OSError, ValueError):
        return ""
