"""The cut of a sequence, from an OpenTimelineIO file (extra ``timeline``): which frames of which clip are used.

A clip's name is the name of a shot. Its frames are those of its source range in the numbering of its media, and
those that transitions beside it need too. Gaps hold no frames; what a nested composition leaves out is left out.

Source: OpenTimelineIO, "Time Ranges" and "Timeline Structure" of its documentation, and the Python API itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from stackcomp.data.frame_rate import parse_frame_rate
from stackcomp.data.frames import MOST_FRAMES
from stackcomp.errors import BadValueError, DocumentError, Problem, did_you_mean, shown
from stackcomp.files.paths import nearby

__all__ = ["Cut", "CutClip", "read_cut"]

_ENDINGS = (".otio", ".otioz", ".otiod")
#: A time counts as a whole number of frames within this many frames: rates are stored as floats.
_WHOLE = Fraction(1, 1000)


@dataclass(frozen=True)
class CutClip:
    """A clip as it is used, everywhere in the cut.

    Attributes:
        name: its name.
        frames: frames of its media that are used, ascending; those that transitions need are among them.
        available: first and last frame of the media; None where the cut does not say.
        frame_rate: frames a second of its media.
        media: name or address of its media, or empty.
    """

    name: str
    frames: tuple[int, ...]
    available: tuple[int, int] | None = None
    frame_rate: Fraction | None = None
    media: str = ""


@dataclass(frozen=True)
class Cut:
    """A cut.

    Attributes:
        clips: in their order of time, each name once.
        warnings: what is doubtful.
    """

    clips: tuple[CutClip, ...]
    warnings: tuple[Problem, ...] = ()


def read_cut(path: Path, *, track: str | None = None) -> Cut:
    """Read a cut.

    Args:
        path: an OpenTimelineIO file or bundle.
        track: name of a video track; all that are enabled when None.

    Raises:
        DocumentError: the file cannot be read, or holds no cut; every problem of its clips is in it.
    """
    timeline = _opened(path)
    reader = _Reader(path)
    tracks = [each for each in timeline.video_tracks() if each.enabled]
    if track is not None:
        tracks = [each for each in tracks if each.name == track]
        if not tracks:
            names = [each.name for each in timeline.video_tracks() if each.enabled]
            reader.wrong(f'there is no video track "{track}"', did_you_mean(track, names))
    for each in tracks:
        reader.composition(each, each.source_range)
    if not reader.problems and not reader.clips:
        reader.wrong("the cut has no clips on an enabled video track", "export it with its clips")
    if reader.problems:
        raise DocumentError(dict.fromkeys(reader.problems))
    return Cut(tuple(reader.clips.values()), tuple(dict.fromkeys(reader.warnings)))


def _opened(path: Path) -> Any:
    try:
        import opentimelineio as otio
    except ImportError:
        raise _failure(path, "OpenTimelineIO is not installed", "pip install 'stackcomp[timeline]'") from None
    if not path.exists():
        raise _failure(path, "there is no such file", nearby(path))
    if path.suffix.lower() not in _ENDINGS:
        raise _failure(
            path, f'files that end in "{path.suffix}" are not read', "export the cut as OpenTimelineIO, .otio"
        )
    try:
        timeline = otio.adapters.read_from_file(str(path))
    except Exception as error:
        # The library raises errors of many classes, ValueError and its own among them.
        reason = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        raise _failure(path, f"it cannot be read as OpenTimelineIO: {reason[:200]}", "export it again") from error
    if isinstance(timeline, otio.schema.SerializableCollection):
        timelines = [item for item in timeline if isinstance(item, otio.schema.Timeline)]
        if len(timelines) == 1:
            return timelines[0]
        raise _failure(path, f"it holds {len(timelines)} timelines", "export one alone")
    if not isinstance(timeline, otio.schema.Timeline):
        raise _failure(path, f"it holds a {type(timeline).__name__}, not a timeline", "export the timeline")
    return timeline


def _failure(path: Path, message: str, way_out: str) -> DocumentError:
    return DocumentError(Problem("cut", message, way_out, place=str(path)))


class _Reader:
    """Gathers the clips of a timeline."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clips: dict[str, CutClip] = {}
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []

    def wrong(self, message: str, way_out: str = "") -> None:
        """Add an error."""
        self.problems.append(Problem("cut", message, way_out, place=str(self.path)))

    def doubt(self, message: str, way_out: str = "") -> None:
        """Add a warning."""
        self.warnings.append(Problem("cut", message, way_out, place=str(self.path), severity="warning"))

    def composition(self, parent: Any, limit: Any) -> None:
        """Gather clips of a track or stack, and of those in it.

        Args:
            parent: the track or stack.
            limit: the part of it that is used, in its own time; all when None.
        """
        import opentimelineio as otio

        for child, whole in self._ranges(parent):
            used = whole if limit is None else _common(whole, limit)
            if used is None or used.duration.value <= 0:
                if whole.duration.value <= 0 and isinstance(child, otio.schema.Clip):
                    self.doubt(f"clip {_named(child)} has no length, and is left out")
                continue
            inner = otio.opentime.TimeRange(
                child.trimmed_range().start_time + (used.start_time - whole.start_time), used.duration
            )
            if isinstance(child, otio.schema.Clip):
                is_track = isinstance(parent, otio.schema.Track)
                head, tail = parent.handles_of_child(child) if is_track else (None, None)
                # A transition at an edge that is cut off is cut off with it.
                self._clip(
                    child,
                    inner,
                    head if used.start_time == whole.start_time else None,
                    tail if used.end_time_exclusive() == whole.end_time_exclusive() else None,
                )
            elif isinstance(child, otio.core.Composition) and child.enabled:
                self.composition(child, inner)

    def _ranges(self, parent: Any) -> Iterator[tuple[Any, Any]]:
        """Children that last for a while, and their ranges in the time of their parent."""
        import opentimelineio as otio

        try:
            ranges = parent.range_of_all_children() if isinstance(parent, otio.schema.Track) else None
            for child in parent:
                if isinstance(child, otio.core.Item) and not isinstance(child, otio.schema.Gap):
                    yield child, ranges[child] if ranges is not None else parent.range_of_child(child)
        except Exception as error:
            # A clip without any range makes the library fail for all of its track.
            for clip in parent:
                lacks = isinstance(clip, otio.schema.Clip) and clip.source_range is None
                if lacks and not _range_of_media(clip):
                    self.wrong(f"clip {_named(clip)} has neither a source range nor media with one", _EXPORT)
            if not self.problems:
                self.wrong(f'track "{parent.name}" cannot be read: {str(error).splitlines()[0]}', _EXPORT)

    def _clip(self, clip: Any, used: Any, head: Any, tail: Any) -> None:
        name = clip.name or _stem(clip)
        if not name:
            self.wrong("a clip has no name, and its media has none", "name it: shots are known by their names")
            return
        try:
            frames, available, rate = self._frames(clip, name, used, head, tail)
        except BadValueError as error:
            self.wrong(f'clip "{name}": {error.message}', error.way_out)
            return
        made = CutClip(name, frames, available, rate, _media(clip))
        before = self.clips.get(name)
        if before is None:
            self.clips[name] = made
        elif before.media != made.media:
            self.wrong(
                f'two clips are named "{name}", of {shown(before.media)} and of {shown(made.media)}',
                "give one of them another name",
            )
        else:
            frames = tuple(sorted({*before.frames, *made.frames}))
            self.clips[name] = replace(before, frames=frames)

    def _frames(
        self, clip: Any, name: str, used: Any, head: Any, tail: Any
    ) -> tuple[tuple[int, ...], tuple[int, int] | None, Fraction]:
        numbering = _Numbering.of(clip, used)
        start, duration = _seconds(used.start_time), _seconds(used.duration)
        scalar = _time_scalar(clip)
        if scalar is not None and scalar != 1:
            self.doubt(
                f'clip "{name}" runs at {float(scalar):g} times its speed',
                "frames of its media are rendered; the change of speed is made in the edit",
            )
            duration *= abs(scalar)
        before, behind = (_seconds(time) if time is not None else Fraction(0) for time in (head, tail))
        first = numbering.frame(start - before)
        last = numbering.frame(start + duration + behind)
        low, high = _whole(first, math.floor), _whole(last, math.ceil) - 1
        if low != first or high + 1 != last:
            where = f"{float(first):g} to {float(last):g}"
            self.doubt(
                f'clip "{name}" begins or ends between two frames of its media ({where})',
                f"frames {low}-{max(low, high)} are taken",
            )
        high = max(low, high)
        if high - low >= MOST_FRAMES:
            raise BadValueError(f"has {high - low + 1} frames", "correct its source range")
        return tuple(range(low, high + 1)), numbering.available, numbering.rate


