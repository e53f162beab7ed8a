"""Hash of a file's contents, to notice damage and changes.

XXH3 with 128 bits reads at the speed of memory, where cryptographic hashes take longer than decoding the picture.
Two files that differ have the same hash by chance once in 10^38; it is no protection against forgery.

Source: https://github.com/Cyan4973/xxHash/blob/dev/doc/xxhash_spec.md
"""

from __future__ import annotations

import hashlib
import os
from functools import lru_cache
from pathlib import Path

import xxhash

from stackcomp.files.file_state import FileState, one_state, unreachable

__all__ = ["file_hash", "hash_of_beginning"]


@lru_cache(maxsize=256)
def file_hash(path: Path, state: FileState) -> bytes:
    """Return the hash of a file's contents, 16 bytes, which is read while it has that state.

    Raises:
        FileChangedError: it has another state.
        FileError: it cannot be read.
    """
    try:
        with one_state(path, state), path.open("rb", buffering=0) as file:
            return hashlib.file_digest(file, xxhash.xxh3_128).digest()
    except OSError as error:
        # A share can go between two looks at a file.
        raise unreachable(path, error) from error


def hash_of_beginning(path: str | os.PathLike[str], size: int) -> bytes:
    """Return the hash of the first bytes of a file. Raises OSError where it cannot be read."""
    digest = xxhash.xxh3_128()
    with open(path, "rb") as file:
        while size > 0 and (block := file.read(min(size, 1 << 20))):
            digest.update(block)
            size -= len(block)
    return digest.digest()
