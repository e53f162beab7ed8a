"""Movies and contact sheets made of the frames that a batch has delivered."""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.batch.fingerprint import file_record
from stackcomp.batch.ledger import Entry, Ledger
from stackcomp.batch.planned_deliveries import Planned
from stackcomp.batch.watch import Summary, Watch
from stackcomp.batch.work import Work
from stackcomp.data.frame_rate import decimal_frame_rate, nominal_rate
from stackcomp.data.frames import format_frames
from stackcomp.data.timecode import Timecode
from stackcomp.deliver.burn_in import Labels, burned_in
from stackcomp.deliver.contact_sheet import Cell, check_sheet, chosen, contact_sheet, sheet_layout
from stackcomp.deliver.provenance import passed_on
from stackcomp.deliver.shown import shown_picture
from stackcomp.deliver.slate import Slate, slate_picture
from stackcomp.document.deliveries import ContactSheet, Movie
from stackcomp.errors import BadValueError, FileError, StackcompError
from stackcomp.files.exr_attributes import timecode_of
from stackcomp.version import __version__

__all__ = ["make_deliveries"]

Picture = npt.NDArray[np.float32]


def make_deliveries(
    planned: Sequence[Planned], about: str, works: Sequence[Work], ledger: Ledger, summary: Summary, watch: Watch
) -> None:
    """Make those whose frames are all there and that are not up to date.

    Args:
        planned: all of them.
        about: of the sequence.
        works: the shots that the batch was asked for.
        ledger: what is known of their frames.
        summary: gets the files that were made, and why others were not.
        watch: is told of each.
    """
    names = {work.name for work in works}
    entries = ledger.entries()
    for one in planned:
        if not names.intersection(work.name for work in one.works):
            continue
        started = time.perf_counter()
        try:
            made = _made(one, about, ledger, entries, watch)
        except StackcompError as error:
            summary.deliveries_failed.append((one.name, one.shot, str(error)))
            watch.delivery_failed(one.name, one.shot, str(error))
            continue
        if made:
            summary.deliveries.append(one.path)
            watch.delivery(one.name, one.shot, one.path, time.perf_counter() - started)


def _made(one: Planned, about: str, ledger: Ledger, entries: Mapping[str, Entry], watch: Watch) -> bool:
    """Whether it was made now."""
    hashes, missing = _hashes(one, ledger, entries)
    if missing:
        listed = "; ".join(f"{shot} {format_frames(frames)}".strip() for shot, frames in missing.items())
        watch.note(f"{one.path.name} is not made yet: {listed} {'is' if listed.isdigit() else 'are'} not rendered")
        return False
    rate = one.frame_rate() if isinstance(one.delivery, Movie) else None
    source = one.source(hashes, rate)
    if _up_to_date(one.path, source, ledger):
        return False
    if isinstance(one.delivery, Movie):
        assert rate is not None
        _movie(one, one.delivery, rate, about, watch)
    elif isinstance(one.delivery, ContactSheet):
        _sheet(one, one.delivery, about)
    ledger.record_delivery(source, file_record(one.path))
    return True


def _hashes(one: Planned, ledger: Ledger, entries: Mapping[str, Entry]) -> tuple[list[str], dict[str, list[int]]]:
    """Hashes of the files that it shows, and the frames that are not delivered."""
    hashes: list[str] = []
    missing: dict[str, list[int]] = {}
    for work, frame, path in one.pictures():
        entry = entries.get(ledger.key(work.outputs(frame)))
        where = ledger.real(path)
        known = {file.path: file.hash for file in entry.files} if entry is not None and entry.done else {}
        if where in known:
            hashes.append(known[where])
        else:
            missing.setdefault(work.name, []).append(frame)
    return hashes, missing


def _up_to_date(path: Path, source: str, ledger: Ledger) -> bool:
    before = ledger.delivery(path)
    if before is None or before[0] != source:
        return False
    try:
        state = path.stat()
    except OSError:
        return False
    file = before[1]
    if state.st_size == file.size and state.st_mtime_ns == file.modified:
        return True
    return state.st_size == file.size and file_record(path).hash == file.hash


def _picture(one: Planned, work: Work, path: Path) -> Picture:
    delivery, config = one.delivery, work.composition.document.head.colour_config
    named = work.root / config
    return shown_picture(
        path,
        config=str(named) if named.is_file() else config,
        display=delivery.display,
        view=delivery.view,
        viewing_stops=delivery.viewing_stops,
    )


