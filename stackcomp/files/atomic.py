"""Whole files only: write beside the final name, look at the result, then put it in place."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from pathlib import Path

from stackcomp.errors import FileError
from stackcomp.files.file_state import cannot_write

__all__ = ["whole_file"]


@contextlib.contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Gives a hidden name in the same folder; on success it takes the place of ``path`` at once.

    The body writes the file and reads back what it wants to be sure of. Whatever it raises removes the
    unfinished file, leaves an older one under the final name as it was, and comes out as `FileError`.
    A missing folder is made.
    """
    final = Path(path)
    # Same folder, because a rename is only at once within one file system; same ending, because some
    # writers go by it.
    unfinished = final.with_name(f".{final.stem}.{os.getpid()}-{threading.get_ident()}{final.suffix}")
    try:
        if final.is_dir():
            raise FileError(final, "it is a folder", "give the name of a file")
        final.parent.mkdir(parents=True, exist_ok=True)
        yield unfinished
        os.replace(unfinished, final)
    except FileError as error:
        # What was found wrong with the unfinished file is said of the name that the user knows.
        if error.path == str(unfinished):
            raise FileError(final, error.reason, error.way_out) from error
        raise
    except (OSError, RuntimeError, ValueError, TypeError) as error:
        raise cannot_write(final, error) from error
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink()
