"""Names of references: by the name of the test, or by a name that the test gives."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Sequence
from pathlib import Path, PurePath

from stackcomp.errors import RequestError

__all__ = ["FOLDER", "default_name", "reference_path"]

FOLDER = "renders"
"""Name of the folder for references, beside the test's file."""

_LONGEST = 120  # bytes; a file system takes that with an ending and what atomic writing adds
# What no file name of Windows may hold or be. Source: Microsoft, "Naming Files, Paths, and Namespaces".
_NOT_ON_WINDOWS = frozenset('<>:"|?*\\')
_PORTS = tuple(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10))
_DEVICES = frozenset(("con", "prn", "aux", "nul", *_PORTS))
_LONGEST_GIVEN = 200  # bytes, likewise
_OTHER_FORMATS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")


def default_name(module: str, parts: Sequence[str]) -> str:
    """The name, without its ending, of a test's reference.

    Letters and digits of any script, ``-``, ``_`` and ``.`` stay; everything else becomes ``_``. A name that
    is changed or cut gets a hash of what it was, so that two tests never share one.

    Args:
        module: name of the test's file, without its ending.
        parts: names of classes and of the function, as ``["TestLantern", "test_final[wide-1001]"]``.
    """
    full = ".".join([module, *parts])
    # The brackets around parameters are always there, so their loss loses nothing.
    name, bracket, parameters = full.partition("[")
    text = f"{name}-{parameters.removesuffix(']')}" if bracket else full
    plain = "".join(c if c in "-_." or _is_letter(c) else "_" for c in unicodedata.normalize("NFC", text))
    if plain == text and len(plain.encode()) <= _LONGEST:
        return plain
    short = plain.encode("utf-8", "replace")[:_LONGEST].decode("utf-8", "ignore")
    return f"{short}-{hashlib.blake2b(full.encode('utf-8', 'replace'), digest_size=4).hexdigest()}"


def reference_path(given: str | PurePath | None, file: Path, module: str, parts: Sequence[str]) -> Path:
    """The file of a reference.

    Args:
        given: what the test names: a name in the folder ``renders``, which may hold slashes, or an absolute path;
            None for the name of the test.
        file: the test's file.
        module: as in `default_name`.
        parts: likewise.

    Raises:
        RequestError: a name that leads out of the folder, or to another format, or that no file can have on all
            systems.
    """
    folder = file.parent / FOLDER
    if given is None:
        return folder / f"{default_name(module, parts)}.exr"
    if not isinstance(given, str | PurePath):
        raise RequestError("reference", f"{given!r} is neither a name nor a path", 'give a name, such as "final"')
    text = given.as_posix() if isinstance(given, PurePath) else given
    path = PurePath(text if text.lower().endswith(".exr") else f"{text}.exr")
    if not PurePath(text).name or "\0" in text:
        raise RequestError("reference", f'"{text}" is not the name of a file', 'give a name, such as "final"')
    if PurePath(text).suffix.lower() in _OTHER_FORMATS:
        raise RequestError("reference", f'"{text}" is a still', "references are OpenEXR files; end it with .exr")
    if not path.is_absolute() and ".." in path.parts:
        raise RequestError(
            "reference", f'"{text}" leads out of the folder {folder}', "give a name in it, or an absolute path"
        )
    if not path.is_absolute() and (reason := _nowhere(path)):
        way_out = 'give a name of letters, digits, "-", "_" and ".", with / between folders'
        raise RequestError("reference", f'"{text}" {reason}', way_out)
    return folder / path


def _nowhere(path: PurePath) -> str:
    """Why a name cannot be that of a file on every system; empty where it can."""
    for part in path.parts:
        if len(part.encode("utf-8", "replace")) > _LONGEST_GIVEN:
            return f"is longer than {_LONGEST_GIVEN} bytes"
        stem = part.partition(".")[0].rstrip().casefold()
        if stem in _DEVICES or part[-1] in ". " or any(c < " " or c in _NOT_ON_WINDOWS for c in part):
            return f'holds "{part}", which cannot be the name of a file on Windows'
    return ""


def _is_letter(character: str) -> bool:
    return unicodedata.category(character)[0] in "LMN"
