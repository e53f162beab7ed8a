"""A hash of the Python files that a class of another package may depend on."""

from __future__ import annotations

import functools
import hashlib
import sys
from pathlib import Path

__all__ = ["text_hash"]


@functools.cache
def text_hash(kind: type) -> str:
    """Hash of all Python files of the packages that hold a class and those that it derives from.

    Classes of this program and of libraries that it uses are left out, as are modules without a file. A file
    counts as it is now, so a process that was started earlier may have imported another text.

    Returns:
        16 hexadecimal digits; empty where there is no file.
    """
    files: dict[str, Path] = {}
    for module in dict.fromkeys(part.__module__ for part in kind.__mro__):
        if module.partition(".")[0] not in _OWN:
            files |= _files(module)
    if not files:
        return ""
    whole = hashlib.blake2b(digest_size=8)
    for name in sorted(files):
        whole.update(f"{name}\0".encode() + hashlib.blake2b(files[name].read_bytes()).digest())
    return whole.hexdigest()


_OWN = ("stackcomp", "pydantic", "builtins", "typing", "abc", "collections")


def _files(module: str) -> dict[str, Path]:
    """Python files of the outermost package that has a file, by their place in it; or the module's own file."""
    parts = module.split(".")
    for count in range(1, len(parts) + 1):
        loaded = sys.modules.get(".".join(parts[:count]))
        file = getattr(loaded, "__file__", None)
        if not file or not Path(file).is_file() or not file.endswith(".py"):
            continue
        if not hasattr(loaded, "__path__"):
            return {Path(file).name: Path(file)}
        folder = Path(file).parent
        return {path.relative_to(folder.parent).as_posix(): path for path in folder.rglob("*.py")}
    return {}
