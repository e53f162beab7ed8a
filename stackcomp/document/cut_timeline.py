"""The clips of a timeline, each where it is used: tracks, stacks inside each other, transitions."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import unquote

from stackcomp.data.frame_rate import decimal_frame_rate, parse_frame_rate
from stackcomp.document.cut_file import cut_problem
from stackcomp.document.cut_times import Numbering, Span, Warp, rate_of, seconds_of
from stackcomp.errors import BadValueError, Problem, cut, shown
from stackcomp.files.escaping import escaped

__all__ = ["Place", "TimelineReader", "Use", "frame_numbers"]

_FASTEST = 10**6
_DEEPEST = 64
_CORRECT = "correct the cut, and export it again"


@dataclass(frozen=True)
class Place:
    """Where an item is: its name, the place of it for people, and keys from the top of the file."""

    name: str
    spot: str
    pointer: tuple[Any, ...]

    def child(self, name: str, index: int) -> Place:
        """The place of an item of the composition that is here."""
        above = ", ".join(part for part in (self.name, self.spot) if part)
        at_top = not self.name and name.startswith("track ")
        spot = "" if at_top else f"item {index + 1} of {above or 'the timeline'}"
        return Place(name, spot, (*self.pointer, "children", index))


@dataclass(frozen=True)
class Shown:
    """What is shown of a composition or a clip, in its own time.

    Attributes:
        core: without what transitions add; None for all of it.
        visible: with it.
        clock: from its own time to that of the whole timeline.
    """

    core: Span | None
    visible: Span | None
    clock: Callable[[Fraction], Fraction]


@dataclass(frozen=True)
class Use:
    """A clip at one place of the timeline.

    Attributes:
        time: when it is first shown, in the time of the whole timeline.
        name: of the clip, or of its media.
        core: first and last frame of the media, without transitions.
        visible: with them.
        available: first and last frame that the media has, if that is known.
        same: what tells its media from others; None where it is missing.
    """

    time: Fraction
    name: str
    core: tuple[int, int]
    visible: tuple[int, int]
    numbering: Numbering
    speed: Fraction
    available: tuple[int, int] | None
    media: str
    same: tuple[Any, ...] | None
    metadata: Mapping[str, Any]
    place: Place


class TimelineReader:
    """Gathers the clips of a timeline, and every problem."""

    def __init__(self, otio: Any, raw: Any) -> None:
        self.otio, self.schema, self.raw = otio, otio.schema, raw
        self.uses: list[Use] = []
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []
        self._rates: set[Fraction] = set()

    def read(self, top: Any, pointer: tuple[Any, ...], only: int | None) -> None:
        """Gather the clips below a composition, or of one track in it."""
        is_track = isinstance(top, self.schema.Track)
        place = Place(self._name(top, 0) if is_track else "", "", pointer)
        try:
            whole = None if top.source_range is None else Span.of(top.source_range)
        except BadValueError as error:
            self.wrong(replace(place, name=place.name or "the timeline"), error.message)
            return
        if not is_track or self._is_used(top):
            self._check_ranges(top, place, 0, None if is_track else only)
            shown = Shown(whole, whole, lambda time: time)
            self._composition(top, shown, place, 0, None if is_track else only)

    def frame_rate(self) -> Fraction | None:
        """The rate of the timeline, where its clips have one only."""
        return next(iter(self._rates)) if len(self._rates) == 1 else None

    def wrong(self, place: Place, message: str, way_out: str = _CORRECT) -> None:
        """Add an error; the message goes on from the name of the item."""
        self.problems.append(cut_problem(place.pointer, f"{place.name} {message}", way_out))

    def doubt(self, place: Place, message: str, way_out: str) -> None:
        """Add a warning."""
        problem = cut_problem(place.pointer, f"{place.name} {message}", way_out)
        self.warnings.append(replace(problem, severity="warning"))

    # -- compositions ------------------------------------------------------------------------------------------

    def _composition(self, parent: Any, shown: Shown, at: Place, depth: int, only: int | None = None) -> None:
        if depth > _DEEPEST:
            self.wrong(at, f"is nested more than {_DEEPEST} deep", "flatten it, and export the cut again")
            return
        is_track = isinstance(parent, self.schema.Track)
        children = list(parent)
        now = Fraction(0)
        for index, child in enumerate(children):
            used = self._is_used(child) and only in (None, index)
            if isinstance(child, self.schema.Transition) or not (used or is_track):
                continue
            place = at.child(self._name(child, index), index)
            span = self._range(child)
            if isinstance(span, str):
                # This is reported already. What is inside may have further problems.
                if used and isinstance(child, self.otio.core.Composition):
                    self._composition(child, replace(shown, core=None, visible=None), place, depth + 1)
                continue
            here = Span(now, now + span.end - span.start)
            reach = self._reach(children, index, here, place) if is_track else here
            now = here.end if is_track else now
            if used:
                self._item(child, span, here, reach, shown, place, depth)

    def _name(self, item: Any, index: int) -> str:
        if isinstance(item, self.schema.Track):
            return f"track {shown(item.name) if item.name else index + 1}"
        is_clip = isinstance(item, self.schema.Clip)
        kind = "clip" if is_clip else "stack" if isinstance(item, self.schema.Stack) else "item"
        name = item.name or (_stem(self._address(item)) if is_clip else "")
        return f"{kind} {shown(name)}" if name else f"a {kind} without a name"

    def _is_used(self, item: Any) -> bool:
        if isinstance(item, self.schema.Transition | self.schema.Gap) or not item.enabled:
            return False
        return not isinstance(item, self.schema.Track) or item.kind == self.schema.TrackKind.Video

    def _range(self, item: Any) -> Span | str:
        """The range of an item in its own time, or why there is none."""
        try:
            return Span.of(item.trimmed_range())
        except BadValueError as error:
            return error.message
        except self.otio.exceptions.OTIOError:
            return "has neither a source range nor media with one"

    def _check_ranges(self, parent: Any, at: Place, depth: int, only: int | None = None) -> None:
        """Report ranges that cannot be, also of what only takes time: others are placed behind it."""
        is_track = isinstance(parent, self.schema.Track)
        for index, child in enumerate(parent):
            used = self._is_used(child) and only in (None, index)
            if isinstance(child, self.schema.Transition) or not (used or is_track):
                continue
            place = at.child(self._name(child, index), index)
            before = len(self.problems)
            if isinstance(child, self.otio.core.Composition) and used and depth < _DEEPEST:
                self._check_ranges(child, place, depth + 1)
            span = self._range(child)
            if isinstance(span, str) and len(self.problems) == before:
                self.wrong(place, span, "correct the cut, and export it with source ranges")

    def _reach(self, children: Sequence[Any], index: int, here: Span, place: Place) -> Span:
        """What is shown of an item of a track, in the time of the track: with the transitions beside it."""
        sides = []
        for neighbour, offset in ((index - 1, "in_offset"), (index + 1, "out_offset")):
            beside = children[neighbour] if 0 <= neighbour < len(children) else None
            seconds = Fraction(0)
            if isinstance(beside, self.schema.Transition):
                at = Place(f"the transition beside {place.name}", "", (*place.pointer[:-1], neighbour))
                try:
                    seconds = seconds_of(getattr(beside, offset))
                except BadValueError as error:
                    self.wrong(at, error.message)
                if seconds < 0:
                    self.wrong(at, f"has a negative {offset}")
            sides.append(max(seconds, Fraction(0)))
        return Span(here.start - sides[0], here.end + sides[1])

    # -- items -------------------------------------------------------------------------------------------------

    def _item(
        self, item: Any, span: Span, here: Span, reach: Span, shown: Shown, place: Place, depth: int
    ) -> None:
        is_clip = isinstance(item, self.schema.Clip)
        if reach.empty and is_clip:
            self.doubt(place, "has no length, and is left out", "remove it from the cut")
        core, visible = here.meet(shown.core), reach.meet(shown.visible)
        trimmed = is_clip or item.source_range is not None
        if trimmed and visible.empty:
            return
        speed = self._speed(item, place)
        rate = rate_of(item.trimmed_range().duration.rate)
        numbering = self._numbering(item, place) if is_clip else Numbering(rate)
        if speed is None or numbering is None:
            return
        begin = numbering.beginning(span.start) if speed == 0 else span.start
        warp = Warp(here, begin, speed, 1 / numbering.rate)
        if is_clip:
            core = visible if core.empty else core
            self._rates.add(rate)
            self._clip(item, numbering, warp, core, visible, min(map(shown.clock, (core.start, core.end))), place)
            return

        def clock(time: Fraction) -> Fraction:
            return shown.clock(warp.outer(time))

        inside = Shown(warp.inner(core), warp.inner(visible), clock)
        if not trimmed and speed != 0:
            # Transitions at its ends show as much as there is.
            limits = [limit and warp.inner(limit) for limit in (shown.core, shown.visible)]
            inside = Shown(limits[0], limits[1], clock)
        self._composition(item, inside, place, depth + 1)

    def _speed(self, item: Any, place: Place) -> Fraction | None:
        """The product of all linear changes of speed; None, and a problem, where it makes no sense."""
        speed = Fraction(1)
        for effect in item.effects:
            if not isinstance(effect, self.schema.TimeEffect) or not getattr(effect, "enabled", True):
                continue
            if not isinstance(effect, self.schema.LinearTimeWarp):
                name = effect.name or effect.effect_name or effect.schema_name()
                message = f"has a change of speed that is not linear ({shown(name)}): it is not followed"
                self.doubt(place, message, 'write "frames" at the shot where it needs others')
            elif not abs(effect.time_scalar) <= _FASTEST:
                self.wrong(place, f"runs at speed {effect.time_scalar:g}, which is out of range")
                return None
            else:
                speed *= Fraction(effect.time_scalar).limit_denominator(1_000_000)
        return speed

    def _numbering(self, clip: Any, place: Place) -> Numbering | None:
        """How the media of a clip is numbered; None where it has no frames, or none that can be known."""
        media = clip.media_reference
        if isinstance(media, self.schema.GeneratorReference):
            message = f"is made by a generator ({cut(media.generator_kind, 40)}), and is left out"
            self.doubt(place, message, "there are no frames of it to read")
            return None
        available = None if media is None else media.available_range
        try:
            if not isinstance(media, self.schema.ImageSequenceReference):
                return Numbering(_frame_rate((available or clip.trimmed_range()).start_time.rate))
            if available is None:
                raise BadValueError("has an image sequence without an available range: its frames have no times")
            if media.frame_step < 1:
                raise BadValueError(f"has an image sequence with a frame step of {media.frame_step}")
            zero = seconds_of(available.start_time)
            return Numbering(_frame_rate(media.rate), zero, media.start_frame, media.frame_step)
        except BadValueError as error:
            self.wrong(place, error.message)
            return None

    def _clip(
        self,
        clip: Any,
        numbering: Numbering,
        warp: Warp,
        core: Span,
        visible: Span,
        time: Fraction,
        place: Place,
    ) -> None:
        address = self._address(clip)
        name = clip.name or _stem(address)
        if not name:
            way_out = "name it: shots are known by their names"
            self.wrong(place, "cannot be a shot: its media has no name either", way_out)
            return
        use = Use(
            time=time,
            name=name,
            core=numbering.frames(warp.inner(core)),
            visible=numbering.frames(warp.inner(visible)),
            numbering=numbering,
            speed=warp.speed,
            available=self._available(clip.media_reference, numbering, place),
            media=address,
            same=(address, numbering) if address else None,
            metadata=_metadata(self.raw, place.pointer),
            place=place,
        )
        self.uses.append(use)
        self._doubts(use, warp.inner(core), _decimal((core.end - core.start) * numbering.rate))

    def _available(self, media: Any, numbering: Numbering, place: Place) -> tuple[int, int] | None:
        if media is None or media.available_range is None:
            return None
        try:
            span = Span.of(media.available_range)
        except BadValueError as error:
            self.wrong(replace(place, name=f"the media of {place.name}"), error.message)
            return None
        # An empty range says nothing: some programs write it where they do not know.
        return None if span.empty else numbering.frames(span)

    def _doubts(self, use: Use, core: Span, duration: str) -> None:
        taken = f"frames {frame_numbers(*use.core)} are taken"
        if use.speed != 1:
            kind = " (a frozen frame)" if use.speed == 0 else " (in reverse)" if use.speed < 0 else ""
            message = (
                f"runs at speed {_decimal(use.speed)}{kind}: it lasts {duration} frames in the cut, and {taken}"
            )
            way_out = "frames of its media are rendered; the change of speed is made in the edit"
            self.doubt(use.place, message, way_out)
        else:
            begin, end = map(use.numbering.position, (core.start, core.end))
            if begin.denominator != 1 or end.denominator != 1:
                where = " to ".join(_decimal(use.numbering.start + position) for position in (begin, end))
                rate = decimal_frame_rate(use.numbering.rate)
                message = f"begins or ends between two frames of its media ({where}, {rate} a second); {taken}"
                self.doubt(use.place, message, "cut at the frame rate of the media")
        has = use.available
        if has is not None and not has[0] <= use.visible[0] <= use.visible[1] <= has[1]:
            message = f"needs frames {frame_numbers(*use.visible)}, but its media has {frame_numbers(*has)}"
            self.doubt(use.place, message, "trim it, shorten its transitions, or connect the whole media")

    def _address(self, clip: Any) -> str:
        media = clip.media_reference
        if not isinstance(media, self.schema.ImageSequenceReference):
            return str(getattr(media, "target_url", None) or getattr(media, "name", None) or "")
        padding = f":0{media.frame_zero_padding}d" if 0 < media.frame_zero_padding < 100 else ""
        base = media.target_url_base
        between = "" if not base or base.endswith("/") else "/"
        return f"{escaped(base + between + media.name_prefix)}{{frame{padding}}}{escaped(media.name_suffix)}"


def _metadata(raw: Any, pointer: tuple[Any, ...]) -> dict[str, Any]:
    """The metadata of an item; empty where a file with repeated keys has two readings."""
    try:
        for key in (*pointer, "metadata"):
            raw = raw[key]
    except (KeyError, IndexError, TypeError):
        return {}
    return raw if isinstance(raw, dict) else {}


def _frame_rate(number: float) -> Fraction:
    try:
        return parse_frame_rate(number)
    except BadValueError as error:
        raise BadValueError(f"has media without a frame rate: {error.message}") from None


def _stem(address: str) -> str:
    """What an address names, without folders, frame token and ending."""
    name = re.sub(r"\{frame[^}]*\}", "", address).split("?")[0].rstrip("/")
    return PurePosixPath(unquote(name)).stem.rstrip("._-") if name else ""


def _decimal(value: Fraction) -> str:
    return f"{float(value):.3f}".rstrip("0").rstrip(".")


def frame_numbers(first: int, last: int) -> str:
    """One frame number, or a range of them."""
    return str(first) if first == last else f"{first}-{last}"
