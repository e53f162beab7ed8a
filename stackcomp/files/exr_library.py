"""OpenEXR files as the library opens them, with headers repaired where it would refuse them."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

from stackcomp.errors import FileError
from stackcomp.files.exr_layout import Layout
from stackcomp.files.id_types import keys_apart
from stackcomp.files.quiet import captured_stdout, filtered_stderr

__all__ = ["exr_metadata", "open_exr"]

#: Attributes of the storage, which are no metadata.
_STRUCTURE = frozenset(
    ("channels", "chunkCount", "compression", "dataWindow", "displayWindow", "lineOrder", "tiles", "type")
)


def exr_metadata(path: Path, layout: Layout) -> dict[str, Any]:
    """Attributes of all parts, as `stackcomp.files.exr.Header` describes them.

    Raises:
        FileError: the library cannot open each part.
    """
    with captured_stdout(), filtered_stderr():
        parts = open_exr(path, layout, header_only=True).parts
    if len(parts) != len(layout.parts):
        raise FileError(path, f"only {len(parts)} of its {len(layout.parts)} parts can be opened")
    metadata: dict[str, Any] = {}
    for part, known in zip(parts, layout.parts, strict=True):
        own = {
            name: known.foreign.get(name, value)
            for name, value in part.header.items()
            if name not in _STRUCTURE and name not in known.ignored
        }
        for name, value in keys_apart(metadata, own).items():
            metadata.setdefault(name, _kept_once(value) if isinstance(value, str) else value)
    if len(parts) > 1:
        metadata.pop("name", None)
    return metadata


@lru_cache(maxsize=64)
def _kept_once(text: str) -> str:
    """The text. Frames of a sequence have the same long texts, such as lists of names, which are kept once."""
    return text


def open_exr(path: Path, layout: Layout, **options: Any) -> Any:
    """The file as the library opens it.

    Args:
        path: the file.
        layout: of it, with repairs of its header.
        options: of the library.

    Raises:
        FileError: the library cannot read it.
    """
    import OpenEXR

    repaired = _Repaired(path, layout.repairs) if layout.repairs else None
    try:
        return OpenEXR.File(str(path) if repaired is None else repaired, separate_channels=True, **options)
    except MemoryError as error:
        raise FileError(path, "there is not enough memory for it") from error
    except Exception as error:  # The bindings raise exceptions of any type for damaged files.
        if repaired is not None and repaired.failure is not None:
            # Raised by our own code below, which the library called.
            raise repaired.failure from None
        if repaired is not None and isinstance(error, TypeError | UnicodeDecodeError):
            # Before 3.5 the library reads from paths only.
            raise FileError(path, layout.doubts[0], "install OpenEXR 3.5 or newer to read it anyway") from error
        raise FileError(
            path, "its header is damaged: the OpenEXR library cannot read it", "render or copy the file again"
        ) from error
    finally:
        if repaired is not None:
            repaired.close()


class _Repaired(io.RawIOBase):
    """A file as the library can read it: with other bytes at a few offsets of its header.

    Attributes:
        failure: the exception that reading raised, because the library replaces it by one of its own.
    """

    def __init__(self, path: Path, repairs: Iterable[tuple[int, bytes]]) -> None:
        super().__init__()
        self._path = path
        self._file = path.open("rb")
        self._repairs = tuple(repairs)
        self.failure: Exception | None = None

    def readable(self) -> bool:
        """Whether it can be read: always."""
        return True

    def seekable(self) -> bool:
        """Whether it supports `seek`: always."""
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Set the position; see `io.IOBase.seek`."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """Return the position of the next byte."""
        return self._file.tell()

    def read(self, size: int = -1) -> bytes:
        """Read bytes from the position on, repaired."""
        try:
            return self._read(size)
        except OSError as error:
            self.failure = FileError(self._path, f"cannot be read: {error.strerror or error}")
            raise
        except Exception as error:
            self.failure = error
            raise

    def _read(self, size: int) -> bytes:
        start = self._file.tell()
        data = bytearray(self._file.read(size))
        for at, instead in self._repairs:
            first, last = max(at, start), min(at + len(instead), start + len(data))
            if first < last:
                data[first - start : last - start] = instead[first - at : last - at]
        return bytes(data)

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()