@dataclass(frozen=True)
class _Numbering:
    """How times in the media of a clip become frame numbers.

    Attributes:
        rate: frames a second.
        start: time of the frame ``first``, in seconds.
        first: its number.
        available: first and last frame of the media, where known.
    """

    rate: Fraction
    start: Fraction
    first: Fraction
    available: tuple[int, int] | None

    @classmethod
    def of(cls, clip: Any, used: Any) -> _Numbering:
        media = _range_of_media(clip)
        reference = clip.media_reference
        sequence = type(reference).__name__ == "ImageSequenceReference"
        if sequence and reference.frame_step not in (0, 1):
            raise BadValueError(f"its media has every {reference.frame_step}th frame", "give it all frames")
        float_rate = reference.rate if sequence and reference.rate else (media or used).start_time.rate
        rate = parse_frame_rate(float_rate)
        start = _seconds(media.start_time) if media is not None else Fraction(0)
        first = Fraction(reference.start_frame) if sequence else start * rate
        available = None
        if media is not None and media.duration.value > 0:
            count = _whole(_seconds(media.duration) * rate, math.floor)
            low = _whole(first, math.floor)
            available = (low, low + max(count, 1) - 1)
        return cls(rate, start, first, available)

    def frame(self, seconds: Fraction) -> Fraction:
        """The frame at a time; a whole number where it is one but for rounding."""
        number = self.first + (seconds - self.start) * self.rate
        nearest = Fraction(round(number))
        return nearest if abs(number - nearest) <= _WHOLE else number


