"""What ``stackcomp track`` is asked for: its options, read and checked before a pixel is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from stackcomp.data.frames import format_frames, parse_frames
from stackcomp.errors import BadValueError, Problem, RequestError

if TYPE_CHECKING:
    from stackcomp.track.plate import Plate

__all__ = ["Request"]


@dataclass(frozen=True)
class Request:
    """The options as written; see `stackcomp.cli.track`."""

    plate: str
    range: str
    at: tuple[str, ...]
    to: str
    frame: int | None
    pattern: int
    search: int
    disagreement: float
    smooth: int | None
    picture: str | None
    root: str

    def frames(self) -> list[int]:
        """The frames to track.

        Raises:
            RequestError: a range that cannot be read.
        """
        try:
            return sorted(parse_frames(self.range))
        except BadValueError as error:
            raise RequestError(Problem("frames", f"--frames: {error.message}", error.way_out)) from None

    def first(self) -> int:
        """The frame in which the points are given.

        Raises:
            RequestError: it is not one of those that are tracked.
        """
        frames = self.frames()
        if self.frame is None:
            return frames[0]
        if self.frame not in frames:
            message = f"--frame: {self.frame} is not one of the frames {format_frames(frames)}"
            raise RequestError(Problem("frames", message, "give one of them, or track it too"))
        return self.frame

    def points(self) -> dict[str, tuple[float, float]]:
        """The points by name; those without one are called p1, p2, ….

        Raises:
            RequestError: one that cannot be read, or a name that stands twice.
        """
        found: dict[str, tuple[float, float]] = {}
        read = [_point(text) for text in self.at]
        taken = {name for name, _ in read}
        number = 0
        for text, (name, place) in zip(self.at, read, strict=True):
            while not name:
                number += 1
                name = "" if f"p{number}" in taken else f"p{number}"
            if name in found:
                message = f'--at: "{text}": there is another point "{name}"'
                raise RequestError(Problem("track-start", message, "give each point a name of its own"))
            found[name] = place
        return found

    def check_numbers(self) -> None:
        """Check sizes and limits.

        Raises:
            RequestError: one is out of range.
        """
        wrong = (
            (
                "--pattern",
                self.pattern,
                7 <= self.pattern <= 255 and self.pattern % 2 == 1,
                "an odd number, 7 to 255",
            ),
            ("--search", self.search, 1 <= self.search <= 1024, "1 to 1024 pixels"),
            ("--disagreement", self.disagreement, 0 < self.disagreement <= 10, "above 0 and up to 10 pixels"),
            (
                "--smooth",
                self.smooth,
                self.smooth is None or (5 <= self.smooth <= 999 and self.smooth % 2 == 1),
                "an odd number of frames, 5 or more",
            ),
        )
        problems = [
            Problem("request", f"{option}: {value:g} is out of range", f"give {range_}")
            for option, value, good, range_ in wrong
            if not good and value is not None
        ]
        if problems:
            raise RequestError(problems)

    @cached_property
    def _outputs(self) -> tuple[tuple[str, str | None, str], ...]:
        return ("--to", self.to, ".json"), ("--picture", self.picture, ".png")

    def refuse(self, plate: Plate, *, replace_foreign: bool) -> None:
        """Refuse outputs of another ending, and those that would replace a file that must stay.

        Raises:
            RequestError: one of them would.
        """
        from stackcomp.check.originals import Reading, Writing, refusals
        from stackcomp.files.mark import Mark
        from stackcomp.files.paths import FramePath

        for option, path, ending in self._outputs:
            if path is not None and not path.lower().endswith(ending):
                message = f'{option}: "{path}" does not end in {ending}'
                raise RequestError(Problem("ending", message, f"as in {option} bench{ending}"))
        if Path(self.to).is_dir():
            raise RequestError(Problem("to", f'--to: "{self.to}" is a folder', "give the name of a file"))
        writings = [Writing(Path(self.to), Mark("track"))]
        if self.picture is not None:
            try:
                names = {FramePath(self.picture).for_frame(frame) for frame in plate.frames}
            except BadValueError as error:
                raise RequestError(Problem("path", f"--picture: {error.message}", error.way_out)) from None
            writings += [Writing(Path(name), Mark("measurement")) for name in sorted(names)]
        problems = refusals(
            writings,
            [Reading(plate.pattern, "what is tracked", sequence=True)],
            self.root,
            replace_foreign=replace_foreign,
            allow="--replace-foreign lets it be replaced",
        )
        if problems:
            raise RequestError(problems)


def _point(text: str) -> tuple[str, tuple[float, float]]:
    """A name, or an empty text, and a place.

    Raises:
        RequestError: neither ``x,y`` nor ``name=x,y``.
    """
    name, mark, numbers = text.rpartition("=")
    try:
        place = [float(part) for part in numbers.split(",")]
    except ValueError:
        place = []
    if len(place) != 2 or not all(math.isfinite(part) for part in place) or (mark and not name.strip()):
        message = f'--at: "{text}" is not a point'
        raise RequestError(Problem("track-start", message, "write x,y or name=x,y, as in --at joint=309.5,160.5"))
    return name.strip(), (place[0], place[1])
