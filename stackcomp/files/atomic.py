"""Atomic writing: write beside the final name, check the result, then rename it into place."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from pathlib import Path

from stackcomp.errors import FileError
from stackcomp.files.file_state import cannot_write

__all__ = ["library_write", "whole_file"]


class _LibraryWriteError(Exception):
    """A library failed to write or encode a file; ``error`` is what the library raised."""

    def __init__(self, error: Exception) -> None:
        super().__init__(str(error))
        self.error = error


@contextlib.contextmanager
def library_write(*errors: type[Exception]) -> Iterator[None]:
    """Mark a call of a library inside `whole_file`: these exceptions mean that it could not write the file.

    Only the call itself belongs inside, so that an error in our own code is never reported as a file that cannot
    be written.

    Args:
        errors: exceptions that the library raises when it cannot write.
    """
    try:
        yield
    except errors as error:
        raise _LibraryWriteError(error) from error


@contextlib.contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield a hidden name in the same folder, which replaces ``path`` when the body succeeds.

    The body writes the file and reads back what it must be sure of. When it raises, the unfinished file is removed
    and an older file under the final name stays unchanged. A missing folder is created.

    Raises:
        FileError: the system or a library (see `library_write`) cannot write the file, the name or the text has a
            character that cannot be encoded, or the body raised it. All other exceptions come out unchanged.
    """
    final = Path(path)
    # Same folder, because a rename is atomic only within one file system; same suffix, because some writers
    # choose the format by it.
    unfinished = final.with_name(f".{final.stem}.{os.getpid()}-{threading.get_ident()}{final.suffix}")
    try:
        if final.is_dir():
            raise FileError(final, "it is a folder", "give the name of a file")
        final.parent.mkdir(parents=True, exist_ok=True)
        yield unfinished
        os.replace(unfinished, final)
    except FileError as error:
        # Errors in the unfinished file are reported under the name that the user knows.
        if error.path == str(unfinished):
            raise FileError(final, error.reason, error.way_out) from error
        raise
    except _LibraryWriteError as error:
        raise cannot_write(final, error.error) from error.error
    except OSError as error:
        raise cannot_write(final, error) from error
    except UnicodeEncodeError as error:
        character = error.object[error.start : error.start + 1]
        raise FileError(
            final, f"cannot be written: the character {character!r} cannot be encoded", "use another character"
        ) from error
    finally:
        with contextlib.suppress(OSError, ValueError):
            unfinished.unlink()
