"""Detect the format of a file by its first bytes, whatever its suffix is.

Source: the signatures in the specifications of the formats.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from stackcomp.errors import FileError

__all__ = ["ENDINGS", "Format", "format_of", "other_format"]

Format = Literal["OpenEXR", "PNG", "JPEG", "TIFF"]

#: Suffixes, and the format that each stands for.
ENDINGS: dict[str, Format] = {
    ".exr": "OpenEXR",
    ".png": "PNG",
    ".jpg": "JPEG",
    ".jpeg": "JPEG",
    ".tif": "TIFF",
    ".tiff": "TIFF",
}
_READ: tuple[tuple[bytes, Format], ...] = (
    (b"\x76\x2f\x31\x01", "OpenEXR"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
)
# Other formats: the first bytes, an offset, the bytes at that offset, and what the file is.
_OTHERS: tuple[tuple[bytes, int, bytes, str], ...] = (
    (b"GIF8", 0, b"", "a GIF"),
    (b"RIFF", 8, b"WEBP", "a WebP picture"),
    (b"RIFF", 8, b"AVI ", "an AVI movie"),
    (b"SDPX", 0, b"", "a DPX picture"),
    (b"XPDS", 0, b"", "a DPX picture"),
    (b"#?R", 0, b"", "a Radiance HDR picture"),
    (b"PF\n", 0, b"", "a PFM picture"),
    (b"Pf\n", 0, b"", "a PFM picture"),
    (b"\0\0\0\x0cjP  ", 0, b"", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", 0, b"", "a JPEG 2000 picture"),
    (b"\0\0\0\x0cJXL ", 0, b"", "a JPEG XL picture"),
    (b"\xff\x0a", 0, b"", "a JPEG XL picture"),
    (b"", 4, b"ftypavif", "an AVIF picture"),
    (b"", 4, b"ftyphei", "a HEIF picture"),
    (b"", 4, b"ftypmif1", "a HEIF picture"),
    (b"", 4, b"ftyp", "a movie"),
    (b"\x1a\x45\xdf\xa3", 0, b"", "a movie"),
    (b"\x06\x0e\x2b\x34", 0, b"", "an MXF file"),
    (b"%PDF", 0, b"", "a PDF"),
    (b"PK\x03\x04", 0, b"", "a zip archive"),
    (b"\x1f\x8b", 0, b"", "a gzip archive"),
    (b"version https://git-lfs", 0, b"", "a Git LFS pointer, not the picture itself"),
    (b"<!DOCTYPE", 0, b"", "a web page"),
    (b"<html", 0, b"", "a web page"),
    (b"<?xml", 0, b"", "an XML text"),
)


def format_of(path: str | os.PathLike[str]) -> Format:
    """Return the format of a picture file.

    Raises:
        FileError: it is not one of these formats; the message names its format if known.
    """
    path = Path(path)
    start = _start(path)
    for signature, name in _READ:
        if start.startswith(signature):
            return name
    if not start:
        raise FileError(path, "it is empty", "render or copy the file again")
    if not start.strip(b"\0"):
        raise FileError(path, "it begins with zeros, as an unfinished file does", "copy the file again")
    other = _other(start)
    raise FileError(
        path,
        f"it is {other}" if other else "it is not an OpenEXR, PNG, JPEG or TIFF file",
        "save it as OpenEXR, or as PNG, JPEG or TIFF",
    )


def other_format(path: str | os.PathLike[str]) -> str:
    """Return what a file is, such as ``a PNG``; empty if unknown."""
    start = _start(Path(path))
    known = next((name for signature, name in _READ if start.startswith(signature)), None)
    return f"{'an' if known == 'OpenEXR' else 'a'} {known}" if known else _other(start)


def _start(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(32)
    except OSError as error:
        raise FileError(
            path, f"cannot be read: {error.strerror or 'the disk failed'}", "check the disk"
        ) from error


def _other(start: bytes) -> str:
    matches = (
        name for first, at, then, name in _OTHERS if start.startswith(first) and start[at:].startswith(then)
    )
    return next(matches, "")
