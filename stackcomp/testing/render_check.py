"""A render and its reference: compared, or the reference written."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from stackcomp.check.originals import Writing, refusals
from stackcomp.check.outputs import readings
from stackcomp.compare import PictureComparison, Tolerance, Tolerances, compare_pictures
from stackcomp.compare.tolerance import require_known
from stackcomp.composition import Composition
from stackcomp.data.image import Image
from stackcomp.errors import FileError, RequestError, StackcompError
from stackcomp.testing.claims import Claims
from stackcomp.testing.failure_folder import Page, Pictures, write_folder
from stackcomp.testing.node_changes import NodeChanges, node_changes
from stackcomp.testing.node_records import NodeRecord, node_records
from stackcomp.testing.reference_file import (
    MARK,
    Reference,
    Request,
    pixel_type_for,
    read_reference,
    write_reference,
)
from stackcomp.testing.reference_names import default_name
from stackcomp.testing.render_run import RenderDiffersError, RunningTest, Settings

__all__ = ["RenderCheck"]

_MOST_LINES = 4


@dataclass(frozen=True)
class RenderCheck:
    """A render and its reference.

    Attributes:
        test: the test that compares them.
        settings: of the run.
        page: writes proof pages; none are written when None.
        composition: the graph.
        request: what was rendered.
        path: the reference.
        image: the result.
        replace: pictures that stood in for nodes.
        tolerance: as in `stackcomp.compare.compare_pictures`.
    """

    test: RunningTest
    settings: Settings
    page: Page | None
    composition: Composition
    request: Request
    path: Path
    image: Image
    replace: Mapping[str, Image]
    tolerance: Tolerances | None

    # -- compare --------------------------------------------------------------------------------------------

    def compare(self) -> None:
        """Compare with the reference.

        Raises:
            RenderDiffersError: they differ, or there is none; the message is for a person.
        """
        shown = self.settings.shown(self.path)
        if not self.path.is_file():
            raise RenderDiffersError(f"{self.request}: there is no reference {shown}\n  {self._way_out()}")
        try:
            reference = read_reference(self.path, self.image)
        except FileError as error:
            raise RenderDiffersError(
                f"{self.request}: {error}\n  restore the reference, or delete it; {self._way_out()}"
            ) from None
        comparison = compare_pictures(self.image, reference.image, self.tolerance)
        if comparison.equal:
            return
        lines = [f"{self.request}: differs from {shown} (result / expected)"]
        found = _in_words(comparison, reference, self.image)
        lines += [f"  {line}" for line in found[:_MOST_LINES]]
        if len(found) > _MOST_LINES:
            lines.append(f"  and {len(found) - _MOST_LINES} findings more")
        changes, told = self._changes(reference)
        lines += [f"  {line}" for line in told]
        report = self._report(comparison, changes, told)
        lines.append(f"  {self._folder(Pictures(self.image, reference.image), report, page=True)}")
        lines.append(f"  if the change is meant, {self._way_out()}")
        raise RenderDiffersError("\n".join(lines))

    def _way_out(self) -> str:
        return f"run pytest --update-renders {shlex.quote(self.test.id)}, and look at the picture"

    def _changes(self, reference: Reference) -> tuple[NodeChanges | None, list[str]]:
        """The nodes that differ, and what to say of them."""
        asked = reference.request
        if asked is None or not reference.nodes:
            return None, ["which node differs first is not known: the file has no records of nodes"]
        if (asked.frame, asked.scale) != (self.request.frame, self.request.scale):
            return None, [f"the reference was made of {asked}"]
        notes = [] if asked == self.request else [f"the reference was made of {asked}"]
        try:
            now = self._records()
        except StackcompError as error:
            reason = " ".join(str(error).split())
            return None, [*notes, f"which node differs first is not known: {reason}"]
        changes = node_changes(reference.nodes, now, self._small())
        return changes, [*notes, *str(changes).splitlines()]

    def _records(self) -> tuple[NodeRecord, ...]:
        request = self.request
        return node_records(
            self.composition, request.node, request.frame, scale=request.scale, replace=self.replace
        )

    def _small(self) -> float:
        """The smallest difference that counts in any layer."""
        if isinstance(self.tolerance, Mapping):
            return min((one.small for one in self.tolerance.values()), default=Tolerance().small)
        return (self.tolerance or Tolerance()).small

    # -- update ---------------------------------------------------------------------------------------------

    def update(self) -> str:
        """Write the reference, unless the one that is there would do.

        Returns:
            What was written, for a person; empty where nothing was.

        Raises:
            RequestError: a file is there that must stay, or a tolerance for a layer or channel that is not there.
            FileError: it cannot be written.
        """
        require_known(self.tolerance, self.image.channels)
        records = self._records()
        before = self._before()
        if before is not None and self._still_right(before, records):
            return ""
        self._refuse()
        pixel_type = pixel_type_for(self.image, self.tolerance)
        write_reference(self.path, self.image, self.request, records, pixel_type=pixel_type)
        Claims(self.settings.claims).note_written(self.path, self.test.id)
        expected = None if before is None else before.image
        comparison = None if expected is None else compare_pictures(self.image, expected, self.tolerance)
        shown = self.settings.shown(self.path)
        lines = [f"wrote {shown} ({self.request}): {'new' if before is None else 'changed'}"]
        if comparison is not None:
            what = str(comparison).splitlines()[0]
            lines.append(f"  {what} (result / reference before)" if not comparison.equal else f"  picture {what}")
        kilobytes = self.path.stat().st_size / 1000
        lines.append(f"  {self.image.window}, {pixel_type}, {kilobytes:.0f} kB")
        report = self._report(comparison, None, [])
        lines.append(f"  {self._folder(Pictures(self.image, expected), report, page=False)}")
        lines.append("  look at the picture, then run again without --update-renders")
        return "\n".join(lines)

    def _before(self) -> Reference | None:
        """The reference that is there; None where there is none, or it is damaged."""
        if not self.path.is_file():
            return None
        try:
            return read_reference(self.path, self.image)
        except FileError:
            return None

    def _still_right(self, before: Reference, records: Iterable[NodeRecord]) -> bool:
        if before.request is None:
            # A picture from elsewhere is what it is; it is replaced only where the render differs from it.
            return compare_pictures(self.image, before.image, self.tolerance).equal
        return (
            before.request == self.request
            and compare_pictures(self.image, before.image, self.tolerance).equal
            and not node_changes(before.nodes, tuple(records), self._small()).changed
        )

    def _refuse(self) -> None:
        """Make sure that no file is replaced that must stay.

        Raises:
            RequestError: one would be.
        """
        composition = self.composition
        known = readings(composition.document, composition.root, (self.request.frame,), composition.variable_files)
        problems = refusals(
            [Writing(self.path, MARK)],
            known,
            composition.root,
            replace_foreign=self.settings.replace_foreign,
            allow="--replace-foreign-renders lets it be replaced",
        )
        if problems:
            raise RequestError(problems)

    # -- both -----------------------------------------------------------------------------------------------

    def _report(
        self, comparison: PictureComparison | None, changes: NodeChanges | None, told: list[str]
    ) -> dict[str, Any]:
        worst = None if comparison is None else comparison.worst
        return {
            "test": self.test.id,
            "reference": self.settings.shown(self.path),
            **self.request.as_dict(),
            "worst": None
            if worst is None
            else {name: worst.as_dict()[name] for name in ("layer", "worst", "largest", "values")},
            "first_different": None if changes is None or changes.first is None else changes.first.node,
            "told": told,
            "comparison": None if comparison is None else comparison.as_dict(),
            "nodes": None if changes is None else changes.as_dict(),
        }

    def _folder(self, pictures: Pictures, report: Mapping[str, Any], *, page: bool) -> str:
        """Write the folder, and say where it is; a folder that cannot be written is no reason to say less."""
        request, make = self.request, self.page

        def write_page(path: Path) -> None:
            if make is not None:
                title = f"{self.test.id}: {request}"
                make(path, self.composition, request.node, request.frame, request.scale, self.replace, title)

        try:
            folder = self.settings.failed() / self._place()
            doubt = write_folder(
                folder,
                self.composition,
                request.frame,
                pictures,
                report,
                page=write_page if page and make is not None else None,
            )
        except (StackcompError, OSError) as error:
            return f"the folder for its pictures could not be written: {' '.join(str(error).split())}"
        return f"see {self.settings.shown(folder)}" + (f" ({doubt})" if doubt else "")

    def _place(self) -> PurePath:
        """Where the folder lies: as the reference does, which belongs to this test alone."""
        base, where = self.settings.base, self.path.with_suffix("")
        if where.is_relative_to(base):
            return where.relative_to(base)
        return PurePath(default_name(where.name, [str(where)]))


def _in_words(comparison: PictureComparison, reference: Reference, result: Image) -> list[str]:
    """The findings; the type of the reference by what its file says."""
    found = list(comparison.differences)
    if reference.type and reference.type != str(result.type):
        found = [line for line in found if not line.startswith("the type is ")]
        found.insert(0, f"the type is {result.type} / {reference.type}")
    return found
