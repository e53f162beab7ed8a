"""What ``stackcomp compare`` does: compare, with progress, and write pictures and a page of what differs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stackcomp.check.originals import Writing, refusals
from stackcomp.cli.endings import announce
from stackcomp.cli.progress import Reporter, reporter
from stackcomp.compare import (
    DifferenceFiles,
    DumpComparison,
    NodeComparison,
    PictureComparison,
    SequenceComparison,
    Tolerances,
    compare_dumps,
    compare_opened,
    compare_sequences,
    open_file,
)
from stackcomp.compare.dump_reports import reports_in
from stackcomp.compare.sequences import frames_on_disk
from stackcomp.compare.tolerance import require_known
from stackcomp.errors import FileError, RequestError
from stackcomp.files.mark import Mark
from stackcomp.files.paths import FramePath

__all__ = ["Comparing"]


class Comparing:
    """One comparison.

    Args:
        pair: two files, sequences or dumps.
        limits: tolerances.
        options: further arguments of the functions that compare.
        quiet: whether progress is not to be shown.
    """

    def __init__(self, pair: tuple[str, str], limits: Tolerances, options: dict[str, Any], quiet: bool) -> None:
        self.pair, self.limits, self.options = pair, limits, options
        self._reporter = Reporter() if quiet else reporter(as_json=False, lines=False)
        self._files: DifferenceFiles | None = None

    @property
    def pictures(self) -> Sequence[Path]:
        """Pictures of differences that were written."""
        return () if self._files is None else self._files.written

    def write_pictures(self, kind: str, folder: Path, frames: list[int] | None, *, replace_foreign: bool) -> None:
        """Ask for a picture of each difference.

        Raises:
            RequestError: a file that must stay has the name of such a picture.
        """
        inputs = [(path, kind == "sequence") for path in self.pair]
        if kind == "file":
            names = [Path(self.pair[0]).stem]
        elif kind == "sequence":
            there = frames if frames is not None else [f for path in self.pair for f in frames_on_disk(path)]
            names = [self._name_of_frame(frame) for frame in there]
        else:
            dumps = [report for path in self.pair for report in reports_in(path).values()]
            files = [(report, report.picture(node)) for report in dumps for node in report.nodes]
            names = [_name_of_node(report.frame, file) for report, file in files if file is not None]
            inputs = [(str(file), False) for _, file in files if file is not None]
        self._files = DifferenceFiles(folder, dict.fromkeys(names), inputs, replace_foreign=replace_foreign)

    def _name_of_frame(self, frame: int) -> str:
        path = Path(FramePath(self.pair[0]).for_frame(frame))
        numbered = FramePath(Path(self.pair[0]).name).has_frame
        return path.stem if numbered else f"{path.stem}.{frame:04d}"

    def run(self, kind: str, frames: list[int] | None) -> PictureComparison | SequenceComparison | DumpComparison:
        """Compare.

        Raises:
            RequestError: what is named cannot be compared.
            FileError: one of two files is damaged.
        """
        if kind == "file":
            return self._compare_files()
        with self._reporter as progress:
            if kind == "dump":
                return compare_dumps(
                    *self.pair,
                    self.limits,
                    **self.options,
                    begun=lambda nodes: progress.begin("nodes", nodes),
                    finished=self._node_finished,
                )
            return compare_sequences(
                *self.pair,
                frames,
                self.limits,
                **self.options,
                begun=lambda frames: progress.begin("frames", frames),
                finished=self._frame_finished,
            )

    def _compare_files(self) -> PictureComparison:
        first, second = map(open_file, self.pair)
        require_known(self.limits, [*first.planes, *second.planes])
        compared = compare_opened(first, second, self.limits, **self.options)
        self._look(Path(self.pair[0]).stem, compared.equal, first, second)
        return compared

    def _frame_finished(self, frame: int, compared: PictureComparison | None) -> None:
        if compared is not None:
            first, second = (Path(FramePath(path).for_frame(frame)) for path in self.pair)
            self._look(self._name_of_frame(frame), compared.equal, first, second)
        self._reporter.step(failed=compared is None)

    def _node_finished(self, node: NodeComparison) -> None:
        if node.files is not None:
            self._look(_name_of_node(node.frame, node.files[1]), node.equal, *node.files)
        self._reporter.step(failed=node.picture is None)

    def _look(self, name: str, equal: bool, first: Any, second: Any) -> None:
        """Write the picture of what differs. What was compared is reported even where that fails."""
        if self._files is None:
            return
        if equal:
            self._files.equal(name)
            return
        try:
            self._files.different(name, first, second)
        except (FileError, RequestError) as error:
            announce(f"no picture of {name}: {error}", style="red")

    def ask_for_page(self, path: Path, *, replace_foreign: bool) -> None:
        """Make sure that a page may be written, before anything is compared.

        Raises:
            RequestError: a file that must stay is there.
        """
        allow = "--replace-foreign lets it be replaced"
        writing = Writing(path, Mark("page"))
        if problems := refusals([writing], [], replace_foreign=replace_foreign, allow=allow):
            raise RequestError(problems)

    def write_page(self, path: Path, compared: Any, *, most_bytes: int, replace_foreign: bool) -> None:
        """Write a page that shows two dumps, the first as what was before.

        Args:
            path: the file.
            compared: what `run` found; the page marks the same nodes.
            most_bytes: size that the page should not exceed.
            replace_foreign: whether a file that this program did not write may be replaced.

        Raises:
            RequestError: a file that must stay is there.
            FileError: it cannot be written.
        """
        from stackcomp.review.proof_page import write_page

        before, after = ([report.folder for report in reports_in(dump).values()] for dump in self.pair)
        write_page(
            path,
            after,
            before=before,
            compared=compared,
            most_bytes=most_bytes,
            replace_foreign=replace_foreign,
            warn=lambda message: announce(f"note: {message}", style="yellow"),
        )

    def shown(self, compared: Any) -> PictureComparison | None:
        """The picture whose numbers are shown: the first that differs, or that of two files."""
        if isinstance(compared, PictureComparison):
            return compared
        if isinstance(compared, SequenceComparison):
            return compared.frames[compared.different[0]] if compared.different else None
        node = compared.first_different
        return None if node is None else node.picture


def _name_of_node(frame: int, file: Path) -> str:
    return f"{frame:04d}.{file.stem}"
