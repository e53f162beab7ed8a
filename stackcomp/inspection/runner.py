"""Runs checks over files and over graphs; each picture is opened or rendered once."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.batch.memory import available_memory
from stackcomp.data.image import Image
from stackcomp.errors import BugError, FileError, StackcompError
from stackcomp.files.picture_file import header_of
from stackcomp.inspection.check import Check, PairCheck, PictureCheck, Stream
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.in_order import in_order
from stackcomp.inspection.material import Pictures
from stackcomp.inspection.opening import Opened, opened
from stackcomp.inspection.setting import FILE, Setting
from stackcomp.kernels.strips import thread_count

__all__ = ["Inspection", "Looked", "Step", "Streams", "inspect_files", "look_at", "look_at_pair", "unreadable"]

#: Called after each picture.
Step = Callable[[], None]

#: Planes of float32 that checks take for a picture beyond its channels.
_PLANES_OF_CHECKS = 14
#: The part of the free memory that pictures may take.
_MEMORY = 0.5
_CURE = "write or copy the file again"


@dataclass(frozen=True)
class Inspection:
    """What was found.

    Attributes:
        findings: all of them, picture by picture, in the order of frames.
        pictures: what was looked at: name → number of pictures of that name.
    """

    findings: tuple[Finding, ...] = ()
    pictures: dict[str, int] = field(default_factory=dict)

    @property
    def clean(self) -> bool:
        """Whether nothing above a note was found."""
        return all(finding.level == "note" for finding in self.findings)

    def __add__(self, other: Inspection) -> Inspection:
        pictures = dict(self.pictures)
        for name, number in other.pictures.items():
            pictures[name] = max(number, pictures.get(name, 0))
        return Inspection((*self.findings, *other.findings), pictures)


@dataclass(frozen=True, eq=False)
class Looked:
    """What came of one picture, without its planes.

    Attributes:
        frame: its number; None for a still.
        path: its file, or the name of a node.
        findings: of the checks of one picture.
        measured: what each stream made of it.
        missing: why there is no picture: empty for a file that is not there; None where all is well.
    """

    frame: int | None
    path: str
    findings: tuple[Finding, ...]
    measured: tuple[Any, ...] = ()
    missing: str | None = None


class Streams:
    """The checks of one sequence.

    Args:
        name: what findings call the sequence.
        setting: checks and limits.
        frame_rate: frames a second of this sequence, where known.
        of: whether it is a sequence; a still has no such checks.
    """

    def __init__(self, name: str, setting: Setting, frame_rate: float | None, *, of: bool = True) -> None:
        self.name = name
        rate = setting.frame_rate if setting.frame_rate is not None else frame_rate
        self.streams: list[tuple[Check, Stream]] = [
            (check, check.start(setting.limits(check), rate)) for check in (setting.of_streams if of else ())
        ]

    def look(self, picture: Opened) -> tuple[Any, ...]:
        """Measure a picture; in any thread."""
        return tuple(
            _guarded(check, self.name, partial(stream.look, picture.seen)) for check, stream in self.streams
        )

    def take(self, looked: Looked) -> Iterator[Finding]:
        """Take a picture, in the order of frames, with the findings about it."""
        yield from looked.findings
        if looked.frame is None:
            return
        for k, (check, stream) in enumerate(self.streams):
            if looked.missing is None:
                found = stream.see(looked.frame, looked.path, looked.measured[k])
            else:
                found = stream.miss(looked.frame, looked.path, looked.missing)
            yield from self._named(check, found)

    def end(self) -> Iterator[Finding]:
        """Take that all frames were seen."""
        for check, stream in self.streams:
            yield from self._named(check, stream.end())

    def _named(self, check: Check, found: Iterator[Finding]) -> Iterator[Finding]:
        for finding in _guarded(check, self.name, lambda: list(found)):
            yield replace(finding, picture=self.name) if not finding.picture else finding


def _guarded(check: Check, name: str, call: Callable[[], Any]) -> Any:
    """Call a check; an exception that no picture should cause is a bug, and says in which check."""
    try:
        with np.errstate(all="ignore"):
            return call()
    except (StackcompError, MemoryError):
        raise
    except Exception as error:
        raise BugError(f'check "{check.name}" of {name}', error) from error


def look_at(picture: Opened, name: str, frame: int | None, setting: Setting) -> list[Finding]:
    """Run the checks of one picture.

    Args:
        picture: the picture.
        name: what findings call it.
        frame: its number; None for a still.
        setting: checks and limits.
    """
    found: list[Finding] = []
    for check in setting.of_pictures:
        image = picture.layers if check.of == "layers" else picture.colour
        if image is None:
            continue
        limits = setting.limits(check)

        def call(check: PictureCheck = check, image: Image = image, limits: Any = limits) -> list[Finding]:
            return list(check.find(image, limits))

        found += _guarded(check, name, call)
    return [replace(finding, frame=frame, picture=name) for finding in found]


def look_at_pair(
    source: Image, backdrop: Image, comp: Image | None, name: str, frame: int | None, setting: Setting
) -> list[Finding]:
    """Run the checks of CG against plate.

    Args:
        source: premultiplied colour, scene-linear.
        backdrop: colour, likewise.
        comp: their comp.
        name: what findings call it.
        frame: its number; None for a still.
        setting: checks and limits.
    """
    found: list[Finding] = []
    for check in setting.of_pairs:
        limits = setting.limits(check)

        def call(check: PairCheck = check, limits: Any = limits) -> list[Finding]:
            return list(check.find(source, backdrop, comp, limits))

        found += _guarded(check, name, call)
    return [replace(finding, frame=frame, picture=name) for finding in found]


def unreadable(name: str, frame: int | None, error: FileError) -> Finding:
    """The finding that a file cannot be read."""
    return Finding(
        check=FILE,
        sort=error.reason.partition(":")[0],
        frame=frame,
        picture=name,
        message=f"it cannot be read: {error.reason}",
        cure=error.way_out or _CURE,
        level="fault",
    )


def inspect_files(pictures: Sequence[Pictures], setting: Setting, *, step: Step | None = None) -> Inspection:
    """Inspect sequences and stills. A file that cannot be read is a finding, and the others go on.

    Args:
        pictures: what to look at.
        setting: checks and limits.
        step: called after each picture.

    Raises:
        UnknownEncoding: the colour config has no encoding of a name that was given.
    """
    findings: list[Finding] = []
    numbers: dict[str, int] = {}
    for each in pictures:
        findings += _of_pictures(each, setting, step)
        numbers[each.name] = numbers.get(each.name, 0) + len(each.numbers)
    return Inspection(tuple(findings), numbers)


def _of_pictures(pictures: Pictures, setting: Setting, step: Step | None) -> Iterable[Finding]:
    streams = Streams(pictures.name, setting, _frame_rate(pictures), of=pictures.frames is not None)

    def look(frame: int | None) -> Looked:
        path = pictures.file(frame)
        if not os.path.lexists(path) and frame is not None:
            return Looked(frame, str(path), (), missing="")
        try:
            picture = opened(path, encoding=pictures.encoding, alpha=pictures.alpha, config=setting.colour_config)
        except FileError as error:
            return Looked(frame, str(path), (unreadable(pictures.name, frame, error),), missing=error.reason)
        found = look_at(picture, pictures.name, frame, setting)
        return Looked(frame, str(path), tuple(found), streams.look(picture))

    findings: list[Finding] = []
    for looked in in_order(look, pictures.numbers, _workers_for(pictures.file(n) for n in pictures.numbers)):
        findings += streams.take(looked)
        if step is not None:
            step()
    findings += streams.end()
    return findings


def _workers_for(paths: Iterable[Path]) -> int:
    """How many pictures are looked at side by side: as many as there are threads and as memory allows."""
    for path in paths:
        try:
            header, _ = header_of(path)
        except FileError:
            continue
        pixels = header.window.width * header.window.height
        size = 4 * pixels * (len(header.channels) + _PLANES_OF_CHECKS)
        return max(1, min(thread_count(), int(_MEMORY * available_memory()) // max(size, 1)))
    return 1


def _frame_rate(pictures: Pictures) -> float | None:
    """Frames a second by the header of the first frame that can be read."""
    for number in pictures.numbers[:3]:
        try:
            header, _ = header_of(pictures.file(number))
        except FileError:
            continue
        return _frame_rate_in(header.metadata)
    return None


def _frame_rate_in(metadata: Any) -> float | None:
    """Frames a second that a header states; None where it states none."""
    value = metadata.get("framesPerSecond")
    try:
        rate = float(value) if value is not None else 0.0
    except (TypeError, ValueError):
        return None
    return rate if 0 < rate < 1000 else None