# -- movies --------------------------------------------------------------------------------------------------


def _movie(one: Planned, movie: Movie, rate: Fraction, about: str, watch: Watch) -> None:
    from stackcomp.files.movie import MovieWriter

    times = _timecodes(one, rate)
    start = times(one.works[0], one.works[0].frames[0])
    date = movie.date or datetime.date.today().isoformat()
    writer = MovieWriter(
        one.path,
        rate,
        codec=movie.codec,
        chroma=movie.chroma,
        quality=movie.quality,
        odd_size=movie.odd_size,
        # The slate is a frame of its own before the first.
        timecode=start - 1 if movie.slate and start is not None else start,
        metadata={"title": " ".join(filter(None, (about, one.shot)))} if about or one.shot else {},
        mark=one.mark,
    )
    with writer:
        for k, (work, frame, path) in enumerate(one.pictures()):
            picture = _picture(one, work, path)
            if k == 0 and movie.slate:
                writer.add(_slate(one, movie, picture.shape, rate, start, date, about))
            time_code = times(work, frame)
            labels = Labels(work.name, frame, "" if time_code is None else str(time_code), date, movie.version)
            writer.add(burned_in(picture, labels, movie.burn_in) if movie.burn_in else picture)
    report = writer.report
    if report.not_finite or report.clipped:
        counts = f"{report.not_finite} values were not finite, {report.clipped} beyond black or white"
        watch.note(f"{one.path.name}: {counts}")


def _slate(
    one: Planned,
    movie: Movie,
    shape: tuple[int, ...],
    rate: Fraction,
    start: Timecode | None,
    date: str,
    about: str,
) -> Picture:
    frames = [frame for work in one.works for frame in work.frames]
    slate = Slate(
        title=about,
        shot=one.shot or f"{len(one.works)} shots",
        frames=format_frames(frames) if one.shot or len(one.works) == 1 else "",
        count=str(len(frames)),
        frame_rate=decimal_frame_rate(rate),
        timecode="" if start is None else str(start),
        date=date,
        version=movie.version,
        size=f"{shape[1]} × {shape[0]}",
        note=movie.about or f"stackcomp {__version__}",
    )
    return slate_picture(shape[1], shape[0], slate)


def _timecodes(one: Planned, rate: Fraction) -> Callable[[Work, int], Timecode | None]:
    """What gives the timecode of a frame: that of the plate, or counted on from that of the shot's first frame."""
    known: dict[str, Timecode | None] = {}

    def at(work: Work, frame: int) -> Timecode | None:
        if work.name not in known:
            told = passed_on(work.composition.document, work.root, one.delivery.shows, work.frames[0])
            known[work.name] = _timecode(told.get("timeCode"), rate)
        first = known[work.name]
        return None if first is None else first + (frame - work.frames[0])

    return at


def _timecode(attribute: object, rate: Fraction) -> Timecode | None:
    if attribute is None:
        return None
    try:
        timecode = timecode_of(attribute, nominal_rate(rate))
    except BadValueError:
        return None
    return timecode if timecode.fits(rate) else None


# -- contact sheets ------------------------------------------------------------------------------------------


def _sheet(one: Planned, sheet: ContactSheet, about: str) -> None:
    from stackcomp.files import stills

    pictures = list(one.pictures())
    picked = [item for work in one.works for item in _of(pictures, work, sheet.frames)]
    check_sheet(one.path, sheet_layout(len(picked), width=sheet.width, columns=sheet.columns))

    def cells() -> Iterator[Cell]:
        for work, frame, path in picked:
            label = str(frame) if one.shot else f"{work.name} {frame}".strip()
            try:
                yield Cell(label, _picture(one, work, path))
            except FileError as error:
                yield Cell(label, None, error.reason)

    title = " — ".join(filter(None, (about, one.shot)))
    made = contact_sheet(cells(), count=len(picked), title=title, width=sheet.width, columns=sheet.columns)
    stills.write(one.path, made, 8, quality=95, mark=one.mark)


def _of(pictures: Sequence[tuple[Work, int, Path]], work: Work, most: int) -> list[tuple[Work, int, Path]]:
    """The frames of a shot that a sheet shows."""
    own = [item for item in pictures if item[0] is work]
    return [own[k] for k in chosen(len(own), most)]
