"""Pictures of differences in a folder: one for each pair that differs."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence
from pathlib import Path

from stackcomp.check.originals import Reading
from stackcomp.compare.difference import MARK, refuse_pictures, write_difference
from stackcomp.compare.files import Opened, open_file
from stackcomp.files import mark as marks

__all__ = ["DifferenceFiles"]


class DifferenceFiles:
    """Writes pictures of differences, and removes those of an earlier comparison that are no longer true.

    Args:
        folder: where they go; made where missing.
        names: names of all pairs that will be compared; a picture is called ``difference.NAME.png``.
        inputs: what is compared; never written over.
        replace_foreign: whether files that this program did not write may be replaced.

    Attributes:
        written: the files that were written.

    Raises:
        RequestError: a file that must stay has the name of such a picture.
    """

    def __init__(
        self,
        folder: Path,
        names: Collection[str],
        inputs: Sequence[tuple[str, bool]],
        *,
        replace_foreign: bool = False,
    ) -> None:
        self.folder, self.replace_foreign = folder, replace_foreign
        self.readings = [Reading(path, "what is compared", is_sequence) for path, is_sequence in inputs]
        self.written: list[Path] = []
        paths = [self._path(name) for name in names]
        refuse_pictures(paths, self.readings, replace_foreign=replace_foreign)

    def _path(self, name: str) -> Path:
        return self.folder / f"difference.{name}.png"

    def different(self, name: str, first: Path | Opened, second: Path | Opened) -> Path:
        """Write the picture of a pair that differs.

        Raises:
            FileError: it cannot be written, or one of the two cannot be read.
        """
        pair = [one if isinstance(one, Opened) else open_file(one) for one in (first, second)]
        path = write_difference(
            self._path(name), *pair, replace_foreign=self.replace_foreign, readings=self.readings
        )
        self.written.append(path)
        return path

    def equal(self, name: str) -> None:
        """Remove the picture that an earlier comparison wrote of a pair that is equal now."""
        path = self._path(name)
        if not path.is_symlink() and marks.read(path) == MARK:
            with contextlib.suppress(OSError):
                path.unlink()
