"""A cut read from an OpenTimelineIO file: which frames of which media are used, clip by clip.

Frame numbers are those of the media, as in the names of its files. Each clip of each enabled video track
counts, whether or not another track covers it; gaps, markers, disabled items and audio do not. Stacks and tracks
inside each other are flattened, and what their source ranges cut off is left out. A transition shows more of both
neighbours than their source ranges: these frames are ``head`` and ``tail``.

A change of speed leaves the duration of a clip in its track as it is, so ``speed`` times as much of the media is
needed. A clip that is played in reverse shows the frames that it would show forwards.

Terms and rules are those of OpenTimelineIO: https://opentimelineio.readthedocs.io. It is an optional dependency:
``pip install 'stackcomp[timeline]'``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from stackcomp.data import arguments
from stackcomp.data.arguments import PathLike
from stackcomp.data.frame_rate import decimal_frame_rate
from stackcomp.data.frames import MOST_FRAMES
from stackcomp.document.cut_file import (
    cut_problem,
    decoded,
    index_of_track,
    opentimelineio,
    parsed,
    text_of,
    timeline_in,
)
from stackcomp.document.cut_timeline import TimelineReader, Use, frame_numbers
from stackcomp.errors import DocumentError, Problem, pointer_to, shown

__all__ = ["Cut", "CutClip", "read_cut"]

_LARGEST_FRAME = 999_999_999


@dataclass(frozen=True)
class CutClip:
    """A clip as it is used, everywhere in the cut.

    Attributes:
        name: its name; that of its media where it has none.
        frames: frames of its media that are used, ascending; those that transitions need are among them.
        first: first frame without transitions.
        last: last one without transitions, inclusive.
        head: how many frames more a transition shows before ``first``.
        tail: the same behind ``last``.
        available: first and last frame of the media; None where the cut does not say.
        frame_rate: frames a second of its media.
        step: from the number of one image to that of the next; 2 where every second number has a file.
        speed: at which it is played: negative in reverse, 0 for a frozen frame.
        media: address of its media as it is written, that of an image sequence with a frame token, or empty.
        metadata: its metadata, as JSON data.
        uses: places in the cut, such as ``item 3 of track "V1"``.
        pointers: JSON pointers of the same places.

    Of a clip that is used several times, ``speed`` and ``metadata`` are those of the first use.
    """

    name: str
    frames: tuple[int, ...] = field(repr=False)
    first: int
    last: int
    head: int
    tail: int
    available: tuple[int, int] | None
    frame_rate: Fraction
    step: int
    speed: Fraction
    media: str
    metadata: Mapping[str, Any] = field(repr=False)
    uses: tuple[str, ...]
    pointers: tuple[str, ...]


@dataclass(frozen=True)
class Cut:
    """A cut.

    Attributes:
        clips: in their order of time, each name once.
        frame_rate: that of the timeline; None where its clips have several.
        warnings: what is doubtful.
    """

    clips: tuple[CutClip, ...]
    frame_rate: Fraction | None
    warnings: tuple[Problem, ...]


def read_cut(path: PathLike, *, track: str | None = None) -> Cut:
    """Read a cut.

    Args:
        path: an ``.otio`` file, or a bundle: an ``.otioz`` file or an ``.otiod`` folder.
        track: name of a video track; all that are enabled when None.

    Raises:
        DocumentError: the file cannot be read, or holds no cut, or OpenTimelineIO is not installed; every problem
            of its clips is in it, with its JSON pointer.
    """
    file = arguments.file_path(path)
    try:
        otio = opentimelineio()
        text = text_of(file)
        raw = parsed(text)
        timeline, pointer = timeline_in(otio, decoded(otio, text))
        reader = TimelineReader(otio, raw)
        reader.read(timeline, pointer, index_of_track(otio, timeline, pointer, track))
        clips = _joined(reader)
        if reader.problems:
            raise DocumentError(sorted(reader.problems, key=_order))
        if not clips:
            message, way_out = "the cut has no clips on an enabled video track", "export it with its clips"
            raise DocumentError(cut_problem(pointer, message, way_out))
    except DocumentError as error:
        raise DocumentError(replace(problem, place=str(file)) for problem in error.problems) from None
    warnings = tuple(replace(problem, place=str(file)) for problem in reader.warnings)
    return Cut(tuple(clips), reader.frame_rate(), warnings)


def _order(problem: Problem) -> list[tuple[int, str]]:
    """The place in the document, to sort by."""
    return [(int(key), "") if key.isdigit() else (0, key) for key in problem.pointer.split("/")]


def _joined(reader: TimelineReader) -> list[CutClip]:
    """One clip a name, in the order of time."""
    by_name: dict[str, list[Use]] = {}
    for use in sorted(reader.uses, key=lambda use: use.time):
        by_name.setdefault(use.name, []).append(use)
    return [clip for uses in by_name.values() if (clip := _join(uses, reader)) is not None]


def _join(uses: Sequence[Use], reader: TimelineReader) -> CutClip | None:
    """What all clips of one name need together; None, and a problem, where they are not of one media."""
    known = next((use for use in uses if use.same is not None), uses[0])
    rate, step = known.numbering.rate, known.numbering.step
    other = next((use for use in uses if use.same not in (None, known.same)), None)
    other = other or next((use for use in uses if use.numbering.rate != rate), None)
    if other is not None:
        message = f'two clips are named "{known.name}", of {_of(known, other)} and of {_of(other, known)}'
        way_out = f"they are {known.place.spot} and {other.place.spot}: give one of them another name"
        reader.problems.append(cut_problem(other.place.pointer, message, way_out))
        return None
    if known.same is None and len(uses) > 1:
        message = f"is there {len(uses)} times, and its media is missing: it is taken for the same"
        reader.doubt(uses[1].place, message, "connect its media, or give each clip a name of its own")
    first, last = min(use.core[0] for use in uses), max(use.core[1] for use in uses)
    begin, end = min(use.visible[0] for use in uses), max(use.visible[1] for use in uses)
    count = sum((use.visible[1] - use.visible[0]) // step + 1 for use in uses)
    if count > MOST_FRAMES or max(abs(begin), abs(end)) > _LARGEST_FRAME:
        message = (
            f"has {count} frames, {frame_numbers(begin, end)}: the most is {MOST_FRAMES}, up to {_LARGEST_FRAME}"
        )
        reader.wrong(uses[0].place, message)
        return None
    frames = {frame for use in uses for frame in range(use.visible[0], use.visible[1] + 1, step)}
    return CutClip(
        name=known.name,
        frames=tuple(sorted(frames)),
        first=first,
        last=last,
        head=max(0, first - begin) // step,
        tail=max(0, end - last) // step,
        available=known.available,
        frame_rate=rate,
        step=step,
        speed=uses[0].speed,
        media=known.media,
        metadata=uses[0].metadata,
        uses=tuple(use.place.spot for use in uses),
        pointers=tuple(pointer_to(use.place.pointer) for use in uses),
    )


def _of(use: Use, other: Use) -> str:
    """What its media is, with what else tells it from another's."""
    if not use.media:
        return f"missing media at {decimal_frame_rate(use.numbering.rate)} frames a second"
    if use.media != other.media:
        return shown(use.media, longest=120)
    start = f", numbered from {use.numbering.start}" if use.numbering.start != other.numbering.start else ""
    return f"{shown(use.media, longest=120)} at {decimal_frame_rate(use.numbering.rate)} frames a second{start}"
