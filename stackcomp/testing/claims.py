"""Which test of a run compares with which reference; so that no two tests share one, in any process.

One folder for a run, outside of the project, holds a small file for each pair of a reference and a test. Each test
writes its own file first, and then looks for those of others with the same reference. So two tests that run at the
same moment see each other, without a lock.
"""

from __future__ import annotations

import hashlib
import json
import os
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from stackcomp.errors import RequestError
from stackcomp.files.atomic import whole_file
from stackcomp.testing.reference_names import FOLDER

__all__ = ["Claims"]


class Claims:
    """The references of a run.

    Args:
        folder: for the run alone; made where missing.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def claim(self, reference: Path, test: str) -> None:
        """Note that a test compares with a reference.

        Raises:
            RequestError: another test does.
        """
        key = _key(reference)
        self._note("uses", reference, test)
        tests = sorted({entry["test"] for entry in self._entries(f"uses-{key}-*")})
        if len(tests) > 1:
            raise RequestError(
                "reference",
                f"{reference} is compared with by two tests: {' and '.join(tests)}",
                "give one of them another name by reference=",
            )

    def note_written(self, reference: Path, test: str) -> None:
        """Note that a test wrote its reference."""
        self._note("wrote", reference, test)

    @property
    def used(self) -> set[Path]:
        """References that were compared with so far."""
        return {Path(entry["reference"]) for entry in self._entries("uses-*")}

    @property
    def unused(self) -> list[Path]:
        """References in the same folders that nobody has compared with so far."""
        used = {_key(path) for path in self.used}
        roots = {parent for path in self.used for parent in path.parents if parent.name == FOLDER}
        found = {path for root in roots for path in root.rglob("*.exr")}
        return sorted(path for path in found if _key(path) not in used)

    @property
    def written(self) -> list[Path]:
        """References that were written so far."""
        return sorted({Path(entry["reference"]) for entry in self._entries("wrote-*")})

    def _note(self, what: str, reference: Path, test: str) -> None:
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with whole_file(self.folder / f"{what}-{_key(reference)}-{_hash(test)}.json") as unfinished:
            entry = {"reference": os.fspath(reference.absolute()), "test": test}
            unfinished.write_text(json.dumps(entry), encoding="utf-8")

    def _entries(self, pattern: str) -> Iterator[dict[str, Any]]:
        for path in self.folder.glob(pattern):
            yield json.loads(path.read_text(encoding="utf-8"))


def _key(reference: Path) -> str:
    """The same for all names that may be the same file, also where capitals do not count."""
    return _hash(unicodedata.normalize("NFC", os.path.realpath(reference)).casefold())


def _hash(text: str) -> str:
    return hashlib.blake2b(text.encode("utf-8", "surrogateescape"), digest_size=12).hexdigest()