_EXPORT = "export the cut with source ranges"


def _seconds(time: Any) -> Fraction:
    """A time in seconds, exactly: rates such as 23.976 stand for 24000/1001."""
    return Fraction(time.value) / parse_frame_rate(time.rate)


def _whole(number: Fraction, to: Any) -> int:
    nearest = round(number)
    return nearest if abs(number - nearest) <= _WHOLE else int(to(number))


def _common(a: Any, b: Any) -> Any:
    """The part that two ranges have in common; None where there is none."""
    import opentimelineio as otio

    start = max(a.start_time, b.start_time)
    end = min(a.end_time_exclusive(), b.end_time_exclusive())
    return otio.opentime.range_from_start_end_time(start, end) if start < end else None


def _range_of_media(clip: Any) -> Any:
    reference = clip.media_reference
    return getattr(reference, "available_range", None)


def _time_scalar(clip: Any) -> Fraction | None:
    """How much faster than its media the clip runs: the product of its linear time effects; None without any."""
    scalars = [Fraction(effect.time_scalar) for effect in clip.effects if hasattr(effect, "time_scalar")]
    return math.prod(scalars, start=Fraction(1)) if scalars else None


def _media(clip: Any) -> str:
    reference = clip.media_reference
    if type(reference).__name__ == "ImageSequenceReference":
        return f"{reference.target_url_base}{reference.name_prefix}#{reference.name_suffix}"
    return str(getattr(reference, "target_url", "") or getattr(reference, "name", "") or "")


def _stem(clip: Any) -> str:
    media = _media(clip).split("?")[0].rstrip("/")
    return Path(media.replace("#", "")).stem.rstrip("._-") if media else ""


def _named(clip: Any) -> str:
    return shown(clip.name or _stem(clip) or "without a name")
