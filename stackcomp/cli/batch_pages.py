"""Proof pages of a batch: chosen frames of each shot, dumped and shown in one page a shot."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from stackcomp.cli.request import frames_of
from stackcomp.errors import BugError, Problem, RequestError, StackcompError

if TYPE_CHECKING:
    from stackcomp.batch.run import Batch, Options
    from stackcomp.batch.work import Work

__all__ = ["MadePage", "PageRequest", "make_pages", "page_request"]

_WORDS = {"first": 0, "middle": 0.5, "last": 1}


@dataclass(frozen=True)
class PageRequest:
    """For each shot, the frames that its page shows."""

    frames: list[tuple[Work, tuple[int, ...]]]
    folder: Path


@dataclass(frozen=True)
class MadePage:
    """A page that was made, what failed (nodes of some frames, or the page itself), and notes on it."""

    shot: str
    path: Path | None
    failures: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def page_request(text: str, batch: Batch, options: Options) -> PageRequest:
    """Understand ``--page``: frames as for ``--frames``, or first, middle, last, with commas.

    Pages lie beside the ledger, in ``NAME.pages``; for each shot a folder.

    Raises:
        RequestError: not frames, or frames that none of the chosen shots has.
    """
    words = [word.strip() for word in text.split(",")]
    numbers = [word for word in words if word not in _WORDS]
    asked = set(frames_of(",".join(numbers), option="--page") or ()) if numbers else set()
    found = []
    for work, frames in batch.chosen(options):
        if not frames:
            continue
        chosen = {frames[round((len(frames) - 1) * _WORDS[word])] for word in words if word in _WORDS}
        chosen |= asked & set(frames)
        if chosen:
            found.append((work, tuple(sorted(chosen))))
    missing = asked.difference(*(frames for _, frames in found))
    if missing or not found:
        from stackcomp.data.frames import format_frames

        what = f"frames {format_frames(missing)}" if missing else "such frames"
        message = f"--page: none of the shots that are rendered has {what}"
        raise RequestError(Problem("frames", message, "name frames of theirs, or first, middle or last"))
    return PageRequest(found, batch.ledger_path.parent / f"{batch.stem}.pages")


def make_pages(request: PageRequest, *, most_bytes: int, replace_foreign: bool) -> Iterator[MadePage]:
    """Dump the frames and write the page of each shot, one after the other."""
    for work, frames in request.frames:
        try:
            yield _page(work, frames, request.folder / work.name, most_bytes, replace_foreign)
        except StackcompError as error:
            yield MadePage(work.name, None, [str(error)])


def _page(work: Work, frames: Sequence[int], folder: Path, most: int, replace_foreign: bool) -> MadePage:
    from stackcomp.check.originals import Writing
    from stackcomp.files.mark import Mark
    from stackcomp.review.dump_frames import dump_frames
    from stackcomp.review.pictures import keep_originals
    from stackcomp.review.proof_page import write_page

    path = folder / "page.html"
    keep_originals(work.composition, frames, [Writing(path, Mark("page"))], replace_foreign=replace_foreign)
    dumped = dump_frames(
        work.composition,
        frames,
        folder,
        viewing_stops=_stops(work),
        replace_foreign=replace_foreign,
        warn=lambda frame, node, message: None,
    )
    title = f"{work.name} · {work.composition.document.head.about}" if work.name else ""
    notes: list[str] = []
    write_page(
        path,
        dumped.folders,
        title=title,
        most_bytes=most,
        replace_foreign=replace_foreign,
        warn=notes.append,
    )
    failures = [
        f"frame {report.data['frame']}: {report.failed['reason']}"
        for report in dumped.frames
        if report.failed is not None
    ]
    if any(isinstance(report.error, BugError) for report in dumped.frames):
        from stackcomp.cli.endings import HOW_TO_REPORT

        failures.append(HOW_TO_REPORT)
    return MadePage(work.name, path, failures, notes)


def _stops(work: Work) -> float:
    """The exposure of the shot's own stills, so that the page of a dark shot can be looked at."""
    nodes = work.composition.document.nodes
    stops: Collection[float] = [getattr(nodes[name], "viewing_stops", 0.0) for name in work.sinks]
    return max(stops, key=abs, default=0.0)
