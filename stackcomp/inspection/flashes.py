"""Flashes that reach the limits of Recommendation ITU-R BT.1702: a caution for photosensitive viewers.

This is a caution and no certificate. Recommendation ITU-R BT.1702 and the broadcast rules of a country govern;
what is to be broadcast is tested with the equipment that its broadcaster names.

==============  ==================================================================================================
flash           two opposing changes of luminance of 20 cd/m² or more where the darker state is below 160 cd/m²;
                where it is not, of a Michelson contrast of 1/17 or more
red flash       a change to or from a saturated red, and back, whatever its luminance: R / (R + G + B) of 0.8 or
                more in linear light, and a difference of more than 0.2 in u'v' (CIE 1976 UCS)
limit           more than 3 flashes within a second, over more than a quarter of the screen at once
long sequence   2 or 3 flashes a second for more than 5 seconds: a note
==============  ==================================================================================================

More than 3 flashes are 7 transitions or more. Each transition has to happen in more than a quarter of the screen
in the same direction, and each cell that counts has to have all of them: flashes that take turns in different
places are not added. BT.1702 exempts flashes whose leading edges lie more than about a third of a second apart;
no such exemption is made here, nor is one from the limit on contrast for pictures that are not of high dynamic
range. Regular patterns, which BT.1702 limits too, are not looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field

from stackcomp.data.window import Window
from stackcomp.inspection.check import Stream, StreamCheck
from stackcomp.inspection.finding import Finding
from stackcomp.inspection.flash_count import LuminanceTransitions, Recent, RedTransitions, Transitions
from stackcomp.inspection.limits import Amount, Length, Limits, Share
from stackcomp.inspection.screen import Screen, screen_of
from stackcomp.inspection.seen import Seen

__all__ = ["CHECK", "FlashesLimits", "FlashesStream"]

_CAUTION = (
    "a caution for photosensitive viewers, no certificate: ITU-R BT.1702 and the local broadcast rule govern"
)
_CURE = "lower the contrast, the area or the number of flashes"
_DEFAULT_RATE = 24.0

_WCAG = "WCAG 2.2 (W3C), general flash and red flash thresholds, which names ISO 9241-391"


class FlashesLimits(Limits):
    """Limits of the check of flashes."""

    peak: Annotated[
        Amount,
        Field(
            description="cd/m² of white on the screen. 200 is what limits in cd/m² and those relative to white "
            "(20 cd/m² and 0.1) agree for; a brighter screen reaches the limits sooner."
        ),
    ] = 200.0
    change: Annotated[
        Length, Field(description="cd/m² by which a flash differs, where the darker state is dark. ITU-R BT.1702.")
    ] = 20.0
    dark: Annotated[Length, Field(description="cd/m² below which the darker state is dark. ITU-R BT.1702.")] = (
        160.0
    )
    contrast: Annotated[
        Share,
        Field(
            description="Michelson contrast of a flash where the darker state is not dark: 1/17, which is 20 "
            "cd/m² above 160. ITU-R BT.1702 for high dynamic range."
        ),
    ] = 1 / 17
    distance: Annotated[
        Share, Field(description=f"Distance in u'v' (CIE 1976 UCS) of the two states of a red flash. {_WCAG}.")
    ] = 0.2
    area: Annotated[
        Share, Field(description="Share of the screen that has to flash at once. ITU-R BT.1702: a quarter.")
    ] = 0.25
    flashes: Annotated[Length, Field(description="Flashes allowed within any second. ITU-R BT.1702: 3.")] = 3.0
    long_flashes: Annotated[
        Length,
        Field(
            description="Flashes within a second that are noted where they go on long. ITU-R BT.1702 gives no "
            "number; 2 is common practice."
        ),
    ] = 2.0
    long_seconds: Annotated[
        Length, Field(description="Seconds from which on they are noted. ITU-R BT.1702: 5.")
    ] = 5.0


@dataclass
class _Stretch:
    """Frames in a row that are beyond a limit, and the worst of them."""

    first: int
    last: int
    flashes: float
    area: float
    worst: int
    place: Window | None


class _Counting:
    """Flashes of one sort."""

    def __init__(self, limits: FlashesLimits, frames: int) -> None:
        self._limits = limits
        self._recent = Recent(frames, limits.area)
        self._beyond: _Stretch | None = None
        self._long: _Stretch | None = None
        self.beyond: list[_Stretch] = []
        self.long: list[_Stretch] = []

    def take(self, frame: int, signs: npt.NDArray[np.int8] | None, screen: _Size) -> None:
        """Count what a frame adds.

        Args:
            frame: the number of the frame that the result is about.
            signs: of the frame after it; None after the last.
            screen: where cells lie.
        """
        found = self._recent.take(signs)
        if found is None:
            return
        limits = self._limits
        self._beyond = self._grown(self._beyond, self.beyond, frame, found, screen, int(2 * limits.flashes) + 1)
        self._long = self._grown(
            self._long, self.long, frame, found, screen, int(np.ceil(2 * limits.long_flashes))
        )

    def _grown(
        self, now: _Stretch | None, into: list[_Stretch], frame: int, found: Transitions, screen: _Size, least: int
    ) -> _Stretch | None:
        """The stretch that goes on with a frame; None where the frame is within the limit."""
        cells = found.counts >= least
        if float(np.mean(cells)) <= self._limits.area:
            return None
        # As many flashes as more of the screen than the limit has together.
        ranked = np.sort(found.counts, axis=None)
        many = int(ranked[-(int(self._limits.area * ranked.size) + 1)])
        area = float(np.mean(found.counts >= many))
        if now is None:
            now = _Stretch(frame, frame, 0.0, 0.0, frame, None)
            into.append(now)
        now.last = frame
        if (many / 2, area) > (now.flashes, now.area):
            now.flashes, now.area, now.worst = many / 2, area, frame
            now.place = screen.place(found.counts >= many)
        return now


@dataclass(frozen=True)
class _Size:
    shape: tuple[int, int]
    cell: int
    frame: Window

    def place(self, cells: npt.NDArray[np.bool_]) -> Window:
        """The smallest window of the frame around cells that are set."""
        rows, columns = np.flatnonzero(cells.any(axis=1)), np.flatnonzero(cells.any(axis=0))
        x0, y0 = self.frame.x0 + int(columns[0]) * self.cell, self.frame.y0 + int(rows[0]) * self.cell
        x1, y1 = (
            self.frame.x0 + (int(columns[-1]) + 1) * self.cell,
            self.frame.y0 + (int(rows[-1]) + 1) * self.cell,
        )
        return Window(x0, y0, x1, y1) & self.frame


class FlashesStream(Stream):
    """Keeps the last extremes of each cell, and the transitions of the last second."""

    def __init__(self, limits: FlashesLimits, rate: float | None) -> None:
        self._limits = limits
        self._rate = rate
        self._size: _Size | None = None
        self._last = 0
        self._frames: list[int] = []
        self._done: list[tuple[str, _Stretch, bool]] = []
        self._begin()

    def _begin(self) -> None:
        limits = self._limits
        rate = self._rate or _DEFAULT_RATE
        # A second that begins at a frame ends before the one that comes a second later.
        frames = max(1, int(np.ceil(rate - 1e-6)))
        self._luminance = LuminanceTransitions(limits.change, limits.dark, limits.contrast)
        self._red = RedTransitions(limits.distance)
        self._counts = {"general": _Counting(limits, frames), "red": _Counting(limits, frames)}

    def look(self, picture: Seen) -> tuple[Screen, Window] | None:
        """What a screen shows of it."""
        screen = screen_of(picture)
        return None if screen is None else (screen, picture.image.display)

    def see(self, frame: int, path: str, looked: tuple[Screen, Window] | None) -> Iterator[Finding]:
        """Count the transitions of a frame."""
        if looked is None:
            return
        screen, window = looked
        size = _Size(screen.luminance.shape, screen.cell, window)
        if self._size is not None and size.shape != self._size.shape:
            self._finish()
            self._begin()
        self._size = size
        signs = {
            "general": self._luminance.take(screen.luminance * np.float32(self._limits.peak)),
            "red": self._red.take(screen.chromaticity, screen.red),
        }
        for sort, counting in self._counts.items():
            counting.take(self._last, signs[sort], size)
        self._last = frame
        yield from ()

    def miss(self, frame: int, path: str, reason: str) -> Iterator[Finding]:
        """Let its time pass: the picture before it stays."""
        if self._size is not None:
            nothing = np.zeros(self._size.shape, np.int8)
            for counting in self._counts.values():
                counting.take(self._last, nothing, self._size)
            self._last = frame
        yield from ()

    def _finish(self) -> None:
        if self._size is None:
            return
        rate = self._rate or _DEFAULT_RATE
        for sort, counting in self._counts.items():
            counting.take(self._last, None, self._size)
            self._done += [(sort, stretch, True) for stretch in counting.beyond]
            for stretch in counting.long:
                within = any(
                    other.first <= stretch.last and stretch.first <= other.last for other in counting.beyond
                )
                # The first frame of it has seen a second already.
                long = (stretch.last - stretch.first + 1) / rate + 1 > self._limits.long_seconds
                if long and not within:
                    self._done.append((sort, stretch, False))

    def end(self) -> Iterator[Finding]:
        """Say which stretches of the sequence reach the limits."""
        self._finish()
        for sort, stretch, beyond in self._done:
            yield self._finding(sort, stretch, beyond=beyond)

    def _finding(self, sort: str, stretch: _Stretch, *, beyond: bool) -> Finding:
        limits = self._limits
        red = "red " if sort == "red" else ""
        rate = self._rate or _DEFAULT_RATE
        assumed = "" if self._rate else " (assumed; --frame-rate says another)"
        frames = f"{stretch.first}-{stretch.last}" if stretch.first != stretch.last else str(stretch.first)
        shown = f"{rate:g} frames a second{assumed} and {limits.peak:g} cd/m²"
        what = f"{stretch.flashes:g} {red}flashes within a second over {100 * stretch.area:.0f} % of the screen"
        if not beyond:
            what += f", for more than {limits.long_seconds:g} seconds"
        return Finding(
            check="flashes",
            sort=sort if beyond else f"{sort}, long",
            frame=stretch.worst,
            place=stretch.place,
            value=stretch.flashes,
            limit=limits.flashes if beyond else limits.long_flashes,
            unit="flashes/s",
            message=f"{what}, frames {frames} at {shown} — {_CAUTION}",
            cure=_CURE,
            level="doubt" if beyond else "note",
        )


CHECK = StreamCheck(
    name="flashes",
    limits=FlashesLimits,
    start=FlashesStream,
    summary="Flashes at the limits of ITU-R BT.1702: a caution for photosensitive viewers, no certificate.",
    cure=_CURE,
    source="Recommendation ITU-R BT.1702; red flashes: WCAG 2.2 (W3C) and ISO 9241-391",
)
