"""Files that a colour config reads: itself, and the tables that its transforms name."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

from stackcomp.files import colour
from stackcomp.files.file_state import FileState, file_state

__all__ = ["config_files"]

# In a config, the name of a table stands under "src", with or without quotes.
_SOURCE = re.compile(r"\bsrc:\s*(\"[^\"]*\"|'[^']*'|[^,}\n]+)")


def config_files(path: Path) -> list[Path]:
    """Return the config and every table of it that is there; nothing where there is no such file.

    Args:
        path: of a config; a built-in one is no file.
    """
    return list(_files(path, file_state(path))) if path.is_file() else []


@lru_cache(maxsize=16)
def _files(path: Path, state: FileState) -> tuple[Path, ...]:
    try:
        config = colour.config(str(path))
    except colour.UnknownEncoding:
        return (path,)
    context = config.getCurrentContext()
    tables = []
    for name in dict.fromkeys(match[1].strip().strip("\"'") for match in _SOURCE.finditer(config.serialize())):
        try:
            tables.append(Path(context.resolveFileLocation(name)))
        except Exception:  # The library has no class for a table that is missing; it is no file then.
            continue
    return (path, *tables)
