"""The movement of a surface from the points of a track file that lie on it."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackcomp.data.frames import format_frames
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError, FileError, Problem, did_you_mean
from stackcomp.files.track_file import Position, TrackFile
from stackcomp.kernels.compiled import Array

__all__ = ["Tracked"]

_FEWER = 'or write "missing": "fewer" to follow the others'


@dataclass(frozen=True)
class Tracked:
    """Points of a track file, followed from one frame to others.

    Attributes:
        file: the track.
        path: of the file, for messages.
        chosen: names of the points; all when None.
        still: the frame to which the transforms belong.
        fewer: whether points that are lost at a frame are left out there; else they are an error.
    """

    file: TrackFile
    path: Path
    chosen: tuple[str, ...] | None
    still: int
    fewer: bool

    @property
    def names(self) -> list[str]:
        """The points that are followed, by name; unknown ones are left out."""
        return [name for name in self.chosen or self.file.points if name in self.file.points]

    def at(self, frame: int) -> Array:
        """The transform from pixels of the still's frame to pixels of a frame, 3×3, full size.

        Raises:
            FileError: a point is not known at the frame, or the points determine no transform.
        """
        problem = next(iter((*self._unknown(), *self._lost([frame]))), None)
        if problem is None:
            try:
                return self._fitted(frame)
            except BadValueError as error:
                problem = self._no_fit(frame, error)
        raise FileError(self.path, problem.message.removeprefix(f"{self.path}: "), problem.way_out)

    def moved(self, frame: int, time: float) -> Array:
        """The transform from pixels of a frame to pixels at a time near it, 3×3, full size.

        It is fitted to the points whose movement is known; the identity where that of none is.
        """
        from stackcomp.kernels.point_fit import fit

        if time == frame:
            return np.eye(3)
        here = self.file.positions(frame)
        step = 1 if time > frame else -1
        begin, end = [], []
        for name in self.names:
            if name not in here or not (ways := self._ways(name, here[name], frame, step)):
                continue
            begin.append(here[name])
            end.append(_along(here[name], ways, abs(time - frame)))
        try:
            return fit(begin, end) if begin else np.eye(3)
        except BadValueError:
            # Too few of the points are left to tell how the surface turns.
            return fit([np.mean(begin, axis=0)], [np.mean(end, axis=0)])

    def _ways(self, name: str, here: Position, frame: int, step: int) -> list[Position]:
        """How far a point moves in each of the next frames; as on the other side where the next is not known."""
        ways: list[Position] = []
        last, k = here, frame
        while len(ways) < _MOST_FRAMES and (after := self._neighbour(name, k, step)) is not None:
            there, count = after
            ways += [((there[0] - last[0]) / count, (there[1] - last[1]) / count)] * count
            last, k = there, k + step * count
        if not ways and (before := self._neighbour(name, frame, -step)) is not None:
            behind, count = before
            ways.append(((here[0] - behind[0]) / count, (here[1] - behind[1]) / count))
        return ways

    def _neighbour(self, name: str, frame: int, step: int) -> tuple[Position, int] | None:
        """Where a point is at the next frame that was tracked, and how far on that is; None where it is lost."""
        for count in range(1, _MOST_FRAMES + 1):
            if (near := frame + step * count) in self.file.frames:
                there = self.file.positions(near).get(name)
                return None if there is None else (there, count)
        return None

    def size_differs(self, frame: Window) -> Iterator[Problem]:
        """A finding where the picture has another size than the plate that was tracked."""
        if (frame.width, frame.height) != (self.file.width, self.file.height):
            yield Problem(
                "track-size",
                f"{self.path} was made of a plate of {self.file.width}×{self.file.height} pixels, but the frame "
                f"has {frame.width}×{frame.height}",
                "track the plate that the graph uses",
                field="track",
            )

    def problems(self, frames: Sequence[int]) -> Iterator[Problem]:
        """What is wrong at any of the frames that will be rendered."""
        unknown = list(self._unknown())
        yield from unknown
        if unknown:
            return
        lost = list(self._lost(frames))
        yield from lost
        if lost:
            return
        for frame in frames:
            try:
                self._fitted(frame)
            except BadValueError as error:
                yield self._no_fit(frame, error)
                return

    def _unknown(self) -> Iterator[Problem]:
        for name in self.chosen or ():
            if name not in self.file.points:
                yield Problem(
                    "track-point",
                    f'{self.path}: the track has no point "{name}"',
                    did_you_mean(name, list(self.file.points)) or f"it has {len(self.file.points)} other points",
                    field="points",
                )

    def _lost(self, frames: Sequence[int]) -> Iterator[Problem]:
        """Findings about points that have no position where one is needed."""
        known = self.file.frames
        if self.still not in known:
            yield self._outside([self.still], "the still's frame", 'give a "still_frame" that the track has')
            return
        outside = [frame for frame in frames if frame not in known]
        if outside:
            yield self._outside(outside, "what is rendered", "track these frames too, or render others")
            return
        at_still = self.file.positions(self.still)
        if self.fewer:
            none_left = [frame for frame in frames if not at_still.keys() & self._here(frame).keys()]
            if none_left:
                yield Problem(
                    "track-lost",
                    f"{self.path}: at {_frames(none_left)} there is no point that is also known at frame "
                    f"{self.still}, for which the still was made",
                    "track more points",
                    field="track",
                )
            return
        for name in self.names:
            gaps = [frame for frame in sorted({*frames, self.still}) if name not in self.file.positions(frame)]
            if gaps:
                yield Problem(
                    "track-lost",
                    f'{self.path}: the point "{name}" is lost at {_frames(gaps)}',
                    f'track it again there, leave it out of "points", {_FEWER}',
                    field="track",
                )

    def _outside(self, frames: Sequence[int], what: str, way_out: str) -> Problem:
        known = self.file.frames
        return Problem(
            "track-frames",
            f"{self.path}: the track has {_frames(known)}, {'but' if known else 'and so'} not {_frames(frames)} "
            f"({what})",
            way_out,
            field="track",
        )

    def _no_fit(self, frame: int, error: BadValueError) -> Problem:
        message = f"{self.path}: frame {frame}: {error.message}"
        return Problem("track-fit", message, error.way_out or "choose other points", field="track")

    def _here(self, frame: int) -> dict[str, Position]:
        positions = self.file.positions(frame)
        return {name: positions[name] for name in self.names if name in positions}

    def _fitted(self, frame: int) -> Array:
        from stackcomp.kernels.point_fit import fit

        source, target = self._here(self.still), self._here(frame)
        both = [name for name in self.names if name in source and name in target]
        return fit([source[name] for name in both], [target[name] for name in both])


#: Frames beyond the one that is rendered to which an exposure can reach.
_MOST_FRAMES = 8


def _along(here: Position, ways: Sequence[Position], time: float) -> Position:
    """Where a point is after some frames; beyond the last known one it goes on as before."""
    x, y = here
    for k in range(math.ceil(time)):
        way = ways[min(k, len(ways) - 1)]
        part = min(1.0, time - k)
        x, y = x + way[0] * part, y + way[1] * part
    return x, y


def _frames(frames: Collection[int]) -> str:
    if not frames:
        return "no frames"
    return ("frame " if len(set(frames)) == 1 else "frames ") + format_frames(frames)
